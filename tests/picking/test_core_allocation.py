"""Allocation against proven optima and against integer programs solved by HiGHS, written separately here."""

import json
from collections import Counter, defaultdict
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from rimekeep.errors import Invalid
from rimekeep.picking.core.allocation import Line, LotStock, Reason, allocate, eligible
from rimekeep.picking.core.allocation.fefo import first_expired, tails
from rimekeep.picking.core.allocation.flow import cheapest_flow
from rimekeep.picking.core.allocation.rules import ProductWave, in_lot_order

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"


def instances(name):
    found = json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["instances"]
    return [pytest.param(one, id=one["id"]) for one in found]


def lot_of(one):
    return LotStock(
        one["id"],
        one["sku"],
        one["qty"],
        one["effective_expiry_day"],
        one["received_day"],
        one["held"],
        one["available_from_day"],
    )


def line_of(one):
    return Line(
        one["id"],
        one["customer"],
        one["sku"],
        one["qty"],
        one["ship_day"],
        one["delivery_day"],
        one["min_remaining_days"],
        0,
        one["max_lots"],
        one["last_delivered_expiry_day"],
    )


def allowed(lot, line):
    """The rules once more, on integer days, in other words than the code's."""
    printed = lot.expires_on if lot.printed_on is None else lot.printed_on
    return (
        lot.product == line.product
        and not lot.held
        and (lot.available_on is None or line.ship_on >= lot.available_on)
        and lot.expires_on - line.deliver_on >= line.min_life_days
        and printed - line.deliver_on >= line.min_life_days
        and (lot.promised_on is None or lot.promised_on - line.deliver_on >= line.min_life_days)
        and (line.last_delivered_on is None or printed >= line.last_delivered_on)
        and (line.next_delivered_on is None or printed <= line.next_delivered_on)
    )


def assert_within_the_rules(lots, lines, answer):
    lot_by_id, line_by_id = {lot.id: lot for lot in lots}, {line.id: line for line in lines}
    by_lot, by_line, used = Counter(), Counter(), defaultdict(list)
    for line_id, lot_id, cases in answer.taken:
        assert cases > 0
        assert allowed(lot_by_id[lot_id], line_by_id[line_id])
        by_lot[lot_id] += cases
        by_line[line_id] += cases
        used[line_id].append(lot_by_id[lot_id])
    assert all(by_lot[lot.id] <= lot.cases for lot in lots)
    for line in lines:
        short = answer.short[line.id].cases if line.id in answer.short else 0
        assert by_line[line.id] + short == line.cases
        assert line.max_lots is None or len(new_lots(used[line.id], line)) <= line.max_lots - len(
            line.lots_had
        )
        days = [(lot.expires_on, lot.received_on, str(lot.id)) for lot in used[line.id]]
        assert days == sorted(days)
        if line.id in answer.short:
            causes = answer.short[line.id]
            assert causes.reason is causes.blocked[0][0]
            assert all(0 < cases <= causes.cases for _, cases in causes.blocked)
    assert answer.served <= answer.bound
    for line in lines:
        for other in lines:
            if (
                line.last_delivered_on is not None
                and (line.customer, line.product, line.last_delivered_on)
                == (other.customer, other.product, other.last_delivered_on)
                and line.deliver_on < other.deliver_on
            ):
                before = [printed_of(lot) for lot in used[line.id]]
                after = [printed_of(lot) for lot in used[other.id]]
                assert not before or not after or max(before) <= min(after)


def printed_of(lot):
    return lot.expires_on if lot.printed_on is None else lot.printed_on


def lot_named(stock):
    return stock.id if stock.lot is None else stock.lot


def new_lots(used, line):
    return {lot_named(lot) for lot in used} - line.lots_had


def goals(lots, lines, answer):
    priority = {line.id: line.priority for line in lines}
    expires = {lot.id: lot.expires_on for lot in lots}
    classes = sorted(set(priority.values()), reverse=True)
    served = [sum(cases for line, _, cases in answer.taken if priority[line] == one) for one in classes]
    return served, sum(cases * expires[lot] for _, lot, cases in answer.taken)


