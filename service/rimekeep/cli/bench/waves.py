"""
Waves: how long an allocation takes, and how far it is from the best there is.

The judge is a linear program solved by HiGHS, product by product: with date rules of any kind its corners are
whole numbers, so it says exactly what can be served and from how early dates. With lot caps the allocation's
own bound is the judge. The waves are invented, and the same in every run.
"""

import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from rimekeep.picking.core.allocation import Allocation, Line, LotStock, allocate, eligible
from rimekeep.picking.core.allocation.records import Key, day_number

PRODUCTS, LOTS, LINES = 60, 5_000, 2_000
TURNS = 15


@dataclass(frozen=True, slots=True)
class WaveFigure:
    """One kind of wave: ``ratio`` against the aim, and how it came about."""

    work: str
    ratio: float
    aim: str
    detail: str


Wave = tuple[list[LotStock], list[Line]]


def _seeded(seed: int) -> random.Random:
    return random.Random(seed)  # noqa: S311 - the same invented wave every time is what is wanted


def measure(*, capped: int) -> list[WaveFigure]:
    """
    Return the figures of all kinds of waves; raises where an answer is not the best one.

    ``capped`` waves with lot caps are looked at, two at most with demand that differs.
    """
    size = f"wave of {LINES:,} lines, {LOTS:,} lots, {PRODUCTS} products"
    found = [
        _timed(f"{size}: date rules", _wave(_seeded(1)), limit_s=0.020),
        _timed(f"{size}: lots available later", _wave(_seeded(2), _later), limit_s=0.3),
        _timed(f"{size}: fractions of life, cautious dates", _wave(_seeded(3), _cautious), limit_s=0.3),
        _timed(
            "wave of 2,000 lines, 1,000 lots of one product: cautious dates",
            _wave(_seeded(4), _cautious, products=1, lots=1_000),
            limit_s=0.3,
        ),
    ]
    found += [
        _capped(size, range(5, 5 + 10 * capped, 10), demand=None),
        _capped(size, range(5, 5 + 10 * min(2, capped), 10), demand=0.8),
        _capped(size, range(5, 5 + 10 * min(2, capped), 10), demand=1.6),
    ]
    return found


def _capped(size: str, seeds: Sequence[int], *, demand: float | None) -> WaveFigure:
    """Return the worst of some waves with lot caps; ``demand`` is in parts of the stock, None: as it is."""
    worst, longest_s, told = 1.0, 0.0, ""
    for seed in seeds:
        lots, lines = _wave(_seeded(seed), _later)
        caps = _seeded(seed + 1)
        if demand is not None:
            times = demand * sum(lot.cases for lot in lots) / sum(line.cases for line in lines)
            lines = [replace(line, cases=max(1, round(line.cases * times))) for line in lines]
        lines = [replace(line, max_lots=caps.choice([1, 1, 2, 3])) for line in lines]
        begun = time.perf_counter()
        answer = allocate(lots, lines)
        longest_s = max(longest_s, time.perf_counter() - begun)
        if not told or answer.served / answer.bound < worst:
            worst = answer.served / answer.bound
            told = (
                f"{answer.served:,} of at most {answer.bound:,} cases, {sum(line.cases for line in lines):,} "
                f"asked for of {sum(lot.cases for lot in lots):,}; line by line {_greedy(lots, lines):,}"
            )
    many = "as it is" if demand is None else f"{demand:g} times the stock"
    return WaveFigure(
        f"{size}: lot caps, demand {many}, cases against the proven bound",
        worst,
        "≥ 0.99, in 10 s",
        f"least of {len(seeds)} waves: {told}; at most {longest_s:.1f} s",
    )


def _timed(work: str, wave: Wave, *, limit_s: float) -> WaveFigure:
    lots, lines = wave
    spent = []
    for _ in range(TURNS):
        begun = time.perf_counter()
        answer = allocate(lots, lines)
        spent.append(time.perf_counter() - begun)
    begun = time.perf_counter()
    best = _by_program(lots, lines)
    program_s = time.perf_counter() - begun
    reached = answer.served, _cost(lots, answer)
    if reached != best or not answer.is_proven:
        raise RuntimeError(f"{work}: cases and Σ cases × day are {reached}, the linear program finds {best}")
    wanted = sum(line.cases for line in lines)
    return WaveFigure(
        f"{work}, time against {limit_s * 1e3:.0f} ms",
        min(spent) / limit_s,
        "≤ 1",
        f"{min(spent) * 1e3:.1f} ms, best of {TURNS}; {answer.served:,} of {wanted:,} cases, earliest dates: "
        f"equal to the linear program, which takes {program_s:.1f} s",
    )


def _cost(lots: Sequence[LotStock], answer: Allocation) -> int:
    day = {lot.id: day_number(lot.expires_on) for lot in lots}
    return sum(cases * day[lot] for _, lot, cases in answer.taken)


def _wave(
    random: random.Random,
    rules: Callable[[random.Random, Wave], Wave] | None = None,
    *,
    products: int = PRODUCTS,
    lots: int = LOTS,
) -> Wave:
    """Return a busy day: half as much again there as wanted on average, every other product scarce."""
    stock = [
        LotStock(
            id=number,
            product=number % products,
            cases=random.randint(20, 200),
            expires_on=random.randint(5, 300),
            received_on=-random.randint(0, 60),
            held=random.random() < 0.03,
        )
        for number in range(lots)
    ]
    there = sum(lot.cases for lot in stock)
    asked = []
    for number in range(LINES):
        ship = random.randint(0, 4)
        product = random.randrange(products)
        most = there // LINES * (2 if product % 2 else 1)
        last = random.randint(0, 200) if random.random() < 0.2 else None
        asked.append(
            Line(
                id=number,
                customer=number,
                product=product,
                cases=random.randint(1, max(1, most)),
                ship_on=ship,
                deliver_on=ship + random.randint(0, 2),
                min_life_days=random.choice([0, 14, 30, 45, 60, 90, 120]),
                last_delivered_on=last,
            )
        )
    wave = stock, asked
    return wave if rules is None else rules(random, wave)


