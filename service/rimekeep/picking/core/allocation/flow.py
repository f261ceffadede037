"""Min-cost flow: exact for any date rules, as long as no lot cap and no order of deliveries binds."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from ortools.graph.python import min_cost_flow

from rimekeep.picking.core.allocation.rules import Cases, Flags, ProductWave, Taken


def cheapest_flow(wave: ProductWave) -> Taken:
    """
    Serve the most cases, the earlier lines in order first, from the first lots in order.

    One unit of flow is one case: source → line → kind of line → kind of lot → lot → sink. Lines that may use
    the same lots are of one kind, so are lots that serve the same lines; between two kinds one arc is enough,
    and the thousands of pairs of a product become a few hundred. The sets of line cases that can be served
    together form a matroid, so do the lot cases, and any best pair of them can be matched (N. S. Mendelsohn
    and A. L. Dulmage, "Some generalizations of the problem of distinct representatives", Canadian Journal of
    Mathematics 10, 1958). Ranks as costs on lines and on lots therefore settle both goals at once: who goes
    short, and that of all lots that would do the first expired are used.
    """
    kinds = _Kinds.of(wave)
    of_lines, of_lots, cells = _solved(wave, kinds)
    if (taken := _gathered(wave, kinds, of_lines, of_lots)) is not None:
        return taken
    return _handed_out(kinds, of_lines, of_lots, cells)


@dataclass(frozen=True)
class _Kinds:
    """Lines by the lots they may use, lots by the lines they may serve; lots of no use have the kind -1."""

    of_line: Cases
    of_lot: Cases
    may: Flags
    """Which kind of line may use which kind of lot; shape (kinds of lines, kinds of lots)."""

    @classmethod
    def of(cls, wave: ProductWave) -> "_Kinds":
        usable = wave.usable & (np.array(wave.free) > 0)
        rows, of_line = _distinct(usable)
        columns, of_lot = _distinct(usable[rows].T)
        return cls(of_line, of_lot, usable[rows][:, columns])

    @cached_property
    def lines(self) -> list[list[int]]:
        """Return the lines of each kind, in order."""
        return _members(self.of_line, len(self.may))

    @cached_property
    def lots(self) -> list[list[int]]:
        """Return the lots of each kind, in order."""
        return _members(self.of_lot, self.may.shape[1])


def _distinct(table: Flags) -> tuple[NDArray[np.intp], Cases]:
    """Return the first row of every kind of row, kinds by first appearance, and the kind of each row."""
    packed = np.packbits(table, axis=1)
    first: dict[bytes, int] = {}
    kind = [first.setdefault(row.tobytes(), place) for place, row in enumerate(packed)]
    rows = np.array(list(first.values()), np.intp)
    number = {place: n for n, place in enumerate(first.values())}
    return rows, np.array([number[place] for place in kind], np.int64)


def _members(kind: Cases, count: int) -> list[list[int]]:
    found: list[list[int]] = [[] for _ in range(count)]
    for place, one in enumerate(kind.tolist()):
        found[one].append(place)
    return found


def _solved(wave: ProductWave, kinds: _Kinds) -> tuple[list[int], list[int], dict[tuple[int, int], int]]:
    """Return the cases each line gets, those each lot gives, and those from kind to kind."""
    line_kinds, lot_kinds = kinds.may.shape
    demand = np.array([line.cases for line in wave.lines], np.int64)
    stock = np.array(wave.free, np.int64)
    source, sink = line_kinds + lot_kinds, line_kinds + lot_kinds + 1
    from_kind, to_kind = np.nonzero(kinds.may)
    wanted = np.bincount(kinds.of_line, demand, line_kinds).astype(np.int64)
    there = np.bincount(kinds.of_lot, stock, lot_kinds).astype(np.int64)
    total = int(min(demand.sum(), stock.sum()))

    solver = min_cost_flow.SimpleMinCostFlow()
    line_arcs = solver.add_arcs_with_capacity_and_unit_cost(
        np.full(len(demand), source), kinds.of_line, demand, np.arange(len(demand))
    )
    pairs = solver.add_arcs_with_capacity_and_unit_cost(
        from_kind,
        line_kinds + to_kind,
        np.minimum(wanted[from_kind], there[to_kind]),
        np.zeros_like(from_kind),
    )
    lot_arcs = solver.add_arcs_with_capacity_and_unit_cost(
        line_kinds + kinds.of_lot, np.full(len(stock), sink), stock, np.arange(len(stock))
    )
    solver.set_node_supply(source, total)
    solver.set_node_supply(sink, -total)
    status = solver.solve_max_flow_with_min_cost()
    if status != solver.OPTIMAL:  # a bounded network always has a maximum flow
        raise ArithmeticError(f"the flow solver ended with status {status}")
    through = solver.flows(pairs).tolist() if len(pairs) else []
    cells = {
        (int(one), int(other)): cases
        for one, other, cases in zip(from_kind, to_kind, through, strict=True)
        if cases
    }
    return solver.flows(line_arcs).tolist(), solver.flows(lot_arcs).tolist(), cells


def _gathered(wave: ProductWave, kinds: _Kinds, of_lines: list[int], of_lots: list[int]) -> Taken | None:
    """
    Return the same totals per line and per lot in few pieces, if a plain pass can: strictest lines first.

    It can where the lots of one kind of line are among those of the next, as with any single minimum of life.
    """
    choices = kinds.may @ np.bincount(kinds.of_lot, minlength=kinds.may.shape[1])
    left = of_lots.copy()
    taken: Taken = [{} for _ in wave.lines]
    for kind in sorted(range(len(kinds.lines)), key=lambda one: (choices[one], one)):
        lots = [lot for lot in np.flatnonzero(kinds.may[kind][kinds.of_lot]).tolist() if left[lot]]
        lots.reverse()
        for line in kinds.lines[kind]:
            missing = of_lines[line]
            while missing:
                if not lots:
                    return None
                lot = lots[-1]
                taken[line][lot] = got = min(missing, left[lot])
                missing -= got
                left[lot] -= got
                if not left[lot]:
                    lots.pop()
    return taken


def _handed_out(
    kinds: _Kinds, of_lines: list[int], of_lots: list[int], cells: dict[tuple[int, int], int]
) -> Taken:
    """Return what each line takes, given what its kind takes of each kind of lot: in order, first come."""
    queues = [[lot for lot in reversed(lots) if of_lots[lot]] for lots in kinds.lots]
    left = of_lots.copy()
    taken: Taken = [{} for _ in of_lines]
    for kind, lines in enumerate(kinds.lines):
        parts: list[tuple[int, int]] = []
        for other in np.flatnonzero(kinds.may[kind]).tolist():
            cases = cells.get((kind, other), 0)
            while cases:
                lot = queues[other][-1]
                got = min(cases, left[lot])
                parts.append((lot, got))
                cases -= got
                left[lot] -= got
                if not left[lot]:
                    queues[other].pop()
        parts.sort(reverse=True)
        for line in lines:
            missing = of_lines[line]
            while missing:
                lot, there = parts.pop()
                got = min(missing, there)
                taken[line][lot] = taken[line].get(lot, 0) + got
                missing -= got
                if there > got:
                    parts.append((lot, there - got))
    return taken
