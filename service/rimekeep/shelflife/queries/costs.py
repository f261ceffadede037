"""What time in a room that failed cost the packs that stood there."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Air, assumed
from rimekeep.platform.database import parts
from rimekeep.shelflife.core.costs import on_route, path_costs, window_costs
from rimekeep.shelflife.core.follow import Path
from rimekeep.shelflife.core.hours import Course
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.cores import air_for, cores_at
from rimekeep.shelflife.queries.packs import airs_of, cut_legs, packs_of, paths_of, profiles_for
from rimekeep.shelflife.queries.profiles import all_profiles
from rimekeep.shelflife.queries.states import Held, states_of
from rimekeep.shelflife.tables import Life
from rimekeep.stock import queries as stock


@dataclass(frozen=True, slots=True)
class Exposed:
    """A pack and the window in which its room failed it."""

    content_id: int
    from_at: datetime
    until_at: datetime


def life_lost(
    session: Session, site_id: int, exposed: Sequence[Exposed], *, zone_id: int, planned_c: float
) -> dict[int, float | None]:
    """
    Return the days of life the air of one room cost each pack; None for a product without a profile.

    Measured against air at ``planned_c`` in that room for the time the pack was in it, on the route that ends
    the pack first (where its label does, on the route that it cost most), in days at the profile's planned
    temperature. Packs that stood in the room all along are worked out together, the others by their own way.
    """
    if not exposed:
        return {}
    profiles = all_profiles(session, site_id)
    windows = {one.content_id: one for one in exposed}
    limits = _limits(session, windows)
    held = states_of(session, site_id, profiles, windows)
    lost: dict[int, float | None] = {}
    together = {pair: some for pair, some in held.items() if pair[0] == zone_id}
    if together:
        first = min(one.from_at for one in exposed)
        last = max(one.until_at for one in exposed)
        own = [profiles[profile_id] for _, profile_id in together]
        air = air_for(session, site_id, zone_id, own, first, last)
        for (_, profile_id), some in together.items():
            profile = profiles[profile_id]
            lost |= _together(air, profile, some, windows, limits, planned_c)
    rest = [one for one in exposed if one.content_id not in lost]
    return lost | _alone(session, site_id, rest, limits, zone_id, planned_c)


def _limits(session: Session, content_ids: Collection[int]) -> dict[int, str]:
    return {
        row[0]: row[1]
        for some in parts(list(content_ids))
        for row in session.execute(
            select(col(Life.content_id), col(Life.limited_by)).where(col(Life.content_id).in_(some))
        )
    }


def _limiting(profile: Profile, content_ids: Collection[int], limits: dict[int, str]) -> list[int]:
    names = {route.name: place for place, route in enumerate(profile.routes)}
    return [names.get(limits.get(content_id, ""), -1) for content_id in content_ids]


def _together(
    air: Air,
    profile: Profile,
    held: Held,
    windows: dict[int, Exposed],
    limits: dict[int, str],
    planned_c: float,
) -> dict[int, float]:
    ids = held.content_ids.tolist()
    from_s = np.array([windows[key].from_at.timestamp() for key in ids])
    to_s = np.array([windows[key].until_at.timestamp() for key in ids])
    # A window that opened in an earlier stay is told by the pack's whole way.
    here = held.packs.entered_s <= from_s
    if not here.any():
        return {}
    some = held.only(here)
    course = Course.of(air, tau_h=profile.tau_h)
    core_c = cores_at(course, some, from_s[here])
    costs = window_costs(
        course, profile, core_c=core_c, from_s=from_s[here], to_s=to_s[here], planned_c=planned_c
    )
    chosen = some.content_ids.tolist()
    lost = on_route(costs, np.array(_limiting(profile, chosen, limits), dtype=np.intp))
    return dict(zip(chosen, lost.tolist(), strict=True))


def _alone(
    session: Session,
    site_id: int,
    exposed: Sequence[Exposed],
    limits: dict[int, str],
    zone_id: int,
    planned_c: float,
) -> dict[int, float | None]:
    ids = [one.content_id for one in exposed]
    if not ids:
        return {}
    packs = packs_of(session, site_id, ids)
    profiles = profiles_for(session, site_id, packs)
    legs = stock.paths(session, site_id, ids)
    starts = stock.start_core_c(session, site_id, ids)
    alike: dict[tuple[Profile, Path, Path, float | None], list[int]] = defaultdict(list)
    for one in exposed:
        path = paths_of({0: legs.get(one.content_id, [])}, one.until_at)[0]
        before, window = _split(path, one.from_at.timestamp())
        profile = profiles.get(one.content_id)
        if profile is not None and window:
            alike[profile, before, window, starts.get(one.content_id)].append(one.content_id)
    airs = airs_of(session, site_id, (before + window for _, before, window, _ in alike))
    lost: dict[int, float | None] = dict.fromkeys(ids)
    for (profile, before, window, start_c), members in alike.items():
        real = cut_legs(airs, window)
        meant = [_planned(leg, stay, zone_id, planned_c) for leg, stay in zip(real, window, strict=True)]
        costs = path_costs(cut_legs(airs, before), real, meant, profile, start_core_c=start_c)
        routes = np.array(_limiting(profile, members, limits), dtype=np.intp)
        found = on_route(np.repeat(costs[:, None], len(members), axis=1), routes)
        lost |= dict(zip(members, found.tolist(), strict=True))
    return lost


def _split(path: Path, at_s: float) -> tuple[Path, Path]:
    before = tuple((zone, from_s, min(to_s, at_s)) for zone, from_s, to_s in path if from_s < at_s)
    after = tuple((zone, max(from_s, at_s), to_s) for zone, from_s, to_s in path if to_s > at_s)
    return before, after


def _planned(leg: Air, stay: tuple[int, float, float], zone_id: int, planned_c: float) -> Air:
    if stay[0] != zone_id:
        return leg
    return assumed(stay[1], stay[2], planned_c)
