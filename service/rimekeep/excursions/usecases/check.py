"""Look at what the rooms' air did and open, update or end excursions; safe to run as often as one likes."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Literal, cast

import numpy as np
from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries as climate
from rimekeep.climate.core.air import Joined
from rimekeep.climate.core.readings import GAP_INTERVALS
from rimekeep.excursions import queries
from rimekeep.excursions.core.detection import Detected, detect
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.states import ExcursionKind, Severity, Side
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.excursions.usecases.touch import announce_ended, announce_opened, touch
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record

# Older readings open no new excursion: what a gateway brings after a longer cut is looked at by people.
LOOK_BACK = timedelta(days=14)


@dataclass(slots=True)
class Checked:
    """What a check found new, ended and still running."""

    opened: list[Excursion] = field(default_factory=list)
    ended: list[Excursion] = field(default_factory=list)
    running: list[Excursion] = field(default_factory=list)


def check_site(
    session: Session, now: datetime, site_id: int, *, zone_ids: Collection[int] | None = None
) -> Checked:
    """
    Look at every rule and sensor of a site, or of some of its rooms.

    One excursion per rule and failure, however often this runs and however late readings come: what overlaps
    a known one is that one. Each new one lists the stock it touched, holds it where the rule says so, and is
    announced, all in this transaction.
    """
    # Two checks at once would both open what both find.
    take_turns(session, f"excursions of site {site_id}")
    done = Checked()
    changed: list[Excursion] = []
    _check_rules(session, now, site_id, zone_ids, done, changed)
    _check_sensors(session, now, site_id, zone_ids, done, changed)
    session.flush()
    rules = {rule.id: rule for rule in queries.active_rules(session, site_id, zone_ids=zone_ids)}
    opened = {row.id for row in done.opened}
    for row in {row.id: row for row in [*done.opened, *changed, *done.running]}.values():
        rule = rules.get(row.rule_id) if row.rule_id is not None else None
        touched = touch(session, now, row, holds_stock=rule is not None and rule.holds_stock)
        if row.id in opened:
            announce_opened(session, now, row, rule, touched)
    for row in done.ended:
        announce_ended(session, now, row)
    return done


def check_zone(session: Session, now: datetime, site_id: int, zone_id: int) -> Checked:
    """Look at every rule and sensor of one room."""
    return check_site(session, now, site_id, zone_ids=[zone_id])


def _check_rules(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    done: Checked,
    changed: list[Excursion],
) -> None:
    rules = queries.active_rules(session, site_id, zone_ids=zone_ids)
    if not rules:
        return
    first = min(_looked_at_from(rule, now) for rule in rules)
    heard = climate.joined_by_zone(session, site_id, first, now, zone_ids={rule.zone_id for rule in rules})
    known: dict[int, list[Excursion]] = defaultdict(list)
    for row in session.scalars(
        select(Excursion)
        .where(col(Excursion.rule_id).in_([rule.id for rule in rules]))
        .where(or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) >= first))
        .order_by(col(Excursion.started_at)),
        execution_options={"populate_existing": True},
    ):
        if row.rule_id is not None:
            known[row.rule_id].append(row)
    for rule in rules:
        readings = heard.get(rule.zone_id)
        if readings is not None:
            _apply(session, now, rule, _of_rule(readings, rule, now), known[rule.id], done, changed)


def _looked_at_from(rule: ExcursionRule, now: datetime) -> datetime:
    return now - LOOK_BACK if rule.kind == "single" else rule.counts_from_at


def _of_rule(readings: Joined, rule: ExcursionRule, now: datetime) -> Joined:
    # Other rules may look further back, and a sensor's last reading before all of them comes along: what lies
    # before this rule's own look-back would be found, and announced, anew on every check.
    readings = readings.since(_looked_at_from(rule, now).timestamp())
    last = int(np.searchsorted(readings.at_s, now.timestamp(), side="right"))
    return Joined(
        readings.at_s[:last], readings.temp_c[:last], readings.limit_s[:last], readings.sensor_id[:last]
    )


def _apply(
    session: Session,
    now: datetime,
    rule: ExcursionRule,
    readings: Joined,
    known: list[Excursion],
    done: Checked,
    changed: list[Excursion],
) -> None:
    side = cast(Literal["above", "below"], rule.side)
    kind = cast(Literal["single", "cumulative"], rule.kind)
    unmatched = list(known)
    for found in detect(readings, Rule(side, rule.limit_c, kind, rule.allowed_s)):
        same = next((row for row in unmatched if _is_same(found, row, rule)), None)
        if same is None:
            row = _opened(session, now, rule, found)
            done.opened.append(row)
        else:
            unmatched.remove(same)
            _absorb(session, now, found, same, unmatched, rule, done, changed)
            was_open = same.ended_at is None
            if _update(same, found):
                changed.append(same)
            if was_open and same.ended_at is not None:
                done.ended.append(same)
            row = same
        if row.ended_at is None and row not in done.opened:
            done.running.append(row)
    for row in unmatched:
        if row.ended_at is None:
            _end_refuted(row, readings, rule, done, changed)


def _is_same(found: Detected, row: Excursion, rule: ExcursionRule) -> bool:
    if rule.kind == "cumulative":
        return row.ended_at is None or row.started_at >= rule.counts_from_at
    return found.meets(row.started_at.timestamp(), row.ended_at.timestamp() if row.ended_at else None)


def _absorb(
    session: Session,
    now: datetime,
    found: Detected,
    same: Excursion,
    unmatched: list[Excursion],
    rule: ExcursionRule,
    done: Checked,
    changed: list[Excursion],
) -> None:
    """Close what ran beside ``same`` and turns out, by readings that came late, to be one failure with it."""
    for row in [one for one in unmatched if one.ended_at is None and _is_same(found, one, rule)]:
        unmatched.remove(row)
        row.ended_at = now if found.end_s is None else _instant(found.end_s)
        changed.append(row)
        done.ended.append(row)
        record(session, row.site_id, Event("excursion.merged", now, data={"id": row.id, "into": same.id}))


def _opened(session: Session, now: datetime, rule: ExcursionRule, found: Detected) -> Excursion:
    row = Excursion(
        site_id=rule.site_id,
        zone_id=rule.zone_id,
        kind=ExcursionKind.TOO_WARM if rule.side == Side.ABOVE else ExcursionKind.TOO_COLD,
        rule_id=rule.id,
        severity=rule.severity,
        started_at=_instant(found.start_s),
        alarm_at=_instant(found.alarm_s),
        ended_at=None if found.end_s is None else _instant(found.end_s),
        peak_c=found.peak_c,
        limit_c=rule.limit_c,
        detected_at=now,
    )
    session.add(row)
    session.flush()
    return row


def _update(row: Excursion, found: Detected) -> bool:
    # A look-back that begins in the middle must not move the start of what was known before.
    started_at = min(row.started_at, _instant(found.start_s))
    facts = {
        "started_at": started_at,
        "alarm_at": min(row.alarm_at, _instant(found.alarm_s)),
        "ended_at": None if found.end_s is None else _instant(found.end_s),
        "peak_c": _worse(row, found.peak_c),
    }
    moved = {name: value for name, value in facts.items() if getattr(row, name) != value}
    for name, value in moved.items():
        setattr(row, name, value)
    return bool(moved)


def _worse(row: Excursion, peak_c: float) -> float:
    if row.peak_c is None:
        return peak_c
    return max(row.peak_c, peak_c) if row.kind == ExcursionKind.TOO_WARM else min(row.peak_c, peak_c)


def _end_refuted(
    row: Excursion, readings: Joined, rule: ExcursionRule, done: Checked, changed: list[Excursion]
) -> None:
    """End an excursion that late readings show to have been short enough; it stays on record."""
    above = readings.temp_c >= rule.limit_c if rule.side == Side.ABOVE else readings.temp_c <= rule.limit_c
    inside = readings.at_s[~above & (readings.at_s > row.started_at.timestamp())]
    if inside.size:
        row.ended_at = _instant(float(inside[0]))
        changed.append(row)
        done.ended.append(row)
    else:
        done.running.append(row)


def _check_sensors(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    done: Checked,
    changed: list[Excursion],
) -> None:
    sensors = {
        sensor.id: sensor
        for sensor in climate.watched_sensors(session, site_id)
        if zone_ids is None or sensor.zone_id in zone_ids
    }
    silent = select(Excursion).where(
        col(Excursion.site_id) == site_id,
        col(Excursion.kind) == ExcursionKind.SILENT,
        col(Excursion.ended_at).is_(None),
    )
    if zone_ids is not None:
        silent = silent.where(col(Excursion.zone_id).in_(sorted(zone_ids)))
    known = {row.sensor_id: row for row in session.scalars(silent)}
    for sensor_id, row in known.items():
        sensor = sensors.get(sensor_id or 0)
        spoke_at = None if sensor is None else _instant((sensor.last_at_ms or 0) / 1000)
        if spoke_at is None or spoke_at > row.started_at:
            # It talks again, or nobody listens to it any more.
            row.ended_at = max(spoke_at or now, row.started_at)
            changed.append(row)
            done.ended.append(row)
        else:
            done.running.append(row)
    for sensor in sensors.values():
        last_at = _instant((sensor.last_at_ms or 0) / 1000)
        alarm_at = last_at + timedelta(seconds=GAP_INTERVALS * sensor.interval_s)
        running = known.get(sensor.id)
        if now <= alarm_at or (running is not None and running.ended_at is None):
            continue
        row = Excursion(
            site_id=site_id,
            zone_id=sensor.zone_id,
            kind=ExcursionKind.SILENT,
            sensor_id=sensor.id,
            severity=Severity.WARNING,
            started_at=last_at,
            alarm_at=alarm_at,
            detected_at=now,
        )
        session.add(row)
        done.opened.append(row)


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
