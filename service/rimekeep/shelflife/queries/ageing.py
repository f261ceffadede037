"""
Ages contents from what their rooms' air did: reads everything once, integrates each distinct history once.

Pallets that come in together and stand in the same rooms share one history, whatever their number.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.climate.core.air import Air
from rimekeep.climate.queries import zone_airs
from rimekeep.shelflife.core.history import Lived, Profile, days_left, frozen_at_s, lived, spent_at_s
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.queries.profiles import core_profile, newest_profiles, profiles_by_id
from rimekeep.shelflife.tables import AgeingProfile, Life
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import Leg
from rimekeep.stock.core.states import HERE
from rimekeep.stock.tables import Lot, Unit, UnitContent

__all__ = [
    "Aged",
    "Pack",
    "Path",
    "aged",
    "airs_of",
    "cut_legs",
    "label_end",
    "packs_of",
    "paths_of",
    "profiles_for",
]

# (zone, from, until) of each stay, seconds since 1970.
Path = tuple[tuple[int, float, float], ...]


@dataclass(frozen=True, slots=True)
class Held:
    """What a refresh compares with: the row as it was written."""

    expires_at: datetime
    limited_by: str
    profile_id: int | None
    frozen_at: datetime | None


@dataclass(frozen=True, slots=True)
class Pack:
    """
    Cases of one lot on one unit: what is asked about their life.

    ``profile_id`` is the profile that aged them so far, or the cases they were picked from.
    """

    content_id: int
    unit_id: int
    product_id: int
    best_before_on: date
    split_at: datetime | None
    profile_id: int | None
    held: Held | None


@dataclass(frozen=True, slots=True)
class Aged:
    """
    What is left of one pack as of an instant.

    Packs of one history hold the same arrays in ``used`` … ``frozen_at``; without a profile only the label
    counts.
    """

    pack: Pack
    profile: Profile | None
    path: Path
    start_core_c: float | None
    expires_at: datetime
    limited_by: str
    used: dict[str, float]
    core_c: float | None
    bridged_s: int
    frozen_at: datetime | None


def aged(
    session: Session,
    site_id: int,
    now: datetime,
    *,
    content_ids: Collection[int] | None = None,
    use_newest: bool = False,
) -> list[Aged]:
    """
    Return what is left of packs, as the readings held now have it.

    Parameters
    ----------
    content_ids
        None: all with cases left on units that are still here.
    use_newest
        Age by the newest profile of the product; else each pack keeps the version that aged it before.
    """
    packs = packs_of(session, site_id, content_ids)
    profiles = profiles_for(session, site_id, packs, use_newest=use_newest)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    labels = {day: label_end(day, zone) for day in {pack.best_before_on for pack in packs}}
    wanted = None if content_ids is None else {pack.content_id for pack in packs}
    paths = paths_of(stock.paths(session, site_id, wanted), now)
    starts = stock.start_core_c(session, site_id, wanted)
    shared: dict[tuple[int, Path, float | None], list[Pack]] = defaultdict(list)
    found = []
    for pack in packs:
        path, start_c = paths.get(pack.content_id, ()), starts.get(pack.content_id)
        profile = profiles.get(pack.content_id)
        if profile is None or not path:
            end = labels[pack.best_before_on]
            found.append(Aged(pack, profile, path, start_c, end, BEST_BEFORE, {}, None, 0, None))
        else:
            shared[profile.id, path, start_c].append(pack)
    airs = airs_of(session, site_id, (path for _, path, _ in shared))
    by_profile: dict[int, list[tuple[int, Path, float | None]]] = defaultdict(list)
    for key in shared:
        by_profile[key[0]].append(key)
    for keys in by_profile.values():
        profile = profiles[shared[keys[0]][0].content_id]
        assert profile is not None
        courses = [lived(cut_legs(airs, path), profile, start_core_c=start_c) for _, path, start_c in keys]
        for key, (course, end, limited_by) in zip(keys, _ends(courses, profile, now), strict=True):
            found += _aged(shared[key], profile, key, course, end, limited_by, labels)
    return found


def _ends(courses: list[Lived], profile: Profile, now: datetime) -> Iterable[tuple[Lived, datetime, str]]:
    used = np.array([course.used[:, -1] for course in courses])
    core_c = np.array([course.core_c[-1] for course in courses])
    days, limiting = days_left(used, core_c, profile)
    for course, left, route in zip(courses, days, limiting, strict=True):
        spent = spent_at_s(course)
        if spent is None:
            yield course, now + timedelta(days=float(left)), profile.routes[route].name
        else:
            # Its end lies behind us and stays there, however late one looks.
            yield course, datetime.fromtimestamp(spent[0], UTC), profile.routes[spent[1]].name


def _aged(
    packs: list[Pack],
    profile: Profile,
    key: tuple[int, Path, float | None],
    course: Lived,
    end: datetime,
    limited_by: str,
    labels: Mapping[date, datetime],
) -> Iterable[Aged]:
    frozen_s = frozen_at_s(
        course.at_s, course.core_c, limit_c=profile.freezing_c, minutes=profile.freezing_minutes
    )
    frozen_at = None if frozen_s is None else datetime.fromtimestamp(frozen_s, UTC)
    used = {route.name: float(share) for route, share in zip(profile.routes, course.used[:, -1], strict=True)}
    core_c, bridged_s = float(course.core_c[-1]), round(course.bridged_s)
    for pack in packs:
        label = labels[pack.best_before_on]
        # On equal dates the label has the word: it is what the customer sees.
        ends = (label, BEST_BEFORE) if label <= end else (end, limited_by)
        yield Aged(pack, profile, key[1], key[2], *ends, used, core_c, bridged_s, frozen_at)


def packs_of(session: Session, site_id: int, content_ids: Collection[int] | None) -> list[Pack]:
    """Return packs with what was written about them before."""
    own, parent = aliased(Life), aliased(Life)
    statement = (
        select(
            col(UnitContent.id),
            col(UnitContent.unit_id),
            col(Lot.product_id),
            col(Lot.best_before_on),
            col(UnitContent.split_at),
            func.coalesce(col(own.profile_id), col(parent.profile_id)),
            col(own.expires_at),
            col(own.limited_by),
            col(own.profile_id),
            col(own.frozen_at),
        )
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(UnitContent.site_id) == site_id)
        .order_by(col(UnitContent.id))
    )
    if content_ids is None:
        statement = statement.where(col(Unit.state).in_(HERE), col(UnitContent.cases) > 0)
        return [_pack(row) for row in session.execute(statement)]
    ordered = sorted(set(content_ids))
    parts = (ordered[start : start + 10_000] for start in range(0, len(ordered), 10_000))
    return [
        _pack(row)
        for part in parts
        for row in session.execute(statement.where(col(UnitContent.id).in_(part)))
    ]


def _pack(row: Sequence[Any]) -> Pack:
    content_id, unit_id, product_id, best_before_on, split_at, profile_id, expires_at, *rest = row
    held = None if expires_at is None else Held(expires_at, *rest)
    return Pack(content_id, unit_id, product_id, best_before_on, split_at, profile_id, held)


def profiles_for(
    session: Session, site_id: int, packs: list[Pack], *, use_newest: bool
) -> dict[int, Profile | None]:
    newest = newest_profiles(session, site_id)
    older = {pack.profile_id for pack in packs if pack.profile_id is not None and not use_newest}
    rows: dict[int, AgeingProfile] = {
        **profiles_by_id(session, site_id, older),
        **{row.id: row for row in newest.values()},
    }
    cores = {key: core_profile(row) for key, row in rows.items()}
    chosen: dict[int, Profile | None] = {}
    for pack in packs:
        held = None if use_newest or pack.profile_id is None else cores.get(pack.profile_id)
        latest = newest.get(pack.product_id)
        chosen[pack.content_id] = held or (None if latest is None else cores[latest.id])
    return chosen


def paths_of(legs: Mapping[int, list[Leg]], until_at: datetime) -> dict[int, Path]:
    """Return paths in seconds, up to an instant."""
    end_s = until_at.timestamp()
    # Many contents share their legs' instants; each is converted once.
    seconds: dict[datetime, float] = {}

    def second(at: datetime) -> float:
        if at not in seconds:
            seconds[at] = min(at.timestamp(), end_s)
        return seconds[at]

    return {
        content_id: tuple(
            (leg.zone_id, second(leg.entered_at), end_s if leg.left_at is None else second(leg.left_at))
            for leg in stays
            if leg.entered_at < until_at
        )
        for content_id, stays in legs.items()
    }


def airs_of(session: Session, site_id: int, paths: Iterable[Path]) -> dict[int, Air]:
    """Return each zone's air over the time any of the paths was there."""
    windows: dict[int, tuple[float, float]] = {}
    for path in paths:
        for zone_id, from_s, to_s in path:
            low, high = windows.get(zone_id, (from_s, to_s))
            windows[zone_id] = (min(low, from_s), max(high, to_s))
    return zone_airs(
        session,
        site_id,
        {
            zone_id: (datetime.fromtimestamp(low, UTC), datetime.fromtimestamp(high, UTC))
            for zone_id, (low, high) in windows.items()
        },
    )


def cut_legs(airs: Mapping[int, Air], path: Path) -> list[Air]:
    """Return the air of each leg of a path."""
    return [airs[zone_id].cut(from_s, to_s) for zone_id, from_s, to_s in path]
