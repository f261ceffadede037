"""Exact walks: their time, beside a general exact solver and the rules of thumb; and batching's gap."""

import random
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.picking.core.batching import Load, batch, close_bound_m
from rimekeep.picking.core.walk import Layout, Place, shortest_walk
from rimekeep.picking.core.walk.textbook import textbook_lengths

AISLES, SLOTS, PICKS = 20, 40, 60
WALKS = 20
SMALL_AISLES, SMALL_SLOTS = 10, 20
SMALL_WALKS = 4
SOLVER_S = 20.0


@dataclass(frozen=True, slots=True)
class WalkFigure:
    """One measured line: what, the figure, the aim, how."""

    work: str
    value: float
    aim: str
    detail: str


def measure() -> list[WalkFigure]:
    """Return every figure of walks; the same walks each time."""
    against = [_against_solver(middle, picks) for picks in (14, 20) for middle in (0, 1)]
    return [*_times(), *against, *_rules(), _one_way(), _batches()]


def _layout(middle: int, aisles: int = AISLES, slots: int = SLOTS, *, is_one_way: bool = False) -> Layout:
    """Return a store with so many cross aisles between the front and the back one."""
    after = tuple(slots * place // (middle + 1) for place in range(1, middle + 1))
    return Layout(aisles, slots, 1.2, 4.0, 2.0, cross_aisles_after=after or None, is_one_way=is_one_way)


def _walks(layout: Layout, count: int, picks: int, seed: int) -> list[list[Place]]:
    chance = random.Random(seed)  # noqa: S311 - places, not secrets
    every = [
        (aisle, slot)
        for aisle in range(1, layout.aisles + 1)
        for slot in range(1, layout.slots_per_aisle + 1)
    ]
    return [sorted(chance.sample(every, picks)) for _ in range(count)]


def _slowest_ms(work: Callable[[list[Place]], object], walks: Sequence[list[Place]]) -> tuple[float, float]:
    """Return the median and the longest time of one walk, each the better of three. [ms]"""
    spent = []
    for picks in walks:
        turns = []
        for _ in range(3):
            begun = time.perf_counter()
            work(picks)
            turns.append(time.perf_counter() - begun)
        spent.append(min(turns) * 1e3)
    return sorted(spent)[len(spent) // 2], max(spent)


def _times() -> list[WalkFigure]:
    figures = []
    for middle, aim in ((0, "≤ 5 ms"), (1, "≤ 40 ms"), (2, "–"), (3, "–"), (4, "–")):
        layout = _layout(middle)
        walks = _walks(layout, WALKS, PICKS, seed=middle)
        begun = time.perf_counter()
        shortest_walk(layout, walks[0])
        first_ms = (time.perf_counter() - begun) * 1e3
        median_ms, longest_ms = _slowest_ms(lambda picks, on=layout: shortest_walk(on, picks), walks)  # type: ignore[misc]
        figures.append(
            WalkFigure(
                f"exact walk with {middle + 2} cross aisles, ms",
                longest_ms,
                aim,
                f"longest of {WALKS} walks of {PICKS} picks in {AISLES} aisles of {SLOTS}; median "
                f"{median_ms:.2f} ms; the first of a process builds the table of states: {first_ms:.0f} ms",
            )
        )
    return figures


def _against_solver(middle: int, picks_each: int) -> WalkFigure:
    layout = _layout(middle, SMALL_AISLES, SMALL_SLOTS)
    walks = _walks(layout, SMALL_WALKS, picks_each, seed=10 + middle)
    shortest_walk(layout, walks[0])
    own_s = solver_s = 0.0
    for picks in walks:
        table = _ways(layout, picks)
        begun = time.perf_counter()
        length_m = _solved(table)
        solver_s += time.perf_counter() - begun
        turns = []
        for _ in range(3):
            begun = time.perf_counter()
            own_m = shortest_walk(layout, picks).length_m
            turns.append(time.perf_counter() - begun)
        own_s += min(turns)
        if abs(own_m - length_m) > 0.001 * len(table):
            raise RuntimeError(f"the walk is {own_m} m, the solver's {length_m} m")
    return WalkFigure(
        f"exact walk with {middle + 2} cross aisles and {picks_each} picks, against a general exact solver",
        solver_s / own_s,
        "≥ 100",
        f"{SMALL_WALKS} walks in {SMALL_AISLES} aisles, same lengths: {own_s / SMALL_WALKS * 1e3:.2f} ms "
        f"each against {solver_s / SMALL_WALKS * 1e3:.0f} ms of CP-SAT's circuit",
    )


def _ways(layout: Layout, picks: Sequence[Place]) -> list[list[float]]:
    """Return the shortest ways between the dock and all picks: along an aisle, or by the best cross aisle."""
    crosses = [0.0]
    for block in range(len(layout.blocks)):
        crosses.append(crosses[-1] + layout.depth_m(block))
    points = [(1, 0.0)]
    for aisle, slot in picks:
        block = next(number for number, bound in enumerate(layout.bounds[1:]) if slot <= bound)
        points.append((aisle, crosses[block] + layout.reach_m(slot - layout.bounds[block])))

    def way_m(one: tuple[int, float], other: tuple[int, float]) -> float:
        if one[0] == other[0]:
            return abs(one[1] - other[1])
        across = abs(one[0] - other[0]) * layout.aisle_pitch_m
        return across + min(abs(one[1] - cross) + abs(other[1] - cross) for cross in crosses)

    return [[way_m(one, other) for other in points] for one in points]


def _solved(table: list[list[float]]) -> float:
    """Return the length of a shortest tour by CP-SAT's circuit constraint. [m]"""
    model = cp_model.CpModel()
    arcs, cost = [], []
    for one, row in enumerate(table):
        for other, way in enumerate(row):
            if one != other:
                taken = model.new_bool_var("")
                arcs.append((one, other, taken))
                cost.append(round(way * 1000) * taken)
    model.add_circuit(arcs)
    model.minimize(sum(cost))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = SOLVER_S
    if solver.solve(model) != cp_model.OPTIMAL:
        raise RuntimeError(f"the solver proved nothing within {SOLVER_S:g} s")
    return solver.objective_value / 1000


def _rules() -> list[WalkFigure]:
    figures = []
    for middle in (0, 1):
        layout = _layout(middle)
        total: dict[str, float] = defaultdict(float)
        best_m = exact_m = 0.0
        for picks in _walks(layout, WALKS, PICKS // 2, seed=20 + middle):
            own_m = shortest_walk(layout, picks).length_m
            lengths = textbook_lengths(layout, picks)
            if min(lengths.values()) < own_m - 1e-6:
                raise RuntimeError(f"a rule of thumb is shorter than the walk: {lengths}, {own_m} m")
            exact_m += own_m
            best_m += min(lengths.values())
            for name, length_m in lengths.items():
                total[name] += length_m
        told = ", ".join(f"{name} {length_m / exact_m:.3f}" for name, length_m in sorted(total.items()))
        figures.append(
            WalkFigure(
                f"best rule of thumb with {middle + 2} cross aisles, against the exact walk",
                best_m / exact_m,
                "≥ 1",
                f"{WALKS} walks of {PICKS // 2} picks in {AISLES} aisles, {exact_m / WALKS:.0f} m each; "
                f"as shares of it: {told}",
            )
        )
    return figures


def _one_way() -> WalkFigure:
    both, one = _layout(1), _layout(1, is_one_way=True)
    walks = _walks(both, WALKS, PICKS // 2, seed=30)
    exact_m = sum(shortest_walk(both, picks).length_m for picks in walks)
    heuristic_m = sum(shortest_walk(one, picks).length_m for picks in walks)
    median_ms, longest_ms = _slowest_ms(lambda picks: shortest_walk(one, picks), walks)
    return WalkFigure(
        "one-way aisles (heuristic), against walking both ways",
        heuristic_m / exact_m,
        "–",
        f"{WALKS} walks of {PICKS // 2} picks in {AISLES} aisles, 3 cross aisles; {median_ms:.1f} ms, "
        f"{longest_ms:.1f} ms at most; both ways is shorter than any one-way tour, so the truth lies between",
    )


def _batches() -> WalkFigure:
    layout = _layout(1, 12, 30)
    chance = random.Random(40)  # noqa: S311 - places, not secrets
    loads = [
        Load(number, tuple(_walks(layout, 1, chance.randint(1, 6), seed=100 + number)[0]))
        for number in range(60)
    ]
    begun = time.perf_counter()
    found = batch(layout, loads, most_units=4)
    spent_s = time.perf_counter() - begun
    begun = time.perf_counter()
    bound_m = close_bound_m(layout, loads, 4)
    bound_s = time.perf_counter() - begun
    single_m = sum(shortest_walk(layout, load.places).length_m for load in loads)
    return WalkFigure(
        "units sharing walks, against a bound nothing can go below",
        found.length_m / bound_m,
        "–",
        f"60 units of 1 to 6 places, 4 a walk, 12 aisles, 3 cross aisles: {len(found.walks)} walks, "
        f"{found.length_m:.0f} m, bound {bound_m:.0f} m (gap at most {1 - bound_m / found.length_m:.0%}); "
        f"one by one {single_m:.0f} m; {spent_s:.2f} s, the bound {bound_s:.1f} s",
    )
