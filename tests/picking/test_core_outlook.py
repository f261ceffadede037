"""What will not sell in time, against a linear program and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import linprog

from rimekeep.errors import Invalid
from rimekeep.picking.core.outlook import Demand, Known, LotPart, Word, outlook
from rimekeep.picking.core.outlook.demand import Basis, Ordered, expected, past_means
from rimekeep.picking.core.outlook.market import flowed, markets, pooled, swept

TODAY, UNTIL = 0, 20


def may_go(lot: LotPart, wanted: Demand) -> bool:
    """The rule, written down once more and plainly."""
    needed = wanted.min_life_days
    if wanted.min_life_fraction is not None and lot.total_days is not None:
        needed = max(needed, int(np.ceil(round(wanted.min_life_fraction * lot.total_days, 9))))
    is_here = lot.available_on is None or lot.available_on <= wanted.day  # type: ignore[operator]
    return is_here and lot.product == wanted.product and wanted.day + needed <= lot.last_on  # type: ignore[operator]


def most_sold(lots: list[LotPart], demand: list[Demand]) -> int:
    """The most cases these lots can sell, by scipy's linear program (HiGHS): an independent solver."""
    arcs = [(i, j) for i, lot in enumerate(lots) for j, one in enumerate(demand) if may_go(lot, one)]
    if not arcs:
        return 0
    rows = [i for i, _ in arcs] + [len(lots) + j for _, j in arcs]
    matrix = sparse.csr_matrix(
        (np.ones(2 * len(arcs)), (rows, [*range(len(arcs))] * 2)), shape=(len(lots) + len(demand), len(arcs))
    )
    limits = [lot.cases for lot in lots] + [one.cases for one in demand]
    found = linprog(-np.ones(len(arcs)), A_ub=matrix, b_ub=limits, method="highs")
    assert found.status == 0
    return round(-found.fun)


def lots_of(*, nested: bool) -> st.SearchStrategy[list[LotPart]]:
    total = st.just(40) if nested else st.sampled_from([20, 30, 40])
    late = st.none() if nested else st.one_of(st.none(), st.integers(0, 12))
    one = st.tuples(st.integers(0, 30), st.integers(0, 45), st.integers(-9, 0), total, late)
    return st.lists(one, max_size=6).map(
        lambda rows: [LotPart(f"L{number}", "ale", *row) for number, row in enumerate(rows)]
    )


def demand_of(*, nested: bool) -> st.SearchStrategy[list[Demand]]:
    share = st.one_of(st.none(), st.sampled_from([0.25, 0.5]))
    one = st.tuples(
        st.sampled_from(["inn", "shop", None]),
        st.integers(0, 20),
        st.integers(0, 15),
        st.integers(0, 12),
        share,
    )
    return st.lists(one, max_size=8).map(lambda rows: [Demand("ale", *row) for row in rows])


@pytest.mark.parametrize("nested", [True, False])
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_of_what_must_go_first_no_plan_sells_more(nested: bool, data: st.DataObject) -> None:
    """For every first k lots together, and so for the waste at any horizon, a linear program finds no more."""
    lots, demand = data.draw(lots_of(nested=nested)), data.draw(demand_of(nested=nested))
    answer = outlook(lots, demand, today=TODAY, until=UNTIL)
    by_id = {lot.id: lot for lot in lots}
    sold = 0
    for place, one in enumerate(answer.lots):
        assert one.sold + one.waste + one.left == by_id[one.id].cases
        sold += one.sold
        assert sold == most_sold([by_id[lot.id] for lot in answer.lots[: place + 1]], demand)
        assert not one.waste or one.saleable_until <= UNTIL
    assert [one.saleable_until for one in answer.lots] == sorted(one.saleable_until for one in answer.lots)
    if answer.lots:
        assert answer.unmet["ale"] == sum(one.cases for one in demand) - sold


@given(lots=lots_of(nested=True), demand=demand_of(nested=True))
@settings(max_examples=40, deadline=None)
def test_one_sweep_and_the_flow_solver_agree_lot_by_lot(lots: list[LotPart], demand: list[Demand]) -> None:
    for market in markets(lots, demand, TODAY, UNTIL).values():
        assert market.is_nested(market.deadline)
        rows = market.group, market.day, market.wanted
        fast = swept(pooled(market.deadline, *rows), market.stock)
        assert fast.tolist() == flowed(market.deadline, market.available, market.stock, *rows).tolist()


