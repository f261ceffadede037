"""Register sensors, move and calibrate them, switch them off."""

import math
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate import queries
from rimekeep.climate.core.batch import at_of
from rimekeep.climate.core.changes import Changed
from rimekeep.climate.core.offsets import MAX_OFFSET_C, NONE
from rimekeep.climate.core.senml import NAME
from rimekeep.climate.tables import Sensor, SensorOffset, SensorPlace
from rimekeep.climate.usecases.changes import by_stay, note_changes
from rimekeep.errors import Conflict, invalid, refused
from rimekeep.platform.database import epoch_ms
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import ZoneKind
from rimekeep.stock.tables import Zone
from rimekeep.wording import say

MAX_CODE = 80
MAX_INTERVAL_S = 86_400
# A logger that lost its clock starts again at 1970-01-01 or 2000-01-01 (common practice, no source).
EARLIEST_AT = datetime(2000, 1, 3, tzinfo=UTC)


def register_sensor(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    code: str,
    zone_id: int,
    interval_s: int,
    error_c: float = 0.5,
    rank: int = 1,
    calibration_due_on: date | None = None,
    stands_since: datetime | None = None,
) -> Sensor:
    """
    Register a logger of a room's air; its code is its name in SenML packs too.

    ``stands_since`` tells from when on it speaks for the room; without it, ever since its first reading.
    """
    if len(code) > MAX_CODE or not NAME.fullmatch(code):
        raise invalid(
            "code",
            say("This is not a name a sensor can have."),
            say(
                "Use up to {MAX_CODE} letters, digits and - : . / _ and start with a letter or digit.",
                MAX_CODE=MAX_CODE,
            ),
        )
    if not 1 <= interval_s <= MAX_INTERVAL_S:
        raise invalid(
            "interval_s",
            say(
                "{interval_s} s is not 1 to {MAX_INTERVAL_S}.",
                interval_s=interval_s,
                MAX_INTERVAL_S=MAX_INTERVAL_S,
            ),
            say("Give how often it reports."),
        )
    if not (math.isfinite(error_c) and 0 <= error_c <= 10):
        raise invalid(
            "error_c",
            say("{error_c} is not 0 to 10 °C.", error_c=error_c),
            say("Take it from the calibration certificate."),
        )
    if not 1 <= rank <= 100:
        raise invalid(
            "rank",
            say("{rank} is not 1 to 100.", rank=rank),
            say("Give 1 to the sensor that speaks for the room."),
        )
    if stands_since is not None and not EARLIEST_AT <= stands_since <= now:
        raise invalid(
            "stands_since",
            say(
                "{stands_since} is not from {date} to now.",
                stands_since=stands_since.isoformat(),
                date=EARLIEST_AT.date(),
            ),
            say("Give when it was put up, or leave it out."),
        )
    zone = _measurable(session, caller.site_id, zone_id)
    since_ms = epoch_ms(stands_since or EARLIEST_AT)
    taken = select(col(Sensor.id)).where(col(Sensor.site_id) == caller.site_id, col(Sensor.code) == code)
    if session.scalar(taken) is not None:
        raise Conflict("sensor-exists", say("There is a sensor {code} already.", code=code))
    added = Sensor(
        site_id=caller.site_id,
        zone_id=zone.id,
        stands_since_ms=since_ms,
        code=code,
        interval_s=interval_s,
        error_c=error_c,
        rank=rank,
        calibration_due_on=calibration_due_on,
        registered_at=now,
    )
    session.add(added)
    session.flush()
    session.add(
        SensorPlace(
            sensor_id=added.id,
            zone_id=zone.id,
            from_ms=since_ms,
            reason="registered",
            author_id=caller.id,
            at=now,
        )
    )
    record(
        session,
        caller.site_id,
        Event(
            "sensor.registered",
            now,
            actor_id=caller.id,
            data={"id": added.id, "code": code, "zone": zone.code, "interval_s": interval_s, "rank": rank},
        ),
    )
    return added


def _measurable(session: Session, site_id: int, zone_id: int) -> Zone:
    """Return a zone a sensor can stand in: one customer's air says nothing about another's."""
    zone = stock.zone(session, site_id, zone_id)
    if zone.kind == ZoneKind.CUSTOMER:
        raise invalid(
            "zone_id",
            say("{code} stands for customers' places.", code=zone.code),
            say("Give a room or a vehicle's load space."),
        )
    return zone


def move_sensor(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    sensor_id: int,
    zone_id: int,
    at: datetime | None = None,
    reason: str,
) -> Sensor:
    """
    Say that a sensor stands in another room since an instant, which may be past.

    Its readings from then on, until the next move known, are that room's air; both rooms' air is computed
    anew. A move said of the same instant as one before takes its place, so a mistaken one is taken back by
    naming the old room at the same instant.
    """
    found = queries.sensor(session, caller.site_id, sensor_id, is_locked=True)
    zone = _measurable(session, caller.site_id, zone_id)
    at = at or now
    from_ms = epoch_ms(at)
    _check_past(session, now, caller.site_id, at, "at")
    stays = queries.stays(session, caller.site_id, sensor_id)
    before = next((stay for stay in reversed(stays) if stay.from_ms <= from_ms), None)
    if before is None:
        raise invalid(
            "at",
            say(
                "Sensor {code} was first put up at {at_of}.",
                code=found.code,
                at_of=at_of(stays[0].from_ms).isoformat(),
            ),
            say("Give a later instant."),
        )
    if before.zone_id == zone.id:
        raise Conflict(
            "sensor-stands-there",
            say(
                "Sensor {code} stood in {zone_code} at that time already.",
                code=found.code,
                zone_code=zone.code,
            ),
        )
    session.add(
        SensorPlace(
            sensor_id=found.id, zone_id=zone.id, from_ms=from_ms, reason=reason, author_id=caller.id, at=now
        )
    )
    until_ms = next((stay.from_ms for stay in stays if stay.from_ms > from_ms), None)
    if until_ms is None:
        found.zone_id, found.stands_since_ms = zone.id, from_ms
    session.flush()
    last_ms = max(from_ms, epoch_ms(now) if until_ms is None else until_ms - 1)
    note_changes(
        session,
        now,
        caller.site_id,
        [
            Changed(found.id, room_id, from_ms, last_ms, None, None, is_moved=True)
            for room_id in (before.zone_id, zone.id)
        ],
    )
    data = {"id": found.id, "code": found.code, "zone": zone.code, "since": at.isoformat()}
    record(session, caller.site_id, Event("sensor.moved", now, actor_id=caller.id, reason=reason, data=data))
    return found


