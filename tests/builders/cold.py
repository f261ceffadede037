"""Rooms with sensors and what they said, invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import count
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate import usecases
from rimekeep.climate.tables import Sensor
from rimekeep.stock.tables import Zone

_numbers = count(1)
Said = tuple[str, datetime, float]


def make_sensor(session: Session, now: datetime, caller: Caller, zone: Zone, **overrides: Any) -> Sensor:
    """A logger that reports every ten minutes."""
    facts: dict[str, Any] = {"code": f"log-{next(_numbers)}", "zone_id": zone.id, "interval_s": 600}
    return usecases.register_sensor(session, now, caller, **{**facts, **overrides})


def series(
    code: str,
    from_at: datetime,
    until_at: datetime,
    temp_c: float | Callable[[float], float],
    *,
    step_s: int = 600,
) -> list[Said]:
    """Readings every ``step_s`` from one instant to another; ``temp_c`` may be a function of hours since the first."""
    said = []
    for number in range(int((until_at - from_at).total_seconds()) // step_s + 1):
        hours = number * step_s / 3600
        value = temp_c(hours) if callable(temp_c) else temp_c
        said.append((code, from_at + timedelta(seconds=number * step_s), value))
    return said


def say(session: Session, now: datetime, site_id: int, readings: list[Said]) -> None:
    """Send readings that must all be taken, in batches as a gateway does."""
    for start in range(0, len(readings), usecases.MAX_BATCH):
        outcomes = usecases.take_readings(session, now, site_id, readings[start : start + usecases.MAX_BATCH])
        not_held = [outcome for outcome in outcomes if outcome.word not in ("stored", "repeated")]
        assert not not_held, not_held[0]


def words(answer: dict[str, Any], size: int) -> list[str]:
    """What became of each of ``size`` readings: "held", or the word of its fault."""
    told = ["held"] * size
    for fault in answer["faults"]:
        told[fault["index"]] = fault["outcome"]
    assert answer["stored"] + answer["repeated"] == told.count("held")
    assert answer["quarantined"] == told.count("quarantined")
    assert answer["stored"] + answer["repeated"] + answer["quarantined"] + answer["refused"] == size
    return told
