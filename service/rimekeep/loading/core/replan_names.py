"""Names to the counts of changed decks: who stays on its place first, then the others around them."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from rimekeep.loading.core.replan_model import Change, Place
from rimekeep.loading.core.settle import settled

Deck = tuple[tuple[str, int, int], ...]
"""Pallets of one vehicle with row and lane, of a stack the lower one first."""


@dataclass(frozen=True, slots=True)
class Filled:
    """One vehicle as decided: which truck it is, and how many of its ``used`` groups each row holds."""

    vehicle: int
    truck: int
    used: tuple[int, ...]
    counts: Sequence[Sequence[int]]


def named(
    change: Change,
    filled: Sequence[Filled],
    staying: Collection[str],
    shut: Mapping[str, Place],
    vehicles: int,
) -> tuple[list[Deck], frozenset[str]]:
    """Return decks by name for all vehicles, ``shut`` ones as they are, and the pallets that are on top."""
    deck = change.problem.deck
    decided = {one.vehicle for one in filled}
    at_home = {
        name: place
        for name, place in {**change.kept, **change.fixed}.items()
        if name in staying and place[0] in decided
    }
    at_home = dict(sorted((at_home | dict(shut)).items(), key=lambda one: (one[0] in change.beneath, one[0])))
    pool = [
        [name for name in sorted(group.pallets) if name not in at_home] for group in change.problem.groups
    ]
    placed: list[list[tuple[str, int, int]]] = [[] for _ in range(vehicles)]
    for name, (v, row_no, lane) in at_home.items():
        placed[v].append((name, row_no, lane))
    upper = set(change.beneath) & set(at_home)
    for one in filled:
        truck, rows = deck.trucks[one.truck], deck.rows_of(one.truck)
        for r, row in enumerate(truck.rows):
            here = [(name, lane) for name, row_no, lane in placed[one.vehicle] if row_no == r]
            counts = dict(zip(one.used, one.counts[rows.start + r], strict=True))
            lanes: dict[int, list[int]] = {}
            for name, lane in here:
                counts[change.group_of[name]] -= 1
                lanes.setdefault(lane, []).append(change.group_of[name])
            new = [g for g in sorted(counts, reverse=True) for _ in range(counts[g])]
            found = settled(
                truck,
                row,
                [change.problem.deck_group(g, 1) for g in new],
                {lane: [change.problem.deck_group(g, 1) for g in own] for lane, own in lanes.items()},
            )
            names = [pool[g].pop(0) for g in new]
            for k, lane, tier in found:
                placed[one.vehicle].append((names[k], r, lane))
                upper |= {names[k]} if tier else set()
    return [tuple(sorted(own, key=lambda at: at[1:])) for own in placed], frozenset(upper)


def moved_of(change: Change, decks: Sequence[Deck], upper: Collection[str]) -> tuple[str, ...]:
    """
    Return the pallets that no longer stand as they did: on another place, up or down, or on another pallet.
    """
    now: dict[str, Place] = {}
    under: dict[Place, str] = {}
    for v, deck in enumerate(decks):
        for name, row, lane in deck:
            now[name] = (v, row, lane)
            if name not in upper:
                under.setdefault((v, row, lane), name)
    former = change.former
    bore = {place: name for name, place in former.places.items() if name not in former.upper}
    return tuple(
        sorted(
            name
            for name, place in former.places.items()
            if name in now
            and (
                now[name] != place
                or (name in upper) != (name in former.upper)
                or (name in upper and under[place] != bore.get(place))
            )
        )
    )
