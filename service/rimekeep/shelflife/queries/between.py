"""What packs lived through within a window of their own: on a trip, say."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.shelflife.core.costs import rates_as_planned
from rimekeep.shelflife.core.follow import Path
from rimekeep.shelflife.core.history import lived
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.costs import Exposed
from rimekeep.shelflife.queries.packs import airs_of, cut_legs, packs_of, paths_of, profiles_for
from rimekeep.stock import queries as stock


@dataclass(frozen=True, slots=True)
class LivedBetween:
    """
    What a pack lived through from one instant to another; by route in the profile's order.

    ``used`` is the share of life used within the window, ``used_until`` all of it up to its end; ``days`` is
    ``used`` in days at the profile's planned temperature, on the route where that is most.
    [-, °C, days, s]
    """

    profile_id: int
    used: dict[str, float]
    used_until: dict[str, float]
    days: float
    core_from_c: float
    core_until_c: float
    core_min_c: float
    core_max_c: float
    bridged_s: int


def lived_between(
    session: Session, site_id: int, windows: Sequence[Exposed]
) -> dict[int, LivedBetween | None]:
    """
    Return what packs lived through in a window each, as the readings held now have it.

    Each distinct history is integrated from its first reading on, as `aged` does it, whatever became of the
    pack since. None for a product without a profile, or a pack that was nowhere yet.
    """
    ids = [one.content_id for one in windows]
    packs = packs_of(session, site_id, ids)
    profiles = profiles_for(session, site_id, packs)
    legs = stock.paths(session, site_id, ids)
    starts = stock.start_core_c(session, site_id, ids)
    alike: dict[tuple[Profile, Path, float, float | None], list[int]] = defaultdict(list)
    for one in windows:
        path = paths_of({0: legs.get(one.content_id, [])}, one.until_at)[0]
        profile, from_s = profiles.get(one.content_id), one.from_at.timestamp()
        if profile is not None and path and path[0][1] <= from_s < path[-1][2]:
            alike[profile, path, from_s, starts.get(one.content_id)].append(one.content_id)
    airs = airs_of(session, site_id, (path for _, path, _, _ in alike))
    found: dict[int, LivedBetween | None] = dict.fromkeys(ids)
    for (profile, path, from_s, start_c), members in alike.items():
        before = tuple((zone, low, min(high, from_s)) for zone, low, high in path if low < from_s)
        window = tuple((zone, max(low, from_s), high) for zone, low, high in path if high > from_s)
        real = cut_legs(airs, window)
        course = lived([*cut_legs(airs, before), *real], profile, start_core_c=start_c)
        # Of two knots at the window's start, one ends what was before.
        at = int(np.searchsorted(course.at_s, from_s, side="right")) - 1
        used = course.used[:, -1] - course.used[:, at]
        names = [route.name for route in profile.routes]
        told = LivedBetween(
            profile.id,
            dict(zip(names, used.tolist(), strict=True)),
            dict(zip(names, course.used[:, -1].tolist(), strict=True)),
            float(np.max(used / rates_as_planned(profile))),
            float(course.core_c[at]),
            float(course.core_c[-1]),
            float(course.core_c[at:].min()),
            float(course.core_c[at:].max()),
            round(sum(leg.bridged_total_s for leg in real)),
        )
        found |= dict.fromkeys(members, told)
    return found
