"""Pallets by name on their places: what one vehicle carries, stood on the deck with the most axle margin."""

from collections.abc import Sequence

from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.plan import Placement
from rimekeep.loading.core.problem import Load, Problem
from rimekeep.loading.core.settle import settled


def stand(
    problem: Problem, loader: Loader, load: Load, taken: Sequence[Sequence[str]], truck: int
) -> list[Placement] | None:
    """Return where the pallets of a load (by group, their names) stand, None when no deck is legal."""
    groups = problem.deck_groups(load)
    counts = loader.arrange_on(groups, truck)
    if counts is None:
        return None
    rows = loader.spread(groups, counts)
    own = problem.deck.rows_of(truck)
    carried = [list(names) for names in taken if names]
    placements = []
    for r, row in enumerate(rows[own.start : own.stop]):
        # Within a row the earliest drop stands in the last lane; at the rear doors both are reached alike.
        order = range(len(row) - 1, -1, -1)
        kind = problem.deck.trucks[truck]
        if any(door.is_left and door.first <= r <= door.last for door in kind.side_doors):
            order = range(len(row))
        standing = [i for i in order for _ in range(row[i])]
        for k, lane, tier in settled(kind, kind.rows[r], [groups[i] for i in standing]):
            placements.append(Placement(carried[standing[k]].pop(), r, lane, tier=tier))
    return placements