@given(lots=lots_of(nested=False), demand=demand_of(nested=False))
@settings(max_examples=30, deadline=None)
def test_days_to_act_and_days_shown_are_what_their_definitions_say(
    lots: list[LotPart], demand: list[Demand]
) -> None:
    """Tried out day by day, where the code bisects."""
    answer = outlook(lots, demand, today=TODAY, until=UNTIL, relax=False)
    by_id = {lot.id: lot for lot in lots}
    order = [by_id[one.id] for one in answer.lots]

    def lost_of_first(count: int, wanted: list[Demand]) -> int:
        return sum(lot.cases for lot in order[:count]) - most_sold(order[:count], wanted)

    def freed(start: int) -> list[Demand]:
        return [one if one.day < start else Demand("ale", one.customer, one.day, one.cases) for one in demand]  # type: ignore[operator]

    for place, one in enumerate(answer.lots, 1):
        if not one.waste:
            assert (one.act_by, one.shown_on) == (None, None)
            continue
        least, now = lost_of_first(place, freed(TODAY)), lost_of_first(place, demand)
        if least == now:
            assert one.act_by is None
        else:
            assert one.act_by is not None
            assert (
                lost_of_first(place, freed(one.act_by)) == least < lost_of_first(place, freed(one.act_by + 1))
            )
        came = sorted({lot.received_on for lot in order})  # type: ignore[type-var]
        shown = next(day for day in came if _lost(one.id, day, order, demand))
        assert one.shown_on == shown


def _lost(lot_id: object, day: object, order: list[LotPart], demand: list[Demand]) -> int:
    """Cases of one lot lost when only lots received by ``day`` count, by differences of linear programs."""
    here = [lot for lot in order if lot.received_on <= day]  # type: ignore[operator]
    places = [place for place, lot in enumerate(here, 1) if lot.id == lot_id]
    if not places:
        return 0
    place = places[0]
    return here[place - 1].cases - most_sold(here[:place], demand) + most_sold(here[: place - 1], demand)


@given(lots=lots_of(nested=False), demand=demand_of(nested=False))
@settings(max_examples=20, deadline=None)
def test_a_relaxed_minimum_saves_what_it_says_and_a_day_less_saves_less(
    lots: list[LotPart], demand: list[Demand]
) -> None:
    answer = outlook(lots, demand, today=TODAY, until=UNTIL)
    by_id = {lot.id: lot for lot in lots}
    risky = [by_id[one.id] for one in answer.lots if one.saleable_until <= UNTIL]

    def saved(customer: object, days: int) -> int:
        # A fraction asks each lot for another number of days, so the rule is relaxed pair by pair.
        arcs = [
            (i, j)
            for i, lot in enumerate(risky)
            for j, one in enumerate(demand)
            if may_go(lot, one) or (one.customer == customer and _may_go_relaxed(lot, one, days))
        ]
        return _flow(arcs, risky, demand) - most_sold(risky, demand)

    for one in answer.relaxations:
        assert saved(one.customer, one.best_days) == one.best_cases == saved(one.customer, 100)
        assert saved(one.customer, one.best_days - 1) < one.best_cases
        assert saved(one.customer, one.first_days) == one.first_cases > 0
        assert saved(one.customer, one.first_days - 1) == 0
    customers = {one.customer for one in demand if one.customer is not None}
    assert {one.customer for one in answer.relaxations} == {who for who in customers if saved(who, 100)}


def _may_go_relaxed(lot: LotPart, one: Demand, days: int) -> bool:
    needed = one.min_life_days
    if one.min_life_fraction is not None and lot.total_days is not None:
        needed = max(needed, int(np.ceil(round(one.min_life_fraction * lot.total_days, 9))))
    asked = Demand(one.product, one.customer, one.day, one.cases, max(0, needed - days))
    return may_go(lot, asked)


def _flow(arcs: list[tuple[int, int]], lots: list[LotPart], demand: list[Demand]) -> int:
    if not arcs:
        return 0
    rows = [i for i, _ in arcs] + [len(lots) + j for _, j in arcs]
    matrix = sparse.csr_matrix(
        (np.ones(2 * len(arcs)), (rows, [*range(len(arcs))] * 2)), shape=(len(lots) + len(demand), len(arcs))
    )
    limits = [lot.cases for lot in lots] + [one.cases for one in demand]
    return round(-linprog(-np.ones(len(arcs)), A_ub=matrix, b_ub=limits, method="highs").fun)


def test_an_example_worked_by_hand() -> None:
    """100 cases good to day 40; an inn takes 10 on days 8, 12, 16 and 20 and asks for 30 days: one delivery fits."""
    lots = [LotPart("A", "lager", 100, last_on=40, received_on=2), LotPart("B", "lager", 5, 200, 5)]
    wanted = [Demand("lager", "inn", day, 10, min_life_days=30) for day in (8, 12, 16, 20)]
    answer = outlook(lots, wanted, today=8, until=30)
    first, second = answer.lots
    assert (first.id, first.sold, first.waste, first.left) == ("A", 10, 90, 0)
    assert (first.saleable_until, first.act_by, first.shown_on) == (10, 12, 2)
    # B may still sell long after the horizon: what does not go within it is no waste.
    assert (second.sold, second.waste, second.left, second.shown_on) == (5, 0, 0, None)
    (relaxed,) = answer.relaxations
    assert (relaxed.first_days, relaxed.first_cases, relaxed.best_days, relaxed.best_cases) == (2, 10, 10, 30)
    assert answer.customer_relaxations[0].by_product == {"lager": 30}
    assert answer.unmet == {"lager": 25}
    with pytest.raises(Invalid):
        outlook(lots, wanted, today=8, until=7)


