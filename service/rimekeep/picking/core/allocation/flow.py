"""Min-cost flow: exact for any date rules, as long as no lot cap and no order of deliveries binds."""

import numpy as np
from ortools.graph.python import min_cost_flow

from rimekeep.picking.core.allocation.rules import ProductWave, Taken


def cheapest_flow(wave: ProductWave) -> Taken:
    """
    Serve the most cases, the earlier lines in order first, from the earliest expiries.

    One unit of flow is one case: source → line → eligible lot → sink. The sets of line cases that can be
    served together form a matroid, so do the lot cases, and any best pair of them can be matched (N. S.
    Mendelsohn and A. L. Dulmage, "Some generalizations of the problem of distinct representatives", Canadian
    Journal of Mathematics 10, 1958). A small cost by rank on each line therefore settles who goes short
    without touching which lots are used.
    """
    line_count, lot_count = len(wave.lines), len(wave.lots)
    demand = np.array([line.cases for line in wave.lines], np.int64)
    stock = np.array(wave.free, np.int64)
    expiry = np.array(wave.expiry, np.int64)
    from_line, to_lot = np.nonzero(wave.usable)
    source, sink = line_count + lot_count, line_count + lot_count + 1
    lines, lots = np.arange(line_count), np.arange(lot_count)
    total = int(min(demand.sum(), stock.sum()))

    solver = min_cost_flow.SimpleMinCostFlow()
    solver.add_arcs_with_capacity_and_unit_cost(np.full(line_count, source), lines, demand, lines)
    pairs = solver.add_arcs_with_capacity_and_unit_cost(
        from_line, line_count + to_lot, np.minimum(demand[from_line], stock[to_lot]), np.zeros_like(from_line)
    )
    solver.add_arcs_with_capacity_and_unit_cost(
        line_count + lots, np.full(lot_count, sink), stock, expiry - expiry[0]
    )
    solver.set_node_supply(source, total)
    solver.set_node_supply(sink, -total)
    status = solver.solve_max_flow_with_min_cost()
    if status != solver.OPTIMAL:  # a bounded network always has a maximum flow
        raise ArithmeticError(f"the flow solver ended with status {status}")
    taken: Taken = [{} for _ in wave.lines]
    if len(pairs):
        flows = solver.flows(pairs)
        for arc in np.flatnonzero(flows):
            taken[from_line[arc]][int(to_lot[arc])] = int(flows[arc])
    return _gathered(wave, taken)


def _gathered(wave: ProductWave, taken: Taken) -> Taken:
    """
    Return the same totals per line and per lot in fewer pieces, if a plain pass can: strictest lines first.

    The flow may scatter a line over many lots at no cost; the picker would pay for it.
    """
    left = [0] * len(wave.lots)
    for lots in taken:
        for lot, cases in lots.items():
            left[lot] += cases
    again: Taken = [{} for _ in taken]
    choices = [np.flatnonzero(row).tolist() for row in wave.usable]
    for position in sorted(range(len(taken)), key=lambda place: (len(choices[place]), place)):
        missing = sum(taken[position].values())
        for lot in choices[position]:
            if not missing:
                break
            if got := min(missing, left[lot]):
                again[position][lot] = got
                left[lot] -= got
                missing -= got
        if missing:
            return taken
    return again