def proven_goals(lots, lines, *, in_order=False):
    """Solve the wave goal by goal as one integer program with HiGHS."""
    pairs = [
        (i, j)
        for i, line in enumerate(lines)
        for j, lot in enumerate(lots)
        if lot.cases and allowed(lot, line)
    ]
    classes = sorted({line.priority for line in lines}, reverse=True)
    if not pairs:
        return [0] * len(classes), 0
    size = len(pairs)
    rows, limits = [], []
    # Whether a line uses a lot is asked once for all parts of the lot.
    first = {}
    asked = [first.setdefault((i, lot_named(lots[j])), size + place) for place, (i, j) in enumerate(pairs)]

    def at_most(entries, limit):
        row = np.zeros(2 * size)
        for place, value in entries:
            row[place] += value
        rows.append(row)
        limits.append(limit)

    for i, line in enumerate(lines):
        own = [place for place, (one, _) in enumerate(pairs) if one == i]
        at_most([(place, 1) for place in own], line.cases)
        if line.max_lots is not None:
            new = {asked[place] for place in own if lot_named(lots[pairs[place][1]]) not in line.lots_had}
            at_most([(place, 1) for place in new], line.max_lots - len(line.lots_had))
    for j, lot in enumerate(lots):
        at_most([(place, 1) for place, (_, one) in enumerate(pairs) if one == j], lot.cases)
    for place, (i, j) in enumerate(pairs):
        at_most([(place, 1), (asked[place], -min(lots[j].cases, lines[i].cases))], 0)
    if in_order:
        for one, (i, j) in enumerate(pairs):
            for other, (k, m) in enumerate(pairs):
                first, second = lines[i], lines[k]
                if (
                    first.last_delivered_on is not None
                    and (first.customer, first.product, first.last_delivered_on)
                    == (second.customer, second.product, second.last_delivered_on)
                    and first.deliver_on < second.deliver_on
                    and printed_of(lots[j]) > printed_of(lots[m])
                ):
                    at_most([(asked[one], 1), (asked[other], 1)], 1)
    upper = np.ones(2 * size)
    upper[:size] = [min(lots[j].cases, lines[i].cases) for i, j in pairs]

    def best(goal):
        result = milp(
            goal,
            constraints=LinearConstraint(np.array(rows), -np.inf, np.array(limits)),
            bounds=Bounds(0, upper),
            integrality=np.ones(2 * size),
        )
        assert result.status == 0
        return round(float(result.fun))

    served = []
    for one in classes:
        goal = np.zeros(2 * size)
        goal[:size] = [-(lines[i].priority == one) for i, _ in pairs]
        served.append(-best(goal))
        at_most([(place, float(value)) for place, value in enumerate(goal) if value], -served[-1])
    cost = np.zeros(2 * size)
    cost[:size] = [lots[j].expires_on for _, j in pairs]
    return served, best(cost)


@pytest.mark.parametrize("one", instances("greedy_fefo_lines"))
def test_a_single_line_takes_first_expired_first_received_first_id(one):
    lots = [lot_of(lot) for lot in one["lots"]]
    line = line_of(one["line"])
    answer = allocate(lots, [line])
    assert answer.taken == [(line.id, pick["lot"], pick["qty"]) for pick in one["expected_picks"]]
    assert (answer.short[line.id].cases if answer.short else 0) == one["short"]
    refused = {lot.id for lot in lots if eligible(lot, line)}
    assert refused == set(one["excluded_lots"])


@pytest.mark.parametrize("one", instances("wave_allocation"))
def test_a_wave_reaches_both_proven_goals(one):
    lots, lines = [lot_of(lot) for lot in one["lots"]], [line_of(line) for line in one["lines"]]
    answer = allocate(lots, lines)
    assert_within_the_rules(lots, lines, answer)
    assert goals(lots, lines, answer) == (
        [one["optimal"]["units_served"]],
        one["optimal"]["sum_qty_expiry_day"],
    )
    assert answer.is_proven
    assert answer.bound == answer.served


