"""What the report of an excursion states, as plain JSON."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.queries import principal
from rimekeep.climate.core.air import Joined
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.core.summary import Summary
from rimekeep.excursions.core.words import KINDS, kind_words, rule_words
from rimekeep.excursions.queries.record import LotTouched
from rimekeep.excursions.queries.sensors import WatchedSensor
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.shelflife.core.label import label_end


@dataclass(frozen=True, slots=True)
class SensorSeen:
    """A sensor the report rests on, and whether its calibration was in force when the report was made."""

    code: str
    rank: int
    error_c: float
    interval_s: int
    calibration_due_on: date | None
    calibration: str


def stamp(at: datetime | None) -> str | None:
    """Return an instant as RFC 3339 writes it."""
    return None if at is None else at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def sensors_seen(
    room: Joined, row: Excursion, sensors: list[WatchedSensor], now: datetime, zone: ZoneInfo
) -> list[SensorSeen]:
    """Return the sensors a report rests on."""
    heard = {int(key) for key in np.unique(room.sensor_id)} | {row.sensor_id or 0, row.other_sensor_id or 0}
    return [
        SensorSeen(
            one.code,
            one.rank,
            one.error_c,
            one.interval_s,
            one.calibration_due_on,
            _calibration(one, now, zone),
        )
        for one in sensors
        if one.id in heard
    ]


def _calibration(sensor: WatchedSensor, now: datetime, zone: ZoneInfo) -> str:
    if sensor.calibration_due_on is None:
        return "no due date on record"
    is_over = label_end(sensor.calibration_due_on, zone) <= now
    return f"{'overdue since' if is_over else 'valid to'} {sensor.calibration_due_on.isoformat()}"


def excursion_facts(session: Session, row: Excursion) -> dict[str, Any]:
    """Return what happened, when, and who took it on."""
    who = row.acknowledged_by
    return {
        "id": row.id,
        "trip_id": row.trip_id,
        "kind": str(row.kind),
        "severity": str(row.severity),
        "what": KINDS[ExcursionKind(row.kind)],
        "started_at": stamp(row.started_at),
        "alarm_at": stamp(row.alarm_at),
        "ended_at": stamp(row.ended_at),
        "detected_at": stamp(row.detected_at),
        "peak_c": row.peak_c,
        "limit_c": row.limit_c,
        "acknowledged_at": stamp(row.acknowledged_at),
        "acknowledged_by": None if who is None else principal(session, row.site_id, who).name,
        "escalation_level": row.escalation_level,
        "merged_into_id": row.merged_into_id,
    }


def rule_facts(rule: ExcursionRule | None, core: Rule | None, row: Excursion) -> dict[str, Any]:
    """Return the rule broken, in words."""
    if rule is None or core is None:
        return {"id": None, "name": None, "words": kind_words(row.kind, row.limit_c)}
    words = rule_words(core, is_guard_of_sensor=rule.guard_c is None)
    return {"id": rule.id, "name": rule.name, "words": words}


def sensor_facts(seen: SensorSeen) -> dict[str, Any]:
    """Return a sensor with the state of its calibration."""
    due_on = seen.calibration_due_on
    return {
        "code": seen.code,
        "rank": seen.rank,
        "error_c": seen.error_c,
        "interval_s": seen.interval_s,
        "calibration_due_on": None if due_on is None else due_on.isoformat(),
        "calibration": seen.calibration,
    }


def figure_facts(figures: Summary, from_at: datetime, until_at: datetime) -> dict[str, Any]:
    """Return the figures of the time from start to end."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 3)

    def at(value: float | None) -> str | None:
        return None if value is None else stamp(datetime.fromtimestamp(value, UTC))

    return {
        "from_at": stamp(from_at),
        "until_at": stamp(until_at),
        "readings": figures.readings,
        "min_c": rounded(figures.min_c),
        "min_at": at(figures.min_at_s),
        "max_c": rounded(figures.max_c),
        "max_at": at(figures.max_at_s),
        "mean_kinetic_temperature_c": rounded(figures.kinetic_mean_c),
        "mean_kinetic_convention": "USP <1160>: activation energy 83.144 kJ/mol (10,000 K), trapezoid rule",
        "outside_s": rounded(figures.outside_s),
        "longest_outside_s": rounded(figures.longest_outside_s),
        "bridged_s": rounded(figures.bridged_s),
    }


def lot_facts(lot: LotTouched) -> dict[str, Any]:
    """Return a lot's part and what was decided about it."""
    return {
        "lot": lot.lot_code,
        "sku": lot.sku,
        "product": lot.product_name,
        "best_before_on": lot.best_before_on.isoformat(),
        "units": lot.units,
        "cases": lot.cases,
        "held_units": lot.held_units,
        "still_held_units": lot.still_held_units,
        "worst_life_lost_days": None
        if lot.worst_life_lost_days is None
        else round(lot.worst_life_lost_days, 3),
        "expires_at": stamp(lot.expires_at),
        "expires_before_at": stamp(lot.expires_before_at),
        "cautious_at": stamp(lot.cautious_at),
        "decisions": [
            {
                "id": one.id,
                "decision": one.decision,
                "best_before_on": None if one.best_before_on is None else one.best_before_on.isoformat(),
                "reason": one.reason,
                "units": one.units,
                "signed_by": one.decided_by_name,
                "signed_at": stamp(one.decided_at),
                "sha256": one.sha256,
                "is_standing": one.is_standing,
            }
            for one in lot.decisions
        ],
    }
