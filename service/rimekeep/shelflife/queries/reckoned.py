"""What packs have lived through, from the sums that are kept: fast, for any number of them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.climate.queries import zone_airs
from rimekeep.shelflife.core.follow import Reckoned, at, block_of, block_start
from rimekeep.shelflife.core.hours import COLUMN_USED, HOUR_S, PER_ROUTE, Course, hour_of
from rimekeep.shelflife.core.packs import Room
from rimekeep.shelflife.queries.profiles import all_profiles
from rimekeep.shelflife.queries.rooms import Summed, summed_hours_of, summed_rooms
from rimekeep.shelflife.queries.states import Held, Pair, states, states_of


@dataclass(frozen=True, slots=True)
class LivedThrough:
    """Share of life used by route, core now, and how long nobody measured around it. [-, °C, s]"""

    used: dict[str, float]
    core_c: float
    bridged_s: float


def reckoned(
    session: Session, site_id: int, now: datetime, content_ids: Collection[int] | None = None
) -> dict[int, LivedThrough]:
    """
    Return what packs have lived through up to an instant, as far as the last refresh knows what happened.

    ``content_ids`` None asks for all that are reckoned with; packs without a profile are not among them.
    """
    profiles = all_profiles(session, site_id)
    if content_ids is None:
        held = states(session, site_id, profiles)
    else:
        held = states_of(session, site_id, profiles, content_ids)
    summed = {pair: one for pair, one in summed_rooms(session, site_id).items() if pair in held}
    counted = {pair: _counted(some, summed[pair]) for pair, some in held.items()}
    windows: dict[int, float] = {}
    needed: dict[Pair, int] = {}
    for pair, packs in counted.items():
        first_s = float(packs.at_s.min())
        needed[pair] = max(min(hour_of(first_s), summed[pair].until_hour), summed[pair].first_hour)
        raw_s = [summed[pair].until_hour * HOUR_S, *packs.at_s[~packs.is_settled]]
        windows[pair[0]] = min(windows.get(pair[0], np.inf), *raw_s)
    stored = summed_hours_of(session, site_id, summed, profiles, needed)
    airs = zone_airs(
        session,
        site_id,
        {zone: (datetime.fromtimestamp(first, UTC), now) for zone, first in windows.items()},
    )
    found: dict[int, LivedThrough] = {}
    courses: dict[tuple[int, float], Course] = {}
    for pair, packs in counted.items():
        profile = profiles[pair[1]]
        key = (pair[0], profile.tau_h)
        if key not in courses:
            courses[key] = Course.of(airs[pair[0]], tau_h=profile.tau_h)
        room = Room(courses[key], stored[pair], stored[pair].running())
        lived = at(packs, room, profile, now.timestamp())
        names = [route.name for route in profile.routes]
        used = lived.sums[:, COLUMN_USED:-1:PER_ROUTE].tolist()
        for content_id, shares, core_c, bridged_s in zip(
            held[pair].content_ids.tolist(),
            used,
            lived.core_c.tolist(),
            lived.sums[:, -1].tolist(),
            strict=True,
        ):
            found[content_id] = LivedThrough(dict(zip(names, shares, strict=True)), core_c, bridged_s)
    return found


def _counted(held: Held, summed: Summed) -> Reckoned:
    """Return states as they are stored: settled packs count from the start of their block."""
    packs = held.packs
    start = block_start(block_of(packs.at_s), summed.first_hour) * HOUR_S
    at_s = np.where(packs.is_settled, start, packs.at_s)
    return Reckoned(
        packs.zone_id, packs.entered_s, packs.entry, at_s, packs.held, packs.is_settled, packs.low_c
    )
