"""
How few vehicles there can be: a bound by prices.

Give every pallet a price. If no legal deck carries more than ``z`` worth of pallets, and all pallets together
are worth ``w``, then ``w / z`` vehicles are needed at least (Farley's bound). Linear programming over the
loads seen so far suggests the prices; the best deck at those prices is the next load.
"""

from collections.abc import Sequence

import numpy as np
from ortools.sat.python import cp_model
from scipy.optimize import linprog

from rimekeep.loading.core.assignment import add_vehicle
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.problem import Load, Problem

# Prices enter the solver as whole numbers of this fraction of a vehicle.
_PRICE_STEPS = 10_000
# Share of the best prices so far in the next ones.
_PULL = 0.85


def price_bound(
    problem: Problem, budget: Budget, loads: Sequence[Load], *, least: int, target: int, most: float
) -> int:
    """
    Return a proven lower bound on vehicles, ``target`` at most; stop when effort runs out.

    Prices asked about lie between those of the linear program and the best ones so far (at first: all pallets
    alike), which calms their swings [1]_.

    References
    ----------
    .. [1] P. Wentges, "Weighted Dantzig-Wolfe decomposition for linear mixed-integer programming," 1997; from
       memory.
    """
    floor = max(0.0, budget.left - most)
    columns = [np.array(load, dtype=float) for load in loads]
    demand = np.array(problem.demand, dtype=float)
    centre, centre_bound = np.full(len(demand), 1 / max(1, problem.deck.places)), 0.0
    proven, pull, step = least, 1.0, 1 - _PULL
    while proven < target and budget.left > floor:
        priced = linprog(
            -demand, A_ub=np.array(columns), b_ub=np.ones(len(columns)), bounds=(0, 1), method="highs"
        )
        if priced.x is None or priced.fun is None:
            break
        if np.ceil(-priced.fun - 1e-6) <= proven:
            break  # even the loads seen so far need no more vehicles than that
        asked = pull * centre + (1 - pull) * priced.x
        prices = [int(price) for price in np.floor(asked * _PRICE_STEPS)]
        search, status, load = _best_load(problem, budget, prices, budget.left - floor)
        if load is None or status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            break
        proven = max(proven, min(target, _proven(search, prices, problem.demand)))
        bound = float(asked @ demand) * _PRICE_STEPS / max(1.0, search.best_objective_bound)
        reach = 1 - _PULL
        if bound > centre_bound:
            centre, centre_bound, step = asked, bound, min(reach, 2 * step)
        else:
            step = max(reach / 8, step / 2)
        column = np.array(load, dtype=float)
        if float(priced.x @ column) > 1 + 1e-6:
            columns.append(column)
            pull = 1 - step
        elif pull == 0:
            break  # the linear program's own prices bring nothing new: it is solved
        else:
            step = min(1.0, 4 * step)
            pull = 1 - step
    return proven


def plain_price_bound(problem: Problem, budget: Budget, *, least: int, most: float) -> int:
    """Return the bound two plain price lists prove: every pallet alike, and by mass."""
    heaviest = max(problem.masses)
    proven = least
    for prices in (
        [1] * len(problem.groups),
        [int(100 * mass / heaviest) for mass in problem.masses],
    ):
        search, status, _ = _best_load(problem, budget, prices, most / 2)
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            proven = max(proven, _proven(search, prices, problem.demand))
    return proven


def _proven(search: cp_model.CpSolver, prices: Sequence[int], demand: Load) -> int:
    ceiling = int(np.floor(search.best_objective_bound + 1e-6))
    worth = sum(price * n for price, n in zip(prices, demand, strict=True))
    return -(-worth // ceiling) if ceiling > 0 else 0


def _best_load(
    problem: Problem, budget: Budget, prices: Sequence[int], most: float
) -> tuple[cp_model.CpSolver, cp_model.CpSolverStatus, list[int] | None]:
    model = cp_model.CpModel()
    vehicle = add_vehicle(model, problem, problem.demand, "")
    model.maximize(sum(prices[g] * vehicle.loaded(g) for g in vehicle.used))
    search, status = budget.solve(model, most)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return search, status, None
    load = [0] * len(problem.groups)
    for i, g in enumerate(vehicle.used):
        load[g] = sum(search.value(row[i]) for row in vehicle.deck.counts)
    return search, status, load


def can_be_carried(problem: Problem, budget: Budget, group: int, most: float) -> bool | None:
    """Return whether any legal deck carries a pallet of a group, None when effort ran out."""
    model = cp_model.CpModel()
    vehicle = add_vehicle(model, problem, problem.demand, "")
    model.add(vehicle.loaded(group) >= 1)
    _, status = budget.solve(model, most)
    if status == cp_model.INFEASIBLE:
        return False
    return True if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None
