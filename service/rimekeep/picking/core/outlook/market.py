"""One product's lots and demand as arrays, and how much of each lot sells."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from ortools.graph.python import min_cost_flow

from rimekeep.picking.core.allocation.records import Key, day_number
from rimekeep.picking.core.allocation.rules import FAR_OFF, LONG_AGO
from rimekeep.picking.core.outlook.records import Demand, LotPart, optional_day

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Market:
    """
    Lots in the order they must go, and demand by group (customer and rule) and day.

    ``deadline[i, g]`` is the last day on which group g accepts lot i. Shapes: lots (n,), deadline
    (n, groups), demand rows (m,).
    """

    lots: list[LotPart]
    stock: Ints
    last: Ints
    received: Ints
    available: Ints
    needed: Ints
    deadline: Ints
    saleable_until: Ints
    customers: list[Key | None]
    group: Ints
    day: Ints
    wanted: Ints

    def unsold_if_relaxed(self, groups: Sequence[int], days: int) -> Ints:
        """Return `unsold` if ``groups`` asked for so many days fewer, at least for none."""
        columns = self.last[:, None] - np.maximum(self.needed[:, groups] - days, 0)
        if not (self._nests and (columns[1:] >= columns[:-1]).all()):
            deadline = self.deadline.copy()
            deadline[:, groups] = columns
            return self.unsold(deadline)
        # Only the demand of these groups joins the pool elsewhere.
        pool = self._pool.copy()
        for place, group in enumerate(groups):
            start, stop = np.searchsorted(self.group, (group, group + 1))
            day, wanted = self.day[start:stop], self.wanted[start:stop]
            for sign, deadline in ((-1, self.deadline[:, group]), (1, columns[:, place])):
                np.add.at(pool, np.searchsorted(deadline, day, side="left"), sign * wanted)
        return swept(pool, self.stock)

    @cached_property
    def _nests(self) -> bool:
        return self.is_nested(self.deadline)

    @cached_property
    def _pool(self) -> Ints:
        return pooled(self.deadline, self.group, self.day, self.wanted)

    def freed_from(self, day: int) -> tuple[Ints, Ints]:
        """Return deadlines and each demand row's group if from ``day`` on nobody asks for any life."""
        deadline = np.column_stack([self.deadline, self.last])
        return deadline, np.where(self.day >= day, self.deadline.shape[1], self.group)

    def unsold(
        self, deadline: Ints | None = None, *, group: Ints | None = None, stock: Ints | None = None
    ) -> Ints:
        """
        Return how many cases of each lot do not sell, shape (n,).

        The cases of lots that can be sold together form a matroid (lot cases matched to demand cases), so
        taking lots in the order they must go, each as far as it can be added, leaves of the first k lots
        together as few cases as any plan can, for every k at once (J. Edmonds, "Matroids and the greedy
        algorithm", Mathematical Programming 1, 1971, from memory). Where each group's deadlines rise along
        that order, a lot accepted by a demand means all later lots are too; then one sweep does it. Otherwise
        a flow whose cheapest maximum is the same set.
        """
        deadline = self.deadline if deadline is None else deadline
        group = self.group if group is None else group
        stock = self.stock if stock is None else stock
        if self.is_nested(deadline):
            return swept(pooled(deadline, group, self.day, self.wanted), stock)
        return flowed(deadline, self.available, stock, group, self.day, self.wanted)

    def is_nested(self, deadline: Ints) -> bool:
        """Tell whether every demand that accepts a lot accepts all later ones."""
        if len(self.day) and len(self.available) and self.available.max() > self.day.min():
            return False
        return bool((deadline[1:] >= deadline[:-1]).all())


def pooled(deadline: Ints, group: Ints, day: Ints, wanted: Ints) -> Ints:
    """Return the demand by the first lot it accepts, shape (n + 1,), where deadlines rise along the lots."""
    count, groups = deadline.shape
    # Groups far apart on one axis, so that one search does for all.
    apart = np.arange(groups) * 2 * FAR_OFF
    joins = np.searchsorted((deadline + apart).T.ravel(), day + apart[group], side="left") - group * count
    pool = np.zeros(count + 1, np.int64)
    np.add.at(pool, joins, wanted)
    return pool