def test_a_forecast_takes_in_the_orders_of_its_day() -> None:
    """60 forecast, 40 ordered of which 25 are reserved: 15 from the order and 20 beyond it are still to come."""
    ordered = [
        Ordered("ale", "inn", 10, 40, 15, 7),
        Ordered("ale", "bar", 10, 5, 5, 0),
        Ordered("ale", "bar", 3, 9, 9, 0),
    ]
    given_ = {("ale", "inn", 10): 60, ("ale", None, 10): 8, ("porter", "inn", 11): 0}
    past = {("porter", "inn", 11): 4, ("stout", "inn", 12): 6}
    found, basis = expected(
        ordered,
        given_,
        past,
        rules={("inn", None): (30, None), ("inn", "ale"): (0, 0.5)},
        products=["ale", "porter", "stout", "cider"],
        today=5,
    )
    told = {
        (one.product, one.customer, one.day, one.cases, one.min_life_days, one.min_life_fraction)
        for one in found
    }
    assert told == {
        ("ale", "inn", 10, 15, 7, None),
        ("ale", "inn", 10, 20, 0, 0.5),
        ("ale", "bar", 10, 5, 0, None),
        ("ale", "bar", 5, 9, 0, None),  # overdue: goes today
        ("ale", None, 10, 3, 0, None),
        ("stout", "inn", 12, 6, 30, None),
    }
    assert basis == {"ale": Basis.GIVEN, "porter": Basis.GIVEN, "stout": Basis.PAST, "cider": Basis.ORDERS}


@given(cases=st.lists(st.integers(0, 9), min_size=56, max_size=56), days=st.integers(7, 70))
@settings(max_examples=30, deadline=None)
def test_the_plain_forecast_keeps_the_sums_of_the_past(cases: list[int], days: int) -> None:
    history = [("ale", "inn", day, some) for day, some in enumerate(cases)]
    found = past_means(history, today=56, until=55 + days, first_day=0)
    for weekday in range(7):
        mean = sum(cases[weekday::7]) / 8
        occurrences = [day for day in range(56, 56 + days) if day % 7 == weekday]
        total = sum(found.get(("ale", "inn", day), 0) for day in occurrences)
        assert abs(total - mean * len(occurrences)) <= 0.5
    assert past_means(history, today=56, until=60, first_day=29) == {}


def known(words: list[Word], **facts: object) -> Known:
    """What is known of ale from forecasts alone, or with ``facts``."""
    rest: dict[str, object] = {"ordered": {}, "history": {}, "rules": {}, "first_day": None}
    basis = {"ale": Basis.GIVEN if words else Basis.PAST}
    return Known(TODAY, UNTIL, words={"ale": words}, basis=basis, **{**rest, **facts})  # type: ignore[arg-type]


@given(lots_of(nested=True), demand_of(nested=True), st.integers(-9, -1))
@settings(max_examples=60, deadline=None)
def test_what_always_was_forecast_shows_when_the_stock_came_and_never_before_it_was_said(
    lots: list[LotPart], demand: list[Demand], said_on: int
) -> None:
    """Against the search that takes all demand for known at all times: the later of that day and the word's."""
    plain = [replace(one, customer=None, min_life_days=0, min_life_fraction=None) for one in demand]
    cases: dict[int, int] = {}
    for one in plain:
        cases[int(one.day)] = cases.get(int(one.day), 0) + one.cases  # type: ignore[call-overload]
    if not cases:
        cases = {0: 0}
    words = [Word("ale", None, day, some, said_on) for day, some in cases.items()]
    expect = outlook(lots, plain, today=TODAY, until=UNTIL)
    found = outlook(lots, plain, today=TODAY, until=UNTIL, known=lambda products: known(words))
    for one, other in zip(found.lots, expect.lots, strict=True):
        assert (one.id, one.waste, one.act_by) == (other.id, other.waste, other.act_by)
        assert one.shown_on == (None if other.shown_on is None else max(other.shown_on, said_on))


def test_the_mean_of_the_past_was_another_one_then() -> None:
    """Until five days ago 7 a day were taken, and since then nothing: the mean sinks below what is here."""
    lots = [LotPart("A", "ale", 105, last_on=20, received_on=-30)]
    history = {"ale": [("inn", day, 7) for day in range(-200, -4)]}
    then = known([], history=history, first_day=-200)
    # 21 days to come; a weekday's mean over eight weeks is 7 as long as none of its days was missed.
    assert sum(one.cases for one in then.demand("ale", -5) or ()) == 21 * 7
    now = then.demand("ale", TODAY) or []
    # Four weekdays of the seven missed one of eight weeks: 3 days each of 6.125, rounded in sum.
    assert sum(one.cases for one in now) == 3 * 21 + 4 * 18
    found = outlook(
        [replace(lots[0], cases=140)], now, today=TODAY, until=UNTIL, known=lambda products: then
    ).lots[0]
    # 147 were expected, 144 with one weekday missed, 141 with two, 138 with three, which is yesterday.
    assert (found.waste, found.shown_on) == (5, -1)
    # Of a store that opened three weeks before, nothing could be told then.
    assert known([], history=history, first_day=-29).demand("ale", -2) is None
