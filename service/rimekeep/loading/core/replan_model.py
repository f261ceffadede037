"""What stands already against what is asked now: what must stay, and what may."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from rimekeep.loading.core.deck import can_bear, is_half
from rimekeep.loading.core.problem import Load, Problem, problem_of
from rimekeep.loading.core.vehicle import LoadRequest

Place = tuple[int, int, int]
"""Vehicle, row from the front wall and lane from the left, all from 0."""

# One moved pallet that is on board already weighs as many that are not.
ABOARD = 1000


@dataclass(frozen=True, slots=True)
class Former:
    """
    What stands already: where each pallet does, and which truck of the request each vehicle is.

    ``upper`` are on top of the pallet that stands on the same place. ``aboard`` are loaded; they move only
    with ``may_move_aboard``. ``pinned`` pallets go to the places given. ``vehicles`` number those that make
    several trips alike, None: each load has a vehicle of its own.
    """

    places: Mapping[str, Place]
    trucks: tuple[int, ...]
    aboard: frozenset[str] = frozenset()
    may_move_aboard: bool = False
    pinned: Mapping[str, Place] | None = None
    vehicles: tuple[int, ...] | None = None
    upper: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Change:
    """
    A request against what stands: ``fixed`` may not leave their places, ``kept`` would better not.

    ``beneath`` names the pallet below each of those that stay on top. With ``is_torn`` what is fixed cannot
    stay together: two want one place, or what bears another is gone.
    """

    problem: Problem
    former: Former
    group_of: Mapping[str, int]
    fixed: Mapping[str, Place]
    kept: Mapping[str, Place]
    beneath: Mapping[str, str]
    is_torn: bool = False


def change_of(request: LoadRequest, former: Former) -> Change:
    problem = problem_of(request)
    group_of = {name: g for g, group in enumerate(problem.groups) for name in group.pallets}
    standing = {name: place for name, place in former.places.items() if name in group_of}
    fixed = {name: place for name, place in (former.pinned or {}).items() if name in group_of}
    if not former.may_move_aboard:
        fixed = {name: place for name, place in standing.items() if name in former.aboard} | fixed
    beneath = _beneath(
        {name: place for name, place in standing.items() if fixed.get(name, place) == place}, former
    )
    # Nobody draws away what bears a pallet that is to stay.
    fixed = {low: standing[low] for top, low in beneath.items() if top in fixed} | fixed
    taken = {place for name, place in fixed.items() if standing.get(name) != place}
    kept = {name: place for name, place in standing.items() if name not in fixed and place not in taken}
    change = Change(problem, former, group_of, fixed, kept, beneath)
    by_place: dict[Place, list[str]] = {}
    for name, place in sorted({**kept, **fixed}.items()):
        by_place.setdefault(place, []).append(name)
    staying = {name for place, names in by_place.items() for name in _staying(change, place, names)}
    return replace(
        change,
        kept={name: place for name, place in kept.items() if name in staying},
        beneath={top: low for top, low in beneath.items() if top in staying},
        is_torn=not set(fixed) <= staying,
    )


def _beneath(places: Mapping[str, Place], former: Former) -> dict[str, str]:
    lower = {place: name for name, place in places.items() if name not in former.upper}
    return {top: lower[places[top]] for top in sorted(former.upper & set(places)) if places[top] in lower}


def _staying(change: Change, place: Place, names: Sequence[str]) -> list[str]:
    """Return which of the pallets of one place may still stand there together, those that are fixed first."""
    found = row_of(change, change.former.trucks, place)
    if found is None:
        return []
    deck = change.problem.deck
    truck, row = deck.trucks[deck.truck_of[found]], deck.rows[found]
    as_one = {name: change.problem.deck_group(change.group_of[name], 1) for name in names}
    is_upper = {name: name in change.former.upper and change.former.places[name] == place for name in names}
    lower = sorted((name for name in names if not is_upper[name]), key=lambda name: name not in change.fixed)
    upper = [name for name in names if is_upper[name]]
    if len(lower) > 1 and not (
        len(lower) == 2 and all(is_half(truck, row, as_one[name].form) for name in lower)
    ):
        lower = lower[:1]
    if len(lower) == 1 and len(upper) == 1 and can_bear(truck, row, as_one[lower[0]], as_one[upper[0]]):
        return [*lower, *upper]
    return lower


def weight_of(change: Change, name: str) -> int:
    return ABOARD if name in change.former.aboard else 1


def load_of(change: Change, names: Collection[str]) -> Load:
    load = [0] * len(change.problem.groups)
    for name in names:
        load[change.group_of[name]] += 1
    return tuple(load)


def row_of(change: Change, trucks: Sequence[int], place: Place) -> int | None:
    """Return the row of the long deck a place is in, None when the vehicle has no such place."""
    truck = trucks[place[0]] if place[0] < len(trucks) else -1
    if truck < 0:
        return None
    rows = change.problem.deck.rows_of(truck)
    if not 0 <= place[1] < len(rows) or not 0 <= place[2] < change.problem.deck.rows[rows[place[1]]].lanes:
        return None
    return rows[place[1]]
