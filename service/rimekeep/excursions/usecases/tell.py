"""What people are told of an excursion: that it began, that it is over, and again if nobody answers."""

from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.climate.queries import sensor_codes
from rimekeep.excursions import queries
from rimekeep.excursions.core.escalation import level_due
from rimekeep.excursions.core.outlook import Outlook
from rimekeep.excursions.core.trips import aboard_words
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.excursions.usecases.touch import TouchedStock
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.stock import queries as stock


def announce_opened(
    session: Session,
    now: datetime,
    row: Excursion,
    rule: ExcursionRule | None,
    touched: TouchedStock,
    air_c: float | None,
) -> None:
    """Put a new excursion on record and tell people, once; while it runs, with the time the beer has left."""
    data = {
        **facts(session, row),
        "rule": None if rule is None else rule.name,
        "units": touched.units,
        "cases": touched.cases,
        "held_units": touched.held_units,
        "marked_units": touched.marked_units,
        "trip": _trip(session, now, row, rule, touched),
        "worst_life_lost_days": touched.worst_life_lost_days and round(touched.worst_life_lost_days, 3),
        "core": outlook_facts(queries.outlook(session, now, row, rule, air_c)),
    }
    record(session, row.site_id, Event("excursion.opened", now, data=data))
    announce(session, row.site_id, Notice("excursion.opened", now, data))


def _trip(
    session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None, touched: TouchedStock | None
) -> dict[str, Any] | None:
    """Return which trip an excursion spoils, and how much is on board for whom, as plain JSON."""
    trip = queries.trip_aboard(session, now, row, rule)
    if trip is None:
        return None
    held, marked = (0, 0) if touched is None else (touched.held_units, touched.marked_units)
    return {
        "id": trip.trip_id,
        "vehicle": trip.vehicle,
        "is_over": trip.is_over,
        "cases": trip.cases,
        "drops": [
            {
                "drop": drop.drop,
                "customer": drop.customer,
                "customer_name": drop.customer_name,
                "units": drop.units,
                "cases": drop.cases,
            }
            for drop in trip.drops
        ],
        "words": aboard_words(trip, held_units=held, marked_units=marked),
    }


def outlook_facts(outlook: Outlook | None) -> dict[str, Any] | None:
    """Return in how many hours which core passes its limit, as plain JSON."""
    if outlook is None:
        return None
    core = outlook.core
    return {
        "passes_limit": outlook.words,
        "hours": None if outlook.hours is None else round(outlook.hours, 2),
        "limit_c": round(core.limit_c, 2),
        "sku": core.sku,
        "tau_h": core.tau_h,
        "core_c": round(core.core_c, 2),
        "air_c": round(outlook.air_c, 2),
        "cases": core.cases,
    }


def announce_ended(session: Session, now: datetime, row: Excursion) -> None:
    """Put on record that an excursion is over and tell people, once."""
    if row.is_end_told:
        return
    row.is_end_told = True
    data = facts(session, row) | ({"merged_into": row.merged_into_id} if row.merged_into_id else {})
    record(session, row.site_id, Event("excursion.ended", now, data=data))
    announce(session, row.site_id, Notice("excursion.ended", now, data))


def escalate(session: Session, now: datetime, site_id: int) -> list[Excursion]:
    """
    Tell people again of excursions nobody has acknowledged in the time their rule gives.

    Once when that time is up and once when it is up twice; after a standstill only the higher level is told.
    """
    take_turns(session, f"excursions of site {site_id}")
    told = []
    for row in queries.unanswered(session, site_id):
        level = level_due(row.detected_at, row.escalate_after_s, now)
        if level <= row.escalation_level:
            continue
        row.escalation_level, row.escalated_at = level, now
        contents, cases = queries.touched_total(session, row.id)
        data = {
            **facts(session, row),
            "level": level,
            "unanswered_since": row.detected_at.isoformat(),
            "contents": contents,
            "cases": cases,
            "trip": _trip(session, now, row, _rule(session, row), None),
        }
        record(session, site_id, Event("excursion.escalated", now, data=data))
        announce(session, site_id, Notice("excursion.escalated", now, data))
        told.append(row)
    session.flush()
    return told


def _rule(session: Session, row: Excursion) -> ExcursionRule | None:
    return None if row.rule_id is None else queries.rule(session, row.site_id, row.rule_id)


def facts(session: Session, row: Excursion) -> dict[str, Any]:
    """Return what every message about an excursion says."""
    zone = stock.zone(session, row.site_id, row.zone_id)
    sensors = [key for key in (row.sensor_id, row.other_sensor_id) if key is not None]
    codes = sensor_codes(session, row.site_id, sensors) if sensors else {}
    return {
        "excursion_id": row.id,
        "kind": str(row.kind),
        "severity": str(row.severity),
        "zone": zone.code,
        "trip_id": row.trip_id,
        "sensor": codes.get(row.sensor_id or 0),
        "other_sensor": codes.get(row.other_sensor_id or 0),
        "limit_c": row.limit_c,
        "peak_c": row.peak_c,
        "started_at": row.started_at.isoformat(),
        "alarm_at": row.alarm_at.isoformat(),
        "ended_at": None if row.ended_at is None else row.ended_at.isoformat(),
    }
