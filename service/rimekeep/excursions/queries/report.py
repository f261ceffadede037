"""Everything the report of an excursion says, as plain facts."""

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any, Literal, cast
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.climate.core.air import Joined, air_between, assumed
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.queries import joined_by_zone, series_by_zone
from rimekeep.excursions.core.chart import Chart, Course, chart
from rimekeep.excursions.core.detection import judged_c
from rimekeep.excursions.core.rules import Rule, crossings
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.summary import Summary, summary
from rimekeep.excursions.core.words import CAUTIONS
from rimekeep.excursions.queries.record import Record, record_of
from rimekeep.excursions.queries.rules import core_rule
from rimekeep.excursions.queries.rules import rule as rule_by_id
from rimekeep.excursions.queries.sensors import WatchedSensor, errors_of, sensors_of
from rimekeep.excursions.queries.statement import (
    excursion_facts,
    figure_facts,
    lot_facts,
    rule_facts,
    sensor_facts,
    sensors_seen,
    stamp,
)
from rimekeep.excursions.tables import Excursion, ExcursionContent, ExcursionRule
from rimekeep.shelflife.core.thermal import core_temperature
from rimekeep.shelflife.queries import newest_profiles
from rimekeep.shelflife.tables import AgeingProfile, Life
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Lot, Product, UnitContent

# A core is followed from so many time constants before the picture, so that its unknown start has faded.
LEAD_TAU = 5.0
LONGEST_LEAD = timedelta(days=14)
# The picture shows a little of what was before and after.
LEAST_MARGIN = timedelta(hours=1)
LONGEST_MARGIN = timedelta(hours=24)
# A picture of years shows nothing; what is longer is shown from its last part.
LONGEST_PICTURE = timedelta(days=400)


@dataclass(frozen=True, slots=True)
class Crossed:
    """When the line between two readings met the limit."""

    at: datetime
    is_outward: bool


@dataclass(frozen=True, slots=True)
class Report:
    """
    The report of an excursion.

    ``facts`` is what it states, in plain JSON, and ``sha256`` the hash of that with keys sorted and nothing
    between them, as UTF-8; the rest is there to print it.
    """

    facts: Mapping[str, Any]
    sha256: str
    row: Excursion
    zone: ZoneInfo
    record: Record
    summary: Summary
    chart: Chart | None
    cautions: tuple[str, ...]


def crossed(session: Session, now: datetime, row: Excursion) -> list[Crossed]:
    """Return when lines between readings met the limit of an excursion's rule, before and during it."""
    if row.rule_id is None:
        return []
    rule = rule_by_id(session, row.site_id, row.rule_id)
    until_at = max(row.ended_at or now, row.started_at)
    joined = joined_by_zone(session, row.site_id, row.started_at, until_at, zone_ids=[row.zone_id])
    room = joined.get(row.zone_id)
    if room is None:
        return []
    sensors = sensors_of(session, row.site_id, is_active=None)
    return _crossed(room, core_rule(rule), _errors(room, rule, sensors))


def _crossed(room: Joined, rule: Rule, error_c: FloatArray | None) -> list[Crossed]:
    seen_c = judged_c(room.temp_c, rule, error_c)
    return [
        Crossed(datetime.fromtimestamp(one.at_s, UTC), one.is_outward)
        for one in crossings(room.at_s, seen_c, rule, max_gap_s=room.limit_s)
    ]


def _errors(
    room: Joined, rule: ExcursionRule | None, sensors: Collection[WatchedSensor]
) -> FloatArray | None:
    return errors_of(room, sensors) if rule is not None and rule.guard_c is None else None


