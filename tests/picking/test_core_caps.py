"""
Lot caps on a busy day: the program over promising pairs, and the bound.

The judge of small waves is an integer program solved by HiGHS, written separately in `test_core_allocation`; of
larger ones the linear relaxation, solved here over all pairs at once.
"""

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from tests.picking.test_core_allocation import (
    assert_within_the_rules,
    goals,
    lots_and_lines,
    one_product,
    proven_goals,
)

from rimekeep.picking.core.allocation import Line, LotStock, allocate
from rimekeep.picking.core.allocation import ceiling as ceiling_module
from rimekeep.picking.core.allocation.capped import Start
from rimekeep.picking.core.allocation.ceiling import ceiling
from rimekeep.picking.core.allocation.narrow import narrowed
from rimekeep.picking.core.allocation.opening import rating
from rimekeep.picking.core.allocation.rules import ProductWave
from rimekeep.picking.core.allocation.sequence import keeps_sequences
from rimekeep.picking.core.allocation.solve import by_product, without_caps


def busy_day(seed, *, lots=80, lines=35, demand=1.0, customers=None, classes=(0,)):
    """One product: lots of 20 to 200 cases, lines of half to twice their mean, one to three lots a line."""
    chance = random.Random(seed)
    stock = [
        LotStock(
            f"L{n}", "A", chance.randint(20, 200), chance.randint(5, 300), -chance.randint(0, 60),
            held=chance.random() < 0.03, available_on=chance.randint(1, 5) if chance.random() < 0.3 else None,
        )
        for n in range(lots)
    ]  # fmt: skip
    most = round(2 * demand * sum(lot.cases for lot in stock) / lines)
    wanted = [
        Line(
            f"O{n}", f"C{chance.randrange(customers or 10**6)}", "A", chance.randint(1, most), chance.randint(0, 4),
            chance.randint(4, 6), chance.choice([0, 14, 30, 60, 90, 120]), chance.choice(classes),
            chance.choice([1, 1, 2, 3]), 50 if customers else None,
        )
        for n in range(lines)
    ]  # fmt: skip
    return stock, wanted


@pytest.mark.parametrize("demand", [0.8, 1.0, 1.3, 1.6])
def test_a_busy_day_under_lot_caps_comes_within_a_hundredth_of_the_bound(monkeypatch, demand):
    # Only an overloaded machine makes answers differ; no answer may hang on that here.
    monkeypatch.setattr("rimekeep.picking.core.allocation.narrow.BACKSTOP_S", 600.0)
    lots, lines = busy_day(1, demand=demand)
    answer = allocate(lots, lines, effort=0.5)
    assert_within_the_rules(lots, lines, answer)
    assert answer.served >= 0.99 * answer.bound
    assert allocate(lots, lines, effort=0.5) == answer


def test_without_effort_there_is_still_an_answer_and_its_bound():
    lots, lines = busy_day(2)
    answer, better = allocate(lots, lines, effort=0), allocate(lots, lines, effort=0.5)
    assert_within_the_rules(lots, lines, answer)
    assert not answer.is_proven
    assert 0.9 * answer.bound <= answer.served <= better.served <= better.bound <= answer.bound


@pytest.mark.parametrize(
    "kind", [{}, {"customers": 9}, {"classes": (0, 1, 2)}], ids=["plain", "deliveries in order", "classes"]
)
def test_the_program_over_promising_pairs_keeps_every_rule_and_never_loses_a_case(kind):
    for seed in range(3):
        lots, lines = busy_day(seed, lots=40, lines=25, **kind)
        (wave,) = by_product(lots, lines)
        start = Start.of(wave, without_caps(wave))
        found = narrowed(wave, start.taken, start.top, most_turns=9)
        assert rating(wave, found) >= rating(wave, start.taken)
        assert wave.keeps_caps(found)
        assert keeps_sequences(wave, found)
        assert all(wave.usable[place, lot] for place, taken in enumerate(found) for lot in taken)
        for lot, free in enumerate(wave.free):
            assert sum(taken.get(lot, 0) for taken in found) <= free
        assert sum(wave.served_by_class(found)) <= start.bound


