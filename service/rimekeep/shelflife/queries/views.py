"""Life as people see it: how much is used, by what, in which air, and since when."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.queries import site_of
from rimekeep.climate.core.air import Air
from rimekeep.climate.queries import sensor_codes
from rimekeep.shelflife.core.ends import remarks
from rimekeep.shelflife.core.history import Lived, lived
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.ageing import Aged, aged
from rimekeep.shelflife.queries.life import life
from rimekeep.shelflife.queries.packs import airs_of, cut_legs
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import ContentView
from rimekeep.stock.core.states import HERE
from rimekeep.stock.tables import Unit, UnitContent


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One instant of a pack's life."""

    at: datetime
    air_c: float
    core_c: float
    used: dict[str, float]


@dataclass(frozen=True, slots=True)
class LegView:
    """A stay, and how well the room was watched meanwhile."""

    zone_id: int
    zone_code: str
    from_at: datetime
    until_at: datetime
    sensors: tuple[str, ...]
    bridged_s: int
    is_assumed: bool


@dataclass(frozen=True, slots=True)
class PackView:
    """Cases that share one life; the stored dates are what picking goes by until the next refresh."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    sku: str
    cases: int
    stored_expires_at: datetime
    stored_promised_at: datetime
    stored_as_of_at: datetime | None


@dataclass(frozen=True, slots=True)
class LifeView:
    """One life, and the cases that share it."""

    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    remarks: tuple[str, ...]
    used: dict[str, float]
    core_c: float | None
    bridged_s: int
    frozen_at: datetime | None
    profile_id: int | None
    profile_version: int | None
    planned_c: float | None
    start_core_c: float | None
    packs: tuple[PackView, ...]
    legs: tuple[LegView, ...]
    curve: tuple[CurvePoint, ...]


def life_views(
    session: Session, site_id: int, now: datetime, contents: Sequence[ContentView], *, points: int
) -> list[LifeView]:
    """Return the life of contents as the readings held now have it; those that share one stand together."""
    ids = [content.id for content in contents]
    stored = life(session, site_id, ids)
    is_cautious = site_of(session, site_id).promises_by == PromisesBy.CAUTIOUS
    unit_ids = sorted({content.unit_id for content in contents})
    ssccs = {
        row[0]: row[1]
        for row in session.execute(select(col(Unit.id), col(Unit.sscc)).where(col(Unit.id).in_(unit_ids)))
    }
    by_id = {content.id: content for content in contents}
    grouped: dict[object, list[Aged]] = defaultdict(list)
    for one in aged(session, site_id, now, content_ids=ids):
        key = (one.profile and one.profile.id, one.path, one.start_core_c, one.expires_at, one.cautious_at)
        grouped[key].append(one)
    histories = [group[0] for group in grouped.values()]
    airs = airs_of(session, site_id, (one.path for one in histories))
    cuts = [cut_legs(airs, one.path) for one in histories]
    zones = {zone.id: zone.code for zone in stock.zones(session, site_id)}
    heard = {sensor_id for legs in cuts for leg in legs for sensor_id in leg.sensor_ids}
    codes = sensor_codes(session, site_id, heard)
    views = []
    for group, legs in zip(grouped.values(), cuts, strict=True):
        one = group[0]
        packs = []
        for member in group:
            content, row = by_id[member.pack.content_id], stored[member.pack.content_id]
            packs.append(
                PackView(
                    content.id,
                    content.unit_id,
                    ssccs[content.unit_id],
                    content.lot_id,
                    content.lot_code,
                    content.sku,
                    content.cases,
                    row.expires_at,
                    row.cautious_at if is_cautious else row.expires_at,
                    row.as_of_at,
                )
            )
        views.append(
            LifeView(
                expires_at=one.expires_at,
                cautious_at=one.cautious_at,
                remarks=() if one.profile is None else tuple(remarks(one.profile)),
                limited_by=one.limited_by,
                used=one.used,
                core_c=one.core_c,
                bridged_s=one.bridged_s,
                frozen_at=one.frozen_at,
                profile_id=None if one.profile is None else one.profile.id,
                profile_version=None if one.profile is None else one.profile.version,
                planned_c=None if one.profile is None else one.profile.planned_c,
                start_core_c=one.start_core_c,
                packs=tuple(packs),
                legs=tuple(_legs(one, legs, zones, codes)),
                curve=_curve(legs, one.profile, one.start_core_c, points),
            )
        )
    return views


def contents_of_lot(session: Session, site_id: int, lot_id: int) -> list[ContentView]:
    """Return the contents of a lot on units that are still here."""
    ids = session.scalars(
        select(col(UnitContent.id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .where(col(UnitContent.site_id) == site_id, col(UnitContent.lot_id) == lot_id)
        .where(col(Unit.state).in_(HERE))
    )
    return stock.contents(session, site_id, content_ids=list(ids))


def _legs(
    one: Aged, legs: Sequence[Air], zones: dict[int, str], codes: dict[int, str]
) -> Collection[LegView]:
    return [
        LegView(
            zone_id,
            zones[zone_id],
            datetime.fromtimestamp(from_s, UTC),
            datetime.fromtimestamp(to_s, UTC),
            tuple(codes[sensor_id] for sensor_id in leg.sensor_ids),
            round(leg.bridged_total_s),
            leg.is_assumed,
        )
        for (zone_id, from_s, to_s), leg in zip(one.path, legs, strict=True)
    ]


def _curve(
    legs: Sequence[Air], profile: Profile | None, start_core_c: float | None, points: int
) -> tuple[CurvePoint, ...]:
    if profile is None or not legs:
        return ()
    course: Lived = lived(legs, profile, start_core_c=start_core_c)
    shown = np.unique(np.linspace(0, course.at_s.size - 1, points).round().astype(int))
    return tuple(
        CurvePoint(
            datetime.fromtimestamp(float(course.at_s[place]), UTC),
            float(course.air_c[place]),
            float(course.core_c[place]),
            {
                route.name: float(share)
                for route, share in zip(profile.routes, course.used[:, place], strict=True)
            },
        )
        for place in shown
    )