def calibrate_sensor(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    sensor_id: int,
    offset_c: float,
    applies_from: datetime,
    calibrated_on: date,
    due_on: date | None = None,
    reason: str,
) -> SensorOffset:
    """
    Put a calibration on record: what is added to the sensor's raw readings from an instant on.

    The readings themselves stay as they were sent; the air is computed anew from ``applies_from`` until the
    next calibration known. When the sensor is due again follows the newest calibration.
    """
    found = queries.sensor(session, caller.site_id, sensor_id, is_locked=True)
    if not (math.isfinite(offset_c) and abs(offset_c) <= MAX_OFFSET_C):
        raise invalid(
            "offset_c",
            say(
                "{offset_c} °C is not from -{MAX_OFFSET_C:g} to {MAX_OFFSET_C:g} °C.",
                offset_c=offset_c,
                MAX_OFFSET_C=MAX_OFFSET_C,
            ),
            say("Replace a sensor that is further off."),
        )
    if calibrated_on > now.date() + timedelta(days=1):
        raise invalid(
            "calibrated_on",
            say("{calibrated_on} is to come.", calibrated_on=calibrated_on),
            say("Send it once it is done."),
        )
    if due_on is not None and due_on <= calibrated_on:
        raise invalid(
            "due_on",
            say("{due_on} is not after {calibrated_on}.", due_on=due_on, calibrated_on=calibrated_on),
            say("Give the day it is due again."),
        )
    _check_past(session, now, caller.site_id, applies_from, "applies_from")
    from_ms = epoch_ms(applies_from)
    newest_on = queries.newest_calibration_on(session, found.id)
    steps = queries.offsets(session, [found.id]).get(found.id, NONE)
    added = SensorOffset(
        sensor_id=found.id,
        from_ms=from_ms,
        offset_c=offset_c,
        calibrated_on=calibrated_on,
        due_on=due_on,
        reason=reason,
        author_id=caller.id,
        at=now,
    )
    session.add(added)
    if newest_on is None or calibrated_on >= newest_on:
        found.calibration_due_on = due_on
    session.flush()
    if steps.at(from_ms) != offset_c:
        later = steps.from_ms[steps.from_ms > from_ms]
        last_ms = max(from_ms, int(later[0]) - 1 if later.size else epoch_ms(now))
        around = queries.own_neighbours(session, caller.site_id, found.id, from_ms, last_ms)
        changed = Changed(found.id, found.zone_id, from_ms, last_ms, *around)
        note_changes(session, now, caller.site_id, list(by_stay(session, caller.site_id, [changed])))
    data = {
        "id": found.id,
        "code": found.code,
        "offset_c": offset_c,
        "applies_from": applies_from.isoformat(),
        "calibrated_on": calibrated_on.isoformat(),
        "due_on": None if due_on is None else due_on.isoformat(),
    }
    record(
        session, caller.site_id, Event("sensor.calibrated", now, actor_id=caller.id, reason=reason, data=data)
    )
    return added


def _check_past(session: Session, now: datetime, site_id: int, at: datetime, field: str) -> None:
    if not EARLIEST_AT <= at <= now:
        raise invalid(
            field,
            say("{at} is not from {date} to now.", at=at.isoformat(), date=EARLIEST_AT.date()),
            say("Say it once it is so."),
        )
    closed_at = queries.closed_until(session, site_id)
    if closed_at is not None and at < closed_at:
        raise refused(
            "books-closed",
            field,
            say(
                "Readings before {closed_at} have been thinned; the books are closed.",
                closed_at=closed_at.isoformat(),
            ),
            say("Say it from {closed_at} on.", closed_at=closed_at.isoformat()),
        )


def switch_off_sensor(
    session: Session, now: datetime, caller: Caller, *, sensor_id: int, reason: str
) -> Sensor:
    """Listen to a sensor no longer; what it said stays part of the room's air, and it is not missed."""
    found = queries.sensor(session, caller.site_id, sensor_id, is_locked=True)
    if not found.is_active:
        raise Conflict("sensor-off", say("Sensor {code} is switched off already.", code=found.code))
    found.is_active = False
    last_ms = epoch_ms(now)
    first_ms = min(last_ms, found.last_at_ms or last_ms)
    around = Changed(found.id, found.zone_id, first_ms, last_ms, None, None, is_moved=True)
    note_changes(session, now, caller.site_id, [around])
    record(
        session,
        caller.site_id,
        Event(
            "sensor.switched-off",
            now,
            actor_id=caller.id,
            reason=reason,
            data={"id": found.id, "code": found.code},
        ),
    )
    return found