def lots_and_lines(
    *, available=False, printed=False, promised=False, caps=False, priorities=False, repeats=False
):
    day = st.integers(0, 12)

    def maybe(strategy, wanted):
        return (st.none() | strategy) if wanted else st.none()

    lots = st.lists(
        st.builds(
            LotStock,
            id=st.just(0),
            product=st.sampled_from("AB"),
            cases=st.integers(0, 6),
            expires_on=day,
            received_on=st.integers(-3, 0),
            held=st.sampled_from([False, False, False, True]),
            available_on=maybe(st.integers(0, 4), available),
            printed_on=maybe(day, printed),
            promised_on=maybe(day, promised),
        ),
        max_size=6,
    )
    lines = st.lists(
        st.builds(
            Line,
            id=st.just(0),
            customer=st.just("C") if repeats else st.just(""),
            product=st.sampled_from("AB") if not repeats else st.just("A"),
            cases=st.integers(0, 8),
            ship_on=st.integers(0, 3),
            deliver_on=st.integers(3, 5),
            min_life_days=st.integers(0, 6),
            priority=st.integers(0, 2) if priorities else st.just(0),
            max_lots=maybe(st.integers(1, 2), caps),
            last_delivered_on=st.just(2) if repeats else st.none() | day,
        ),
        min_size=1,
        max_size=5,
    )

    def number(rows, mark):
        return [replace(row, id=f"{mark}{n}") for n, row in enumerate(rows)]

    def own(rows):
        return rows if repeats else [replace(row, customer=f"C{n}") for n, row in enumerate(rows)]

    return st.tuples(lots.map(lambda rows: number(rows, "L")), lines.map(lambda rows: own(number(rows, "O"))))


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(priorities=True), st.randoms())
def test_with_date_rules_alone_any_order_of_lines_is_best(wave, random):
    lots, lines = wave
    proven = proven_goals(lots, lines)
    for _ in range(3):
        answer = allocate(lots, lines)
        assert_within_the_rules(lots, lines, answer)
        assert goals(lots, lines, answer) == proven
        lots, lines = random.sample(lots, len(lots)), random.sample(lines, len(lines))


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(available=True, printed=True, priorities=True))
def test_late_lots_and_printed_dates_still_reach_both_goals(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave)
    assert answer.is_proven


@settings(deadline=None, max_examples=120)
@given(lots_and_lines(promised=True, priorities=True))
def test_promised_dates_in_any_order_still_reach_both_goals(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave)
    assert answer.is_proven


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(available=True, printed=True, promised=True, caps=True, priorities=True))
def test_promised_dates_under_every_other_rule_still_reach_both_goals(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave)
    assert answer.bound == answer.served


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(promised=True, caps=True, repeats=True))
def test_promised_dates_leave_the_order_of_deliveries_alone(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave, in_order=True)


def one_product(lots, lines):
    kept = in_lot_order(lot for lot in lots if lot.product == "A" and lot.cases)
    mine = sorted((line for line in lines if line.product == "A"), key=lambda line: -line.priority)
    return ProductWave(kept, mine)


@settings(deadline=None, max_examples=200)
@given(lots_and_lines(promised=True, priorities=True), st.booleans())
def test_the_fast_way_is_taken_only_where_it_equals_the_flow(wave, is_sorted):
    """Promised dates in the order of the others or out of it: the tails of lots are told exactly, or not at all."""
    lots, lines = wave
    if is_sorted:
        lots = [replace(lot, promised_on=lot.expires_on - 2) for lot in lots]
    product = one_product(lots, lines)
    if not product.lots or not product.lines:
        return
    starts = tails(product)
    flow = cheapest_flow(product)
    if is_sorted:
        assert starts is not None
    if starts is not None:
        fast = first_expired(product, starts)
        assert product.served_by_class(fast) == product.served_by_class(flow)
        assert product.cost(fast) == product.cost(flow)
        for line, taken in zip(product.lines, fast, strict=True):
            assert all(allowed(product.lots[place], line) for place in taken)


def test_a_line_that_asks_more_gets_the_lot_that_promises_more_though_it_is_over_first():
    """By hand: first-expired first gives the only lot fit for the strict line to the other one."""
    lots = [LotStock("X", "A", 5, 10, 0, promised_on=8), LotStock("Y", "A", 5, 12, 0, promised_on=3)]
    lines = [Line("any", "C", "A", 5, 0, 1), Line("strict", "D", "A", 5, 0, 1, min_life_days=6)]
    assert tails(one_product(lots, lines)) is None
    assert allocate(lots, lines).taken == [("any", "Y", 5), ("strict", "X", 5)]
    assert allocate(lots, lines[:1]).taken == [("any", "X", 5)]


def test_the_promised_date_is_named_only_where_the_others_would_do():
    lot = LotStock("L", "A", 5, 100, 0, promised_on=39)
    line = Line("O", "C", "A", 5, 8, 10, min_life_days=30)
    assert eligible(lot, line) == [Reason.PROMISE_TOO_SHORT]
    assert eligible(replace(lot, promised_on=40), line) == []
    assert eligible(replace(lot, expires_on=39), line) == [Reason.TOO_OLD]
    assert eligible(replace(lot, printed_on=39), line) == [Reason.TOO_OLD]
    old = replace(lot, id="M", expires_on=39, cases=4)
    short = allocate([lot, old], [replace(line, cases=9)]).short["O"]
    assert short.blocked == ((Reason.PROMISE_TOO_SHORT, 5), (Reason.TOO_OLD, 4))
    assert "cautious date" in short.reason.text


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(available=True, printed=True, caps=True, priorities=True))
def test_lot_caps_still_reach_both_goals(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave)
    assert answer.bound == answer.served


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(printed=True, caps=True, priorities=True), st.randoms())
def test_dates_that_may_not_be_overtaken_still_reach_both_goals(wave, random):
    lots = wave[0]
    lines = [replace(line, next_delivered_on=random.choice([None, 4, 8, 12])) for line in wave[1]]
    answer = allocate(lots, lines)
    assert_within_the_rules(lots, lines, answer)
    assert goals(lots, lines, answer) == proven_goals(lots, lines)
    assert answer.is_proven


