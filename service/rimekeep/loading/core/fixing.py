"""
A plan from prices: one vehicle after another is fixed, as the linear program over loads would have it.

The linear program shares the goods out among fractions of loads; its prices find better loads, until the
vehicles asked for would do. Then the load it takes most of is fixed, the rest is priced again, and so on.
Where the rest needs more vehicles than are left, an early choice is forbidden and it begins again.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.firstfit import fits
from rimekeep.loading.core.priced import FINENESS, PricedLoads, Prices
from rimekeep.loading.core.problem import Load, Problem
from rimekeep.loading.core.sharing import Lessons, Wanted, share_legally

# Rounds of pricing at most, at first and for each rest; at first it aims this much below the vehicles.
_ROUNDS, _REST_ROUNDS = 150, 15
_BELOW = 0.02
# Share of earlier prices in those asked about, which calms their swings.
_PULL = 0.7
# Loads dearer than this by the last prices stay out of the next linear program, unless few are left.
_DEAR, _FEW = 0.03, 150
# Loads times groups of a linear program that take about a second of one processor.
_CELLS_PER_EFFORT = 2_000_000
_ONE = 1e-6
# So many last vehicles are shared out by the light model when fixing fails at the end.
_LAST = 3
_LAST_EFFORT = 0.12


@dataclass(frozen=True, slots=True)
class _Priced:
    """The linear program's answer: vehicles in fractions, prices, and (fraction, load) used."""

    vehicles: float
    prices: Prices
    used: list[tuple[float, Load]]