def test_lines_taken_in_turns_serve_no_less(monkeypatch):
    monkeypatch.setattr("rimekeep.picking.core.allocation.narrow.LINES_A_TURN", 8)
    (wave,) = by_product(*busy_day(4))
    start = Start.of(wave, without_caps(wave))
    found = narrowed(wave, start.taken, start.top, most_turns=9)
    assert wave.keeps_caps(found)
    assert sum(wave.served_by_class(start.taken)) <= sum(wave.served_by_class(found)) <= start.bound


def relaxed_cases(wave: ProductWave) -> float:
    """The relaxation over all pairs, row by row."""
    free, usable = np.array(wave.free), wave.usable & (np.array(wave.free) > 0)
    pairs = [(int(i), int(j)) for i, j in zip(*np.nonzero(usable), strict=True) if wave.lines[i].cases]
    if not pairs:
        return 0.0
    rows, limits = [], []
    for i, line in enumerate(wave.lines):
        rows.append([float(one == i) for one, _ in pairs])
        limits.append(line.cases)
        if line.max_lots is not None:
            rows.append([(one == i) / min(free[lot], line.cases) if one == i else 0.0 for one, lot in pairs])
            limits.append(line.max_lots)
    for j, cases in enumerate(free):
        rows.append([float(lot == j) for _, lot in pairs])
        limits.append(cases)
    result = linprog(-np.ones(len(pairs)), A_ub=np.array(rows), b_ub=limits, method="highs")
    assert result.status == 0
    return -result.fun


@pytest.mark.parametrize("most_pairs", [10_000, 300, 40])
def test_the_bound_holds_even_where_not_every_pair_is_looked_at(monkeypatch, most_pairs):
    monkeypatch.setattr(ceiling_module, "MOST_PAIRS", most_pairs)
    for seed in range(4):
        (wave,) = by_product(*busy_day(seed, lots=40, lines=20))
        true = relaxed_cases(wave)
        top = ceiling(wave, 0)
        assert top.cases >= int(true + 1e-6)
        if most_pairs == 10_000:
            assert top.cases == int(true + 1e-6)
        for place, shares in enumerate(top.shares):
            assert sum(shares.values()) <= wave.lines[place].cases + 1e-3


@settings(deadline=None, max_examples=40)
@given(lots_and_lines(available=True, printed=True, caps=True, priorities=True), st.integers(1, 6))
def test_prices_of_a_few_pairs_bound_every_answer(wave, most_pairs):
    lots, lines = wave
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ceiling_module, "MOST_PAIRS", most_pairs)
        product = one_product(lots, lines)
        if product.lots and product.lines:
            same = [line for line in lines if line.product == "A"]
            served, _ = proven_goals(lots, [replace(line, priority=0) for line in same])
            assert ceiling(product, -9).cases >= served[0]


def test_a_class_that_gets_all_it_could_alone_may_still_get_more_where_the_class_above_gets_less():
    """
    By hand. Without caps the first line takes both large lots and the others one case; with them it takes one, the
    older by print, and its customer's later delivery gets the other.
    """
    lots = [
        LotStock("X", "A", 3, 9, 0),
        LotStock("Y", "A", 3, 12, 0, printed_on=7),
        LotStock("Z", "A", 1, 3, 0),
    ]
    first = Line("first", "C", "A", 6, 3, 3, 1, priority=1, max_lots=1, last_delivered_on=2)
    later = Line("later", "C", "A", 6, 4, 4, max_lots=1, last_delivered_on=2)
    other = Line("other", "D", "A", 1, 0, 2, 1, max_lots=1)
    answer = allocate(lots, [other, first, later])
    assert answer.taken == [("other", "Z", 1), ("first", "Y", 3), ("later", "X", 3)]
    assert answer.bound == 7
    assert goals(lots, [other, first, later], answer) == proven_goals(
        lots, [other, first, later], in_order=True
    )