def in_parts(wave, random):
    """Return the same wave with stock in parts of few lots, some of which some lines have from before."""
    lots = [
        replace(lot, lot=f"{lot.product}{name}", printed_on=9 + name)
        for lot, name in ((lot, random.randrange(2)) for lot in wave[0])
    ]
    had = (frozenset(), frozenset(), {"A0"}, {"A1", "B0"}, {"elsewhere"})
    lines = [
        replace(line, lots_had=frozenset(sorted(random.choice(had))[: line.max_lots])) for line in wave[1]
    ]
    return lots, lines


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(available=True, caps=True, priorities=True), st.randoms())
def test_parts_of_one_lot_that_aged_apart_count_once_against_a_lot_cap(wave, random):
    lots, lines = in_parts(wave, random)
    answer = allocate(lots, lines)
    assert_within_the_rules(lots, lines, answer)
    assert goals(lots, lines, answer) == proven_goals(lots, lines)
    assert answer.is_proven
    assert answer.bound == answer.served


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(caps=True, repeats=True), st.randoms())
def test_parts_of_one_lot_keep_deliveries_in_sequence(wave, random):
    lots, lines = in_parts(wave, random)
    answer = allocate(lots, lines)
    assert_within_the_rules(lots, lines, answer)
    assert goals(lots, lines, answer) == proven_goals(lots, lines, in_order=True)


def test_a_lot_in_two_parts_serves_a_line_that_accepts_one_lot():
    parts = [LotStock(f"P{n}", "A", 5, 90 + n, 0, printed_on=100, lot="P") for n in range(2)]
    whole = LotStock("Q", "A", 6, 95, 0)
    line = Line("O", "C", "A", 10, 0, 1, max_lots=1)
    answer = allocate([*parts, whole], [line])
    assert answer.taken == [("O", "P0", 5), ("O", "P1", 5)]
    had = replace(line, lots_had=frozenset({"Q"}))
    assert allocate([*parts, whole], [had]).taken == [("O", "Q", 6)]
    assert allocate([*parts, whole], [had]).short["O"].blocked == ((Reason.LOT_CAP, 4),)
    assert eligible(parts[0], had) == [Reason.LOT_CAP]


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(printed=True, caps=True, repeats=True))
def test_a_later_delivery_is_never_older_and_no_case_is_lost_for_it_in_vain(wave):
    answer = allocate(*wave)
    assert_within_the_rules(*wave, answer)
    assert goals(*wave, answer) == proven_goals(*wave, in_order=True)


@settings(deadline=None, max_examples=60)
@given(lots_and_lines(available=True, printed=True, promised=True, caps=True, priorities=True))
def test_the_same_wave_has_the_same_answer_in_integers_and_in_dates(wave):
    start = date(2026, 2, 20)

    def dated(row, *names):
        days = {name: getattr(row, name) for name in names}
        return replace(
            row, **{name: None if day is None else start + timedelta(day) for name, day in days.items()}
        )

    days = ("expires_on", "received_on", "available_on", "printed_on", "promised_on")
    lots = [dated(lot, *days) for lot in wave[0]]
    lines = [dated(line, "ship_on", "deliver_on", "last_delivered_on") for line in wave[1]]
    assert allocate(lots, lines) == allocate(*wave) == allocate(*wave)