def swept(pool: Ints, stock: Ints) -> Ints:
    """
    Return the unsold cases of each lot by one pass over the lots, with rules that nest.

    Demand that accepts lots from i on joins at i, and each lot in turn is sold into what has joined. With
    ``x`` the running sum of demand less stock, what has not sold up to lot i is ``−min(0, x_0 … x_i)``.

    >>> swept(np.array([1, 9, 0]), np.array([4, 4])).tolist()
    [3, 0]
    """
    missing = np.minimum(np.minimum.accumulate(np.cumsum(pool[:-1] - stock)), 0)
    return -np.diff(missing, prepend=0)


def flowed(deadline: Ints, available: Ints, stock: Ints, group: Ints, day: Ints, wanted: Ints) -> Ints:
    """Return the unsold cases of each lot by a maximum flow that prefers lots in their order; any rules."""
    count, demands = len(stock), len(day)
    if not count or not demands:
        return stock.copy()
    lot, row = np.nonzero((deadline[:, group] >= day) & (available[:, None] <= day))
    source, sink = count + demands, count + demands + 1
    solver = min_cost_flow.SimpleMinCostFlow()
    places = np.arange(count)
    # Ranks alone decide: the cheapest maximum flow sells the earliest lots possible (see `Market.unsold`).
    from_lots = solver.add_arcs_with_capacity_and_unit_cost(np.full(count, source), places, stock, places)
    solver.add_arcs_with_capacity_and_unit_cost(
        lot, count + row, np.minimum(stock[lot], wanted[row]), np.zeros_like(lot)
    )
    solver.add_arcs_with_capacity_and_unit_cost(
        count + np.arange(demands), np.full(demands, sink), wanted, np.zeros(demands, np.int64)
    )
    total = int(min(stock.sum(), wanted.sum()))
    solver.set_node_supply(source, total)
    solver.set_node_supply(sink, -total)
    status = solver.solve_max_flow_with_min_cost()
    if status != solver.OPTIMAL:  # a bounded network always has a maximum flow
        raise ArithmeticError(f"the flow solver ended with status {status}")
    return np.asarray(stock - solver.flows(from_lots), np.int64)


def markets(lots: Sequence[LotPart], demand: Sequence[Demand], today: int, until: int) -> dict[Key, Market]:
    """Return a market for each product in store; demand outside today…until is left out."""
    parts: dict[Key, list[LotPart]] = defaultdict(list)
    for lot in lots:
        if lot.cases:
            parts[lot.product].append(lot)
    wanted: dict[Key, list[Demand]] = defaultdict(list)
    for one in demand:
        if one.cases and today <= day_number(one.day) <= until and one.product in parts:
            wanted[one.product].append(one)
    return {product: _market(members, wanted[product]) for product, members in parts.items()}


def _market(lots: list[LotPart], demand: list[Demand]) -> Market:
    last = np.array([day_number(lot.last_on) for lot in lots], np.int64)
    whole = np.array([lot.total_days or 0 for lot in lots], np.int64)
    numbers: dict[tuple[Key | None, int, float], int] = {}
    rows: dict[tuple[int, int], int] = defaultdict(int)
    for one in demand:
        rule = one.customer, one.min_life_days, one.min_life_fraction or 0.0
        rows[numbers.setdefault(rule, len(numbers)), day_number(one.day)] += one.cases
    needed = np.zeros((len(lots), len(numbers)), np.int64)
    for (_, days, share), number in numbers.items():
        # A billionth less, so that 0.3 of 90 days are 27 and not 28 by the last bit.
        needed[:, number] = np.maximum(days, np.ceil(share * whole - 1e-9).astype(np.int64))
    deadline = last[:, None] - needed
    received = np.array([day_number(lot.received_on) for lot in lots], np.int64)
    until = deadline.max(axis=1) if numbers else last
    ids = np.argsort(np.argsort([str(lot.id) for lot in lots], kind="stable"))
    order = np.lexsort((ids, received, last, *deadline.T[::-1], until))
    found = np.array([(*where, cases) for where, cases in sorted(rows.items())], np.int64).reshape(-1, 3)
    return Market(
        [lots[place] for place in order],
        np.array([lot.cases for lot in lots], np.int64)[order],
        last[order],
        received[order],
        np.array([optional_day(lot.available_on, LONG_AGO) for lot in lots], np.int64)[order],
        needed[order],
        deadline[order],
        until[order],
        [customer for customer, _, _ in numbers],
        found[:, 0],
        found[:, 1],
        found[:, 2],
    )
