"""Where empties go on a deck whose goods stand already: as far ahead as they may."""

from collections.abc import Sequence
from dataclasses import replace

from ortools.sat.python import cp_model

from rimekeep.loading.core.deck_model import add_deck
from rimekeep.loading.core.exact_loader import solver
from rimekeep.loading.core.problem import problem_of
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Stowed

_EFFORT = 1.0


def stowed_empties(
    request: LoadRequest, truck: int, standing: Sequence[tuple[Pallet, int]]
) -> tuple[Stowed, ...]:
    """Return places for all that the stops of one vehicle give back; none where there are none."""
    stops = {pallet.stop for pallet, _ in standing}
    giving = {stop.seq: stop for stop in request.stops if stop.id in stops and stop.empties}
    if not giving or not request.rules.has_empties:
        return ()
    own = replace(request, trucks=(request.trucks[truck],), pallets=tuple(pallet for pallet, _ in standing))
    problem = problem_of(own)
    groups = problem.deck_groups(problem.demand)
    row_of = {pallet.id: row for pallet, row in standing}
    model = cp_model.CpModel()
    variables = add_deck(model, problem.deck, groups, "")
    for i, group in enumerate(problem.groups):
        for r, row in enumerate(variables.counts):
            model.add(row[i] == sum(row_of[name] == r for name in group.pallets))
    model.minimize(sum(r * n for (_, _, r), n in variables.empties.items()))
    search = solver(_EFFORT, 0)
    if search.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return ()
    return tuple(
        Stowed(giving[seq].id, item, row, search.value(n))
        for (seq, item, row), n in variables.empties.items()
        if search.value(n)
    )