def report(session: Session, now: datetime, row: Excursion) -> Report:
    """Return the report of an excursion as it stands."""
    site = site_of(session, row.site_id)
    zone = stock.zone(session, row.site_id, row.zone_id)
    rule = None if row.rule_id is None else rule_by_id(session, row.site_id, row.rule_id)
    core = None if rule is None else core_rule(rule)
    sensors = sensors_of(session, row.site_id, is_active=None)
    over_at = max(row.ended_at or now, row.started_at)
    start_at = max(row.started_at, over_at - LONGEST_PICTURE)
    margin = min(max((over_at - start_at) / 4, LEAST_MARGIN), LONGEST_MARGIN)
    first_at, last_at = start_at - margin, max(min(over_at + margin, now), over_at)
    packs = _packs(session, row)
    lead = min(timedelta(hours=LEAD_TAU * max((tau_h for _, tau_h in packs), default=0.0)), LONGEST_LEAD)
    heard = joined_by_zone(session, row.site_id, first_at - lead, last_at, zone_ids=[row.zone_id])
    room = heard.get(row.zone_id, Joined(*(np.empty(0),) * 3, np.empty(0, dtype=np.int64)))
    error_c = _errors(room, rule, sensors)
    figures = summary(
        room,
        _air(room, start_at, over_at, zone.planned_c),
        core,
        error_c=error_c,
        from_s=start_at.timestamp(),
        until_s=over_at.timestamp(),
    )
    met = [] if core is None else _crossed(room, core, error_c)
    time_zone = ZoneInfo(site.time_zone)
    picture = (
        None
        if row.kind == ExcursionKind.CALIBRATION or not room.at_s.size
        else chart(
            _air(room, first_at, last_at, zone.planned_c),
            start_s=row.started_at.timestamp(),
            end_s=None if row.ended_at is None else row.ended_at.timestamp(),
            alarm_s=row.alarm_at.timestamp(),
            limit_c=None if core is None else _acts_at_c(core, error_c),
            side=cast(Literal["above", "below"], "above" if rule is None else rule.side),
            crossings=[one.at.timestamp() for one in met],
            cores=[
                *_cores(room, packs, first_at - lead, first_at, last_at),
                *_pair(session, row, sensors, first_at, last_at),
            ],
            day_starts_s=_midnight(first_at, time_zone).timestamp(),
        )
    )
    record = record_of(session, row)
    stated = {
        "site": {"code": site.code, "name": site.name, "time_zone": site.time_zone},
        "zone": {"code": zone.code, "name": zone.name, "planned_c": zone.planned_c},
        "excursion": excursion_facts(session, row),
        "rule": rule_facts(rule, core, row),
        "sensors": [sensor_facts(one) for one in sensors_seen(room, row, sensors, now, time_zone)],
        "figures": figure_facts(figures, start_at, over_at),
        "crossings": [{"at": stamp(one.at), "is_outward": one.is_outward} for one in met],
        "lots": [lot_facts(one) for one in record.lots],
        "open_points": list(record.open_points),
        "is_signed_off": record.is_closed,
    }
    canonical = json.dumps(stated, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    digest = hashlib.sha256(canonical.encode()).hexdigest()
    return Report(stated, digest, row, time_zone, record, figures, picture, CAUTIONS)


def _acts_at_c(core: Rule, error_c: FloatArray | None) -> float:
    """Return where the limit acts; with sensors of different errors, where the poorest of them puts it."""
    guard_c = 0.0 if error_c is None or not error_c.size else float(error_c.max())
    return core.acts_at_c - guard_c if core.side == "above" else core.acts_at_c + guard_c


def _midnight(before: datetime, zone: ZoneInfo) -> datetime:
    return datetime.combine(before.astimezone(zone).date(), time(), zone)


def _air(room: Joined, from_at: datetime, until_at: datetime, planned_c: float) -> Any:
    if not room.at_s.size:
        return assumed(from_at.timestamp(), until_at.timestamp(), planned_c)
    return air_between(room, from_at.timestamp(), until_at.timestamp())


def _packs(session: Session, row: Excursion) -> list[tuple[str, float]]:
    """Return the quickest and the slowest pack touched: product and time constant. [h]"""
    own, parent = aliased(Life), aliased(Life)
    touched: Select[*tuple[Any, ...]] = (
        select(col(Product.id), col(Product.sku), col(AgeingProfile.tau_h))
        .select_from(ExcursionContent)
        .join(UnitContent, col(UnitContent.id) == col(ExcursionContent.content_id))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .outerjoin(
            AgeingProfile,
            (col(AgeingProfile.id) == col(own.profile_id))
            | (col(own.profile_id).is_(None) & (col(AgeingProfile.id) == col(parent.profile_id))),
        )
        .where(col(ExcursionContent.excursion_id) == row.id)
        .distinct()
    )
    newest = newest_profiles(session, row.site_id)
    known = set()
    for product_id, sku, tau_h in session.execute(touched):
        if tau_h is not None:
            known.add((tau_h, sku))
        elif product_id in newest:
            known.add((newest[product_id].tau_h, sku))
    ordered = sorted(known)
    ends = ordered[:1] + (ordered[-1:] if len({tau_h for tau_h, _ in ordered}) > 1 else [])
    return [(sku, tau_h) for tau_h, sku in ends]


def _cores(
    room: Joined, packs: list[tuple[str, float]], from_at: datetime, first_at: datetime, last_at: datetime
) -> list[Course]:
    air = air_between(room, from_at.timestamp(), last_at.timestamp())
    names = ("quickest", "slowest") if len(packs) > 1 else ("",)
    found = []
    for name, (sku, tau_h) in zip(names, packs, strict=False):
        core = core_temperature((air.at_s - air.at_s[0]) / 3600, air.temp_c, tau_h=tau_h)
        said = ", ".join(part for part in (name, f"{sku}, time constant {tau_h:g} h") if part)
        at_s = np.concatenate([[first_at.timestamp()], air.at_s[air.at_s > first_at.timestamp()]])
        found.append(Course(said, at_s, np.interp(at_s, air.at_s, core)))
    return found


def _pair(
    session: Session, row: Excursion, sensors: list[WatchedSensor], first_at: datetime, last_at: datetime
) -> list[Course]:
    """Return what each of two sensors that disagree said."""
    if row.kind != ExcursionKind.DISAGREE:
        return []
    said = series_by_zone(session, row.site_id, first_at, last_at, zone_ids=[row.zone_id])
    codes = {one.id: one.code for one in sensors}
    return [
        Course(f"sensor {codes[one.sensor_id]}", one.at_s, one.temp_c)
        for one in said.get(row.zone_id, ())
        if one.sensor_id in (row.sensor_id, row.other_sensor_id)
    ]