@pytest.mark.parametrize(
    ("lots", "line", "reason"),
    [
        ([], {}, Reason.NO_STOCK),
        ([{"held": True}], {}, Reason.HELD),
        ([{"available_on": 11}], {}, Reason.NOT_YET),
        ([{"expires_on": 39}], {"min_life_days": 30}, Reason.TOO_OLD),
        ([{"printed_on": 39}], {"min_life_days": 30}, Reason.TOO_OLD),
        ([{"promised_on": 39}], {"min_life_days": 30}, Reason.PROMISE_TOO_SHORT),
        ([{}], {"last_delivered_on": 101}, Reason.OLDER_THAN_LAST),
        ([{}], {"next_delivered_on": 99}, Reason.NEWER_THAN_NEXT),
        ([{"cases": 4}, {"cases": 3}], {"max_lots": 1}, Reason.LOT_CAP),
        ([{"cases": 4}, {"held": True, "cases": 2}], {}, Reason.NO_STOCK),
        ([{"cases": 4}, {"held": True, "cases": 5}], {}, Reason.HELD),
    ],
)
def test_a_short_line_says_what_stopped_it(lots, line, reason):
    stock = [
        LotStock(**({"id": n, "product": "A", "cases": 10, "expires_on": 100, "received_on": 0} | lot))
        for n, lot in enumerate(lots)
    ]
    wanted = Line(
        **({"id": 1, "customer": "C", "product": "A", "cases": 10, "ship_on": 10, "deliver_on": 10} | line)
    )
    assert allocate(stock, [wanted]).short[1].reason is reason
    assert reason.text.endswith(".")


def test_a_line_outrun_by_a_higher_priority_is_told_so():
    stock = [LotStock("L", "A", 10, 100, 0)]
    lines = [Line("low", "C", "A", 6, 0, 1), Line("high", "D", "A", 8, 0, 1, priority=1)]
    answer = allocate(stock, lines)
    assert answer.taken == [("low", "L", 2), ("high", "L", 8)]
    assert answer.short["low"].reason is Reason.TAKEN


def test_every_broken_rule_is_listed():
    lot = LotStock("L", "A", 5, 20, 0, held=True, available_on=9)
    line = Line("O", "C", "A", 5, 8, 10, min_life_days=11, last_delivered_on=21)
    assert eligible(lot, line) == [Reason.HELD, Reason.NOT_YET, Reason.TOO_OLD, Reason.OLDER_THAN_LAST]
    assert eligible(replace(lot, product="B", cases=0), line)[:2] == [Reason.OTHER_PRODUCT, Reason.NO_STOCK]


def test_without_the_rule_older_beer_still_goes_to_the_earlier_delivery_where_it_is_free():
    stock = [LotStock("OLD", "A", 5, 50, 0), LotStock("NEW", "A", 5, 60, 0)]
    lines = [Line("later", "C", "A", 5, 2, 3), Line("sooner", "C", "A", 5, 0, 1)]
    assert allocate(stock, lines).taken == [("later", "NEW", 5), ("sooner", "OLD", 5)]
    # Nor does it matter that the lines state different rules.
    for last in (40, 50):
        other = [replace(lines[0], last_delivered_on=last), lines[1]]
        assert allocate(stock, other).taken == [("later", "NEW", 5), ("sooner", "OLD", 5)]


@pytest.mark.parametrize(
    "make",
    [
        lambda: LotStock("L", "A", -1, 1, 0),
        lambda: LotStock("L", "A", 1.5, 1, 0),
        lambda: Line("O", "C", "A", 1, 0, 0, min_life_days=-1),
        lambda: Line("O", "C", "A", 1, 0, 0, max_lots=0),
        lambda: Line("O", "C", "A", 1, 0, 0, max_lots=1.5),
        lambda: Line("O", "C", "A", 1, 0, 0, priority="high"),
        lambda: Line("O", "C", "A", 1, 0, 0, min_life_days="3"),
        lambda: Line("O", "C", "A", 1, 0, 0, min_life_fraction="0.5"),
        lambda: allocate([LotStock("L", "A", 1, 90.5, 0)], [Line("O", "C", "A", 1, 0, 0)]),
        lambda: allocate([LotStock("L", "A", 1, "2026-03-01", 0)], [Line("O", "C", "A", 1, 0, 0)]),
        lambda: allocate([LotStock("L", "A", 1, None, 0)], [Line("O", "C", "A", 1, 0, 0)]),
        lambda: allocate(
            [LotStock(n, "A", 1, 10**20 + n, 0, available_on=3 * n) for n in range(2)],
            [Line("O", "C", "A", 1, 0, 0)],
        ),
        lambda: allocate([LotStock("L", "A", 1, 1, 0)] * 2, []),
        lambda: allocate([], [Line("O", "C", "A", 1, 0, 0)] * 2),
        lambda: allocate([LotStock(n, "A", 1, 9, 0, printed_on=n, lot="P") for n in range(2)], []),
        lambda: allocate(
            [LotStock("L", "A", 1, date(2026, 1, 1), date(2026, 1, 1))], [Line("O", "C", "A", 1, 0, 0)]
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(make):
    with pytest.raises(Invalid):
        make()