class Fixing:
    """
    Looks for a plan on a number of vehicles; the loads found on the way stay for the next number.

    ``is_hopeless`` tells, without proof, that even fractions of loads needed more vehicles the last time.
    """

    def __init__(self, problem: Problem, loader: Loader, budget: Budget, lessons: Lessons) -> None:
        self._problem = problem
        self._loader = loader
        self._budget = budget
        self._lessons = lessons
        self._priced_loads = PricedLoads(problem)
        self.loads: dict[Load, None] = {}
        self._table = np.zeros((1024, len(problem.groups)), dtype=np.int64)
        self._last: tuple[Prices, int] | None = None
        self._shared: set[tuple[Load, ...]] = set()
        self._floor = 0.0
        self.is_hopeless = False

    def plan(self, start: Sequence[Load], *, vehicles: int, most: float) -> tuple[Load, ...] | None:
        """Return legal loads on so many vehicles, None when none were found for the effort."""
        self._floor = max(0.0, self._budget.left - most)
        for load in start:
            self._keep(load)
        demand = self._problem.demand
        root = self._settled(demand, vehicles - _BELOW, _ROUNDS, is_first=True)
        self.is_hopeless = root.vehicles > vehicles + _ONE
        first = self._last
        forbidden: dict[tuple[Load, ...], set[Load]] = {}
        tries = 0
        while root.vehicles <= vehicles + _ONE and self._budget.left > self._floor:
            fixed, left = self._fixed(root, vehicles, forbidden)
            if not any(left):
                return fixed
            loads = self._shared_out(fixed, vehicles)
            if loads is not None:
                return loads
            if not fixed:
                return None
            depth = len(fixed) // 2 if tries % 2 == 0 else 0
            forbidden.setdefault(fixed[:depth], set()).add(fixed[depth])
            tries += 1
            self._last = first
            root = self._settled(demand, vehicles - _BELOW, _REST_ROUNDS)
            self._budget.report()
        return None

    def _fixed(
        self, root: _Priced, vehicles: int, forbidden: dict[tuple[Load, ...], set[Load]]
    ) -> tuple[tuple[Load, ...], Load]:
        """Fix loads until all is on board or the rest needs too many; return them and what is left."""
        fixed: tuple[Load, ...] = ()
        left, priced = self._problem.demand, root
        while any(left) and self._budget.left > self._floor:
            free = vehicles - len(fixed)
            if free == 1:
                return ((*fixed, left), (0,) * len(left)) if self._fits(left) else (fixed, left)
            if priced.vehicles > free + _ONE:
                break
            parts = (_part(load, left) for _, load in priced.used)
            closed = forbidden.get(fixed, set())
            chosen = next((part for part in parts if part not in closed and self._fits(part)), None)
            if chosen is None:
                break
            fixed = (*fixed, chosen)
            left = tuple(n - m for n, m in zip(left, chosen, strict=True))
            if any(left) and free > 2:
                priced = self._settled(left, free - 1, _REST_ROUNDS)
        return fixed, left

    def _shared_out(self, fixed: tuple[Load, ...], vehicles: int) -> tuple[Load, ...] | None:
        """Share the last few vehicles' goods out anew; None when that does not place all of it."""
        stay = fixed[: max(0, vehicles - _LAST)]
        key = tuple(sorted(stay))
        if len(stay) != vehicles - _LAST or key in self._shared:
            return None
        self._shared.add(key)
        left = tuple(n - sum(load[g] for load in stay) for g, n in enumerate(self._problem.demand))
        wanted = Wanted(_LAST, left)
        most = min(_LAST_EFFORT, self._budget.left - self._floor)
        found = share_legally(self._problem, self._loader, self._budget, self._lessons, wanted, most=most)
        if found.loads is None:
            return None
        return (*stay, *(load for load in found.loads if any(load)))

    def _fits(self, load: Load) -> bool:
        return any(load) and fits(self._problem, self._loader, load)

    def _settled(self, left: Load, target: float, rounds: int, *, is_first: bool = False) -> _Priced:
        """Price and look for better loads in turn until so many vehicles would do or none is found."""
        centre = np.full(len(left), 1 / self._problem.deck.places) if is_first else None
        level, is_pulled = 0, True
        for _ in range(rounds):
            priced = self._priced(left)
            if priced.vehicles <= target or self._budget.left <= self._floor:
                return priced
            asked = priced.prices
            if centre is not None and is_pulled:
                asked = _PULL * centre + (1 - _PULL) * priced.prices
            centre = priced.prices if centre is None else _PULL * centre + (1 - _PULL) * priced.prices
            before = self._priced_loads.spent
            found = self._priced_loads.best(asked, left, level=level)
            self._budget.spend(self._priced_loads.spent - before)
            fresh = [load for _, load in found if float(priced.prices @ load) > 1 + _ONE]
            # Each is kept, whatever the one before it came to.
            kept = [self._keep(load) for load in fresh]
            if any(kept):
                continue
            if asked is not priced.prices:
                is_pulled = False
            elif level + 1 < len(FINENESS):
                level, is_pulled = level + 1, True
            else:
                break
        return self._priced(left)

    def _keep(self, load: Load) -> bool:
        """Add a load to the linear program's, and tell whether it is new."""
        if load in self.loads:
            return False
        if len(self.loads) == len(self._table):
            self._table = np.concatenate([self._table, np.zeros_like(self._table)])
        self._table[len(self.loads)] = load
        self.loads[load] = None
        return True

    def _priced(self, left: Load) -> _Priced:
        """Solve the linear program for what is left, over what each load carries of it."""
        known = len(self.loads)
        used = np.flatnonzero(left)
        table = np.minimum(self._table[:known], left)[:, used]
        some = self._cheap(table, used)
        table = table[some]
        self._budget.spend(table.size / _CELLS_PER_EFFORT)
        demand = np.array(left, dtype=float)[used]
        found = linprog(
            -demand, A_ub=table.astype(float), b_ub=np.ones(len(table)), bounds=(0, 1), method="highs"
        )
        if found.x is None or found.fun is None:
            return _Priced(float("inf"), np.zeros(len(left)), [])
        prices = np.zeros(len(left))
        prices[used] = found.x
        self._last = (prices, known)
        taken = -found.ineqlin.marginals
        order = np.argsort(-taken, kind="stable")
        loads = list(self.loads)
        return _Priced(
            -found.fun, prices, [(float(taken[k]), loads[some[k]]) for k in order if taken[k] > _ONE]
        )

    def _cheap(self, table: NDArray[np.int64], used: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return which loads are nearly worth a vehicle by the last prices, those since found, or a few."""
        carries = np.flatnonzero(table.any(axis=1))
        if self._last is None:
            return carries
        prices, known = self._last
        dear = 1 - table[carries] @ prices[used]
        dear[carries >= known] = 0
        cheap = carries[dear <= _DEAR]
        return cheap if len(cheap) >= _FEW else carries[np.sort(np.argsort(dear, kind="stable")[:_FEW])]


def _part(load: Load, left: Load) -> Load:
    return tuple(min(n, m) for n, m in zip(load, left, strict=True))
