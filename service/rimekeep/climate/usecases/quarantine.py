"""Set readings aside that can hardly be meant; settle them by QA's word."""

from collections.abc import Collection, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Table, insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate import queries
from rimekeep.climate.core.batch import Batch, Outcome, at_of
from rimekeep.climate.core.intake import Heard, Rows, waits
from rimekeep.climate.core.quarantine import Candidate, Neighbour, Verdict, quarantined
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.tables import QuarantinedReading
from rimekeep.climate.usecases.settled import follow_changes, put_back
from rimekeep.errors import Conflict, missing, refused
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.units import f_to_c
from rimekeep.wording import say

QUARANTINE: Table = QuarantinedReading.__table__  # type: ignore[attr-defined]


def set_aside(
    session: Session,
    now: datetime,
    site_id: int,
    sensors: Sequence[Heard],
    rows: Rows,
    held: tuple[FloatArray, FloatArray],
    under: Collection[int],
    batch: Batch,
    faults: dict[int, Outcome],
) -> NDArray[np.bool_]:
    """
    Put into quarantine what looks like °F, of the sensors under suspicion; return which rows that are.

    People are told once per sensor, and not again until its quarantine has been settled.
    """
    aside = np.zeros(rows.slot.size, dtype=bool)
    waiting = queries.waiting(session, [sensors[slot].id for slot in under if sensors[slot].has_quarantined])
    kept = []
    for slot in sorted(under):
        heard = sensors[slot]
        places = np.flatnonzero(rows.slot == slot).tolist()
        readings = [_candidate(rows, place, held, batch) for place in places]
        before = [Neighbour(at_ms / 1000, f_to_c(temp_c)) for at_ms, temp_c in waiting.get(heard.id, ())]
        found = quarantined(readings, before)
        for place, neighbour in found.items():
            row = places[place]
            temp_c = readings[place].temp_c
            why = (
                f"{temp_c:g} °C cannot follow {neighbour.temp_c:.3g} °C within the hour; {temp_c:g} °F could."
            )
            aside[row] = True
            faults[int(rows.place[row])] = waits(why)
            kept.append(
                {
                    "site_id": site_id,
                    "sensor_id": heard.id,
                    "at_ms": int(rows.at_ms[row]),
                    "temp_c": temp_c,
                    "sent": f"{temp_c!r} Cel",
                    "reason": why,
                    "received_at": now,
                }
            )
        if found and not heard.has_quarantined:
            _tell(session, now, site_id, heard, readings[min(found)])
    if kept:
        session.connection().execute(insert(QUARANTINE), kept)
    return aside


def _candidate(rows: Rows, place: int, held: tuple[FloatArray, FloatArray], batch: Batch) -> Candidate:
    held_ms, held_c = float(held[0][place]), float(held[1][place])
    return Candidate(
        float(rows.at_ms[place]) / 1000,
        float(rows.temp_c[place]),
        None if np.isnan(held_ms) else Neighbour(held_ms / 1000, held_c),
        is_celsius=int(rows.row[place]) not in batch.other_units,
    )


def _tell(session: Session, now: datetime, site_id: int, heard: Heard, first: Candidate) -> None:
    data = {
        "sensor_id": heard.id,
        "sensor": heard.code,
        "zone_id": heard.zone_id,
        "from_at": at_of(round(first.at_s * 1000)).isoformat(),
        "temp_c": first.temp_c,
    }
    record(session, site_id, Event("readings.quarantined", now, data=data))
    announce(session, site_id, Notice("readings.quarantined", now, data))


def settle_quarantine(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    sensor_id: int,
    verdict: Verdict,
    reading_ids: Collection[int] | None = None,
    reason: str,
) -> int:
    """
    Settle what waits of a sensor, or some of it: take it as it was sent, take it as °F, or discard it.

    What is taken becomes part of the air at once. Returns how many readings were settled.

    Raises
    ------
    Missing
        No such sensor, or a reading named does not wait.
    Conflict
        Nothing waits.
    Refused
        A reading to be taken is from a time that has been thinned.
    """
    found = queries.sensor(session, caller.site_id, sensor_id, is_locked=True)
    (heard,) = queries.lock_heard(session, caller.site_id, [found.code])
    statement = select(QuarantinedReading).where(
        col(QuarantinedReading.sensor_id) == found.id, col(QuarantinedReading.settled_at).is_(None)
    )
    waiting = {row.id: row for row in session.scalars(statement.order_by(col(QuarantinedReading.at_ms)))}
    for reading_id in reading_ids or ():
        if reading_id not in waiting:
            raise missing("waiting reading", reading_id)
    rows = [row for row in waiting.values() if reading_ids is None or row.id in reading_ids]
    if not rows:
        raise Conflict("nothing-waits", say("Nothing of sensor {code} waits in quarantine.", code=found.code))
    if verdict is not Verdict.DISCARDED:
        _take(session, now, caller.site_id, heard, rows, verdict)
    for row in rows:
        row.outcome, row.settled_reason = verdict, reason
        row.settled_at, row.settled_by_id = now, caller.id
    found.has_quarantined = len(rows) < len(waiting)
    data = {
        "sensor_id": found.id,
        "sensor": found.code,
        "verdict": verdict.value,
        "readings": [[row.id, row.at_ms, row.temp_c] for row in rows],
    }
    event = Event("quarantine.settled", now, actor_id=caller.id, reason=reason, data=data)
    record(session, caller.site_id, event)
    return len(rows)


def _take(
    session: Session,
    now: datetime,
    site_id: int,
    heard: Heard,
    rows: Sequence[QuarantinedReading],
    verdict: Verdict,
) -> None:
    if rows[0].at_ms < heard.closed_ms:
        raise refused(
            "books-closed",
            "reading_ids",
            say(
                "Readings before {at_of} have been thinned; the books are closed.",
                at_of=at_of(heard.closed_ms).isoformat(),
            ),
            say("Discard those from before it, and settle the rest by their ids."),
        )
    is_fahrenheit = verdict is Verdict.AS_FAHRENHEIT
    taken = {(heard.id, row.at_ms): f_to_c(row.temp_c) if is_fahrenheit else row.temp_c for row in rows}
    put_back(session, now, site_id, taken)
    follow_changes(session, now, site_id, {heard.id: heard}, {heard.id: [row.at_ms for row in rows]})
