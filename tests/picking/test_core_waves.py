"""
Waves against the linear program of a reference solver (HiGHS through SciPy), written separately here.

With date rules of any kind the program's corners are whole numbers (it is a transportation problem: G. B. Dantzig,
"Application of the simplex method to a transportation problem", 1951), so no integer search is needed to judge.
"""

import pickle
from collections import Counter
from dataclasses import replace
from math import ceil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.sparse import coo_array

from rimekeep.errors import Invalid
from rimekeep.picking.core.allocation import Change, Line, LotStock, allocate, eligible
from rimekeep.picking.core.allocation.fefo import first_expired, tails
from rimekeep.picking.core.allocation.records import least_days_left
from rimekeep.picking.core.allocation.remedies import remedies
from rimekeep.picking.core.allocation.rules import ProductWave, in_lot_order


def allowed(lot, line):
    """The rules once more, on integer days, in other words than the code's."""
    printed = lot.expires_on if lot.printed_on is None else lot.printed_on
    promised = lot.expires_on if lot.promised_on is None else lot.promised_on
    least = line.min_life_days
    if line.min_life_fraction is not None:
        # In hundredths, so that nothing is rounded but once.
        least = max(least, -(-round(line.min_life_fraction * 100) * lot.total_days // 100))
    return (
        lot.product == line.product
        and not lot.held
        and (lot.available_on is None or line.ship_on >= lot.available_on)
        and min(lot.expires_on, printed, promised) - line.deliver_on >= least
        and (line.last_delivered_on is None or printed >= line.last_delivered_on)
        and (line.next_delivered_on is None or printed <= line.next_delivered_on)
    )


def best_by_program(lots, lines):
    """Return cases served by class of priority, highest first, and the least Σ cases × expiry day then."""
    pairs = [
        (i, j)
        for i, line in enumerate(lines)
        for j, lot in enumerate(lots)
        if allowed(lot, line) and lot.cases
    ]
    classes = sorted({line.priority for line in lines}, reverse=True)
    if not pairs:
        return [0] * len(classes), 0
    count = len(pairs)
    rows = [i for i, _ in pairs] + [len(lines) + j for _, j in pairs]
    table = coo_array(
        (np.ones(2 * count), (rows, [*range(count), *range(count)])), shape=(len(lines) + len(lots), count)
    )
    limits = [line.cases for line in lines] + [lot.cases for lot in lots]
    fixed, values = [], []

    def best(goal):
        result = linprog(
            goal, A_ub=table.tocsr(), b_ub=limits, A_eq=np.array(fixed) if fixed else None, b_eq=values or None, method="highs"
        )  # fmt: skip
        assert result.status == 0
        return round(result.fun)

    served = []
    for one in classes:
        row = np.array([float(lines[i].priority == one) for i, _ in pairs])
        served.append(-best(-row))
        fixed.append(row)
        values.append(float(served[-1]))
    return served, best(np.array([float(lots[j].expires_on) for _, j in pairs]))


def reached(lots, lines, answer):
    priority = {line.id: line.priority for line in lines}
    expires = {lot.id: lot.expires_on for lot in lots}
    classes = sorted(set(priority.values()), reverse=True)
    served = [sum(cases for line, _, cases in answer.taken if priority[line] == one) for one in classes]
    return served, sum(cases * expires[lot] for _, lot, cases in answer.taken)


def assert_kept(lots, lines, answer):
    by_lot, by_line = Counter(), Counter()
    lot, line = {one.id: one for one in lots}, {one.id: one for one in lines}
    for line_id, lot_id, cases in answer.taken:
        assert cases > 0
        assert allowed(lot[lot_id], line[line_id])
        by_lot[lot_id] += cases
        by_line[line_id] += cases
    assert all(by_lot[one.id] <= one.cases for one in lots)
    assert all(
        by_line[one.id] + (answer.short[one.id].cases if one.id in answer.short else 0) == one.cases
        for one in lines
    )


@st.composite
def waves(draw, *, available=False, dates=False, fractions=False, backward=False):
    """A wave of a busy day: one or two products, some of them scarce."""
    random = draw(st.randoms(use_true_random=False))

    def maybe(chance, low, high):
        return random.randint(low, high) if random.random() < chance else None

    lots, lines = [], []
    for number in range(random.randint(1, 25)):
        expires = random.randint(0, 60)
        lots.append(
            LotStock(
                f"L{number}", random.choice("AAB"), random.randint(0, 30), expires, -random.randint(0, 3),
                held=random.random() < 0.1, available_on=maybe(0.4, 0, 5) if available else None,
                printed_on=expires + random.randint(-3, 12) if dates else None,
                promised_on=expires - random.randint(0, 15) if dates else None,
                total_days=random.choice([60, 90, 120, 150]) if fractions else None,
            )
        )  # fmt: skip
    for number in range(random.randint(1, 40)):
        ship = random.randint(0, 4)
        lines.append(
            Line(
                f"O{number}", f"C{number}", random.choice("AAB"), random.randint(0, 30), ship, ship + random.randint(0, 2),
                min_life_days=random.choice([0, 5, 10, 20, 40]), priority=random.choice([0, 0, 1, 2]),
                last_delivered_on=maybe(0.4, 0, 50) if backward else None, next_delivered_on=maybe(0.2, 20, 70) if backward else None,
                min_life_fraction=random.choice([None, 0.07, 0.1, 0.25, 1 / 3, 0.5]) if fractions else None,
            )
        )  # fmt: skip
    if fractions:  # thirds are no hundredths
        lines = [
            replace(line, min_life_fraction=0.33) if line.min_life_fraction == 1 / 3 else line
            for line in lines
        ]
    return lots, lines


@settings(deadline=None, max_examples=30)
@given(waves(), st.randoms())
def test_line_by_line_in_any_order_is_what_the_program_finds(wave, random):
    """Date rules that are lower bounds on the sorted date: first-expired first needs no optimisation."""
    lots, lines = wave
    proven = best_by_program(lots, lines)
    for _ in range(2):
        answer = allocate(lots, lines)
        assert_kept(lots, lines, answer)
        assert reached(lots, lines, answer) == proven
        assert answer.bound == answer.served
        for product in "AB":
            kept = in_lot_order(lot for lot in lots if lot.product == product and lot.cases)
            mine = sorted(
                (line for line in lines if line.product == product), key=lambda line: -line.priority
            )
            if kept and mine:
                part = ProductWave(kept, mine)
                starts = tails(part)
                assert starts is not None
                # Without classes of priority, any order at all serves as much, from the same dates.
                plain = ProductWave(
                    kept, random.sample([replace(line, priority=0) for line in mine], len(mine))
                )
                one, other = first_expired(plain, tails(plain)), first_expired(part, starts)
                assert sum(plain.served_by_class(one)) == sum(part.served_by_class(other))
                assert plain.cost(one) == part.cost(other)
        lots, lines = random.sample(lots, len(lots)), random.sample(lines, len(lines))


@pytest.mark.parametrize(
    "rules",
    [{"available": True}, {"dates": True}, {"fractions": True}, {"available": True, "dates": True, "fractions": True, "backward": True}],
    ids=["later lots", "three dates", "fractions", "all"],
)  # fmt: skip
def test_every_wave_equals_the_program(rules):
    @settings(deadline=None, max_examples=25)
    @given(waves(**rules))
    def equals(wave):
        lots, lines = wave
        answer = allocate(lots, lines)
        assert_kept(lots, lines, answer)
        assert reached(lots, lines, answer) == best_by_program(lots, lines)
        assert answer.is_proven
        assert answer.bound == answer.served

    equals()


@settings(deadline=None, max_examples=40)
@given(waves(dates=True, fractions=True, backward=True), st.randoms())
def test_who_goes_short_follows_the_order_of_lines_and_nothing_else(wave, random):
    """Lines of equal rules and priority: the earlier one is served before the later one gets any."""
    lots, lines = wave
    twins = []
    for line in lines[:12]:
        twins += [replace(line, id=f"{line.id}{mark}", customer=f"{line.id}{mark}") for mark in "ab"]
    answer = allocate(lots, twins)
    for line in lines[:12]:
        first = answer.short.get(f"{line.id}a")
        second = answer.short.get(f"{line.id}b")
        if first is not None and line.cases:
            assert second is not None
            assert second.cases == line.cases
    assert allocate(random.sample(lots, len(lots)), twins) == answer


def test_a_fraction_is_of_the_lots_own_life():
    """By hand: half of 120 days are 60, half of 90 are 45; the boundary day counts as enough."""
    old = LotStock("SHORT-LIVED", "A", 5, 55, 0, total_days=90)
    new = LotStock("LONG-LIVED", "A", 5, 60, 0, total_days=120)
    line = Line("O", "C", "A", 10, 9, 10, min_life_fraction=0.5)
    assert allocate([old, new], [line]).taken == [("O", "SHORT-LIVED", 5)]
    assert allocate([old, replace(new, expires_on=70)], [line]).short == {}
    # Both given: the stricter.
    assert allocate([old], [replace(line, min_life_days=46)]).taken == []
    assert eligible(old, replace(line, min_life_days=45)) == []


def test_a_fraction_is_rounded_up_once_and_never_by_the_processor():
    assert [least_days_left(0, part, 100) for part in (0.07, 0.29, 2 / 3, 0.0, 1.0)] == [7, 29, 67, 0, 100]
    for hundredths in range(101):
        for total in (1, 50, 77, 180, 365):
            assert least_days_left(0, hundredths / 100, total) == ceil(-(-hundredths * total // 100))


@pytest.mark.parametrize(
    "make",
    [
        lambda: Line("O", "C", "A", 1, 0, 0, min_life_fraction=1.5),
        lambda: Line("O", "C", "A", 1, 0, 0, min_life_fraction=float("nan")),
        lambda: LotStock("L", "A", 1, 1, 0, total_days=-1),
        lambda: allocate(
            [LotStock("L", "A", 1, 9, 0)], [Line("O", "C", "A", 1, 0, 0, min_life_fraction=0.5)]
        ),
        lambda: allocate(
            [LotStock("L", "A", 1, 9, 0), LotStock("M", "A", 1, 9, 0, total_days=9)],
            [Line("O", "C", "A", 1, 0, 0, min_life_fraction=0.5)],
        ),
        lambda: eligible(LotStock("L", "A", 1, 9, 0), Line("O", "C", "A", 1, 0, 0, min_life_fraction=0.5)),
    ],
)
def test_a_fraction_of_an_unknown_life_is_refused(make):
    with pytest.raises(Invalid):
        make()


def test_other_products_need_no_total_life():
    lots = [LotStock("L", "A", 1, 9, 0, total_days=9), LotStock("M", "B", 1, 9, 0)]
    assert allocate(lots, [Line("O", "C", "A", 1, 0, 0, min_life_fraction=0.5)]).served == 1


def ways(lots, line, *others):
    short = allocate(lots, [line, *others]).short[line.id]
    return [(way.change, way.cases, way.amount, [lot for lot, _ in way.lots]) for way in short.remedies]


def test_a_short_line_is_told_the_smallest_changes_that_would_serve_it():
    """By hand: delivery on day 10, 50 days of life wanted, so lots must last to day 60."""
    lots = [
        LotStock("D3", "A", 4, 57, 0),
        LotStock("D9", "A", 6, 51, 0),
        LotStock("OVER", "A", 99, 9, 0),
        LotStock("HELD", "A", 7, 80, 0, held=True),
        LotStock("HELD-AND-OLD", "A", 70, 30, 0, held=True),
        LotStock("LATE", "A", 8, 90, 0, available_on=12),
    ]
    line = Line("O", "C", "A", 10, 9, 10, min_life_days=50)
    assert ways(lots, line) == [
        (Change.LESS_LIFE, 4, 3, ["D3"]),
        (Change.LESS_LIFE, 10, 9, ["D9", "D3"]),
        (Change.SHIP_LATER, 8, 3, ["LATE"]),
        (Change.RELEASE, 7, None, ["HELD"]),
        (Change.MAKE, 10, None, []),
    ]
    told = allocate(lots, [line]).short["O"].remedies
    assert told[0].text() == "4 cases of lot D3 would serve if the minimum life were 3 days less."
    assert told[2].text() == "8 cases of lot LATE would serve if the line shipped on 12, 3 days later."
    assert told[-1].text() == "10 cases must be made, there by 9 and good through 60."
    assert told[-1].lasts_until == 60
    # What the line gets already is not offered again.
    assert ways([*lots, LotStock("FIT", "A", 6, 100, 0)], line)[0] == (Change.LESS_LIFE, 4, 3, ["D3"])


def test_what_would_serve_anyway_is_no_fruit_of_a_change():
    """A search that ran out of time leaves stock that fits; beer that is over serves whatever is granted."""
    fit, over = LotStock("FIT", "A", 4, 90, 0), LotStock("OVER", "A", 9, 5, 0)
    line = Line("O", "C", "A", 10, 9, 10, min_life_days=50)

    def told(*lots):
        wave = ProductWave(in_lot_order(lots), [line])
        return [(way.change, way.cases, way.amount) for way in remedies(wave, [{}], 0)]

    free, make = (Change.ALLOCATE_AGAIN, 4, None), (Change.MAKE, 10, None)
    assert told(fit, over) == [free, make]
    assert told(fit, over, LotStock("D9", "A", 3, 51, 0)) == [free, (Change.LESS_LIFE, 7, 9), make]
    # Three days later it is a day too old: nothing is gained.
    assert told(fit, LotStock("LATE", "A", 8, 62, 0, available_on=12)) == [free, make]


def test_a_capped_line_is_told_how_many_lots_more_would_do_and_that_brewing_would_not():
    lots = [LotStock(name, "A", cases, 90, 0) for name, cases in (("A", 6), ("B", 5), ("C", 2), ("D", 1))]
    line = Line("O", "C", "A", 13, 0, 1, max_lots=1)
    assert ways(lots, line) == [(Change.MORE_LOTS, 5, 1, ["B"]), (Change.MORE_LOTS, 7, 2, ["B", "C"])]


def test_dates_a_customer_had_before_or_will_have_are_named_by_days():
    lots = [LotStock("OLD", "A", 5, 90, 0, printed_on=95), LotStock("NEW", "A", 5, 99, 0, printed_on=140)]
    line = Line("O", "C", "A", 5, 0, 1, last_delivered_on=100, next_delivered_on=120)
    assert ways(lots, line)[:2] == [(Change.OLDER_DATE, 5, 5, ["OLD"]), (Change.NEWER_DATE, 5, 20, ["NEW"])]


def test_a_fraction_gives_way_in_days():
    lot = LotStock("L", "A", 5, 60, 0, total_days=120)
    line = Line("O", "C", "A", 5, 9, 10, min_life_fraction=0.5)
    assert ways([lot], line)[0] == (Change.LESS_LIFE, 5, 10, ["L"])


@settings(deadline=None, max_examples=40)
@given(waves(available=True, dates=True, fractions=True, backward=True), st.sampled_from([None, 1, 2]))
def test_every_remedy_is_true_when_it_is_tried(wave, cap):
    """Change the one thing for the one line, leave the others what they have, and ask again."""
    lots, lines = wave
    lines = [replace(line, max_lots=cap) for line in lines]
    answer = allocate(lots, lines, effort=0.3)
    used, labels = Counter(), {}
    for line_id, lot_id, cases in answer.taken:
        used[lot_id] += cases
        labels.setdefault(line_id, set()).add(lot_id)
    unused = {
        lot.id: replace(lot, cases=lot.cases - used[lot.id]) for lot in lots if lot.cases > used[lot.id]
    }
    for line in lines:
        if line.id not in answer.short:
            continue
        short = answer.short[line.id]
        had = frozenset(labels.get(line.id, ()))
        rest = replace(line, cases=short.cases, lots_had=had)
        assert allocate(unused.values(), [rest]).served == 0 or not answer.is_proven
        for way in pickle.loads(pickle.dumps(short)).remedies:
            assert 0 < way.cases <= short.cases
            assert way.cases == sum(cases for _, cases in way.lots) or way.change is Change.MAKE
            stock, changed = dict(unused), rest
            if way.change is Change.MORE_LOTS:
                changed = replace(rest, max_lots=rest.max_lots + way.amount)
            elif way.change is Change.OLDER_DATE:
                changed = replace(rest, last_delivered_on=rest.last_delivered_on - way.amount)
            elif way.change is Change.NEWER_DATE:
                changed = replace(rest, next_delivered_on=rest.next_delivered_on + way.amount)
            elif way.change is Change.SHIP_LATER:
                changed = replace(rest, ship_on=way.on, deliver_on=rest.deliver_on + way.amount)
            elif way.change is Change.RELEASE:
                stock |= {key: replace(stock[key], held=False) for key, _ in way.lots}
            elif way.change is Change.MAKE:
                # A lot like those there: what is brewed lives as long as the longest-lived of them.
                total = max(
                    (lot.total_days for lot in lots if lot.product == line.product and lot.cases), default=0
                )
                made = LotStock("made", line.product, way.cases, way.lasts_until, way.on, available_on=way.on)
                stock["made"] = replace(made, total_days=total)
            if way.change is Change.LESS_LIFE:
                for key, _ in way.lots:
                    days = max(0, rest.life_days(stock[key]) - way.amount)
                    assert allowed(stock[key], replace(rest, min_life_days=days, min_life_fraction=None))
            else:
                assert allocate(stock.values(), [changed]).served >= way.cases