def _later(random: random.Random, wave: Wave) -> Wave:
    lots, lines = wave
    return [
        replace(lot, available_on=random.randint(1, 5)) if random.random() < 0.3 else lot for lot in lots
    ], lines


def _cautious(random: random.Random, wave: Wave) -> Wave:
    """Promised dates lie before the median by as much as the lot's own uncertainty, so in another order."""
    lots, lines = wave
    lots = [
        replace(
            lot,
            promised_on=day_number(lot.expires_on) - random.randint(0, 25),
            printed_on=day_number(lot.expires_on) + random.randint(0, 20),
            total_days=random.choice([180, 270, 360]),
        )
        for lot in lots
    ]
    return lots, [
        replace(line, last_delivered_on=None, min_life_fraction=random.choice([None, None, 0.25, 1 / 3]))
        for line in lines
    ]


def _greedy(lots: Sequence[LotStock], lines: Sequence[Line]) -> int:
    """Return the cases that first-expired first serves, line by line, as by hand."""
    left = {lot.id: lot.cases for lot in lots}
    by_product: dict[Key, list[LotStock]] = {}
    for lot in sorted(lots, key=lambda lot: day_number(lot.expires_on)):
        by_product.setdefault(lot.product, []).append(lot)
    served = 0
    for line in lines:
        missing, used = line.cases, 0
        for lot in by_product.get(line.product, ()):
            if not missing or used == line.max_lots:
                break
            if left[lot.id] and not eligible(lot, line):
                got = min(missing, left[lot.id])
                left[lot.id] -= got
                missing -= got
                used += 1
        served += line.cases - missing
    return served


def _by_program(lots: Sequence[LotStock], lines: Sequence[Line]) -> tuple[int, int]:
    """Return the most cases any allocation serves, and the least Σ cases × expiry day of those that do."""
    stock: dict[Key, list[LotStock]] = {}
    asked: dict[Key, list[Line]] = {}
    for lot in lots:
        stock.setdefault(lot.product, []).append(lot)
    for line in lines:
        asked.setdefault(line.product, []).append(line)
    both = [_product_by_program(stock[product], asked[product]) for product in asked if product in stock]
    return sum(served for served, _ in both), sum(cost for _, cost in both)


def _product_by_program(lots: Sequence[LotStock], lines: Sequence[Line]) -> tuple[int, int]:
    day = np.array([day_number(lot.expires_on) for lot in lots])
    soonest = np.array(
        [
            min(
                day_number(one)
                for one in (lot.expires_on, lot.printed_on, lot.promised_on)
                if one is not None
            )
            for lot in lots
        ]
    )
    printed = np.array(
        [day_number(lot.expires_on if lot.printed_on is None else lot.printed_on) for lot in lots]
    )
    there = np.array([0 if lot.held else lot.cases for lot in lots])
    from_on = np.array([0 if lot.available_on is None else day_number(lot.available_on) for lot in lots])
    may = np.zeros((len(lines), len(lots)), np.bool_)
    for place, line in enumerate(lines):
        least = np.array([line.life_days(lot) for lot in lots])
        last = -1 if line.last_delivered_on is None else day_number(line.last_delivered_on)
        may[place] = (
            (there > 0)
            & (from_on <= day_number(line.ship_on))
            & (soonest >= day_number(line.deliver_on) + least)
            & (printed >= last)
        )
    # Lines that may use the same lots are one to the program, and lots of one day that serve the same lines.
    kinds, kind = np.unique(may, axis=0, return_inverse=True)
    wanted = np.bincount(kind.ravel(), [line.cases for line in lines])
    both, lot_kind = np.unique(np.column_stack([day, kinds.T]), axis=0, return_inverse=True)
    stock = np.bincount(lot_kind.ravel(), there)
    row, column = np.nonzero(both[:, 1:].T)
    if not len(row):
        return 0, 0
    pairs, count = np.arange(len(row)), len(wanted) + len(stock)
    rows = np.concatenate([row, len(wanted) + column])
    limits = np.concatenate([wanted, stock])
    table = coo_array((np.ones(2 * len(row)), (rows, np.tile(pairs, 2))), shape=(count, len(row)))
    served = -_least(-np.ones(len(row)), table.tocsr(), limits)
    rows = np.concatenate([rows, np.full(len(row), count)])
    signs = np.concatenate([np.ones(2 * len(row)), -np.ones(len(row))])
    table = coo_array((signs, (rows, np.tile(pairs, 3))), shape=(count + 1, len(row)))
    return served, _least(both[column, 0].astype(float), table.tocsr(), np.append(limits, -served))


def _least(goal: object, table: object, limits: object) -> int:
    result = linprog(goal, A_ub=table, b_ub=limits, bounds=(0, None), method="highs")  # type: ignore[call-overload]
    if result.status != 0:  # nothing at all is feasible, and the demand bounds it
        raise ArithmeticError(f"the linear program ended with status {result.status}")
    return round(float(result.fun))
