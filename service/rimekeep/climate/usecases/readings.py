"""Take in readings: fast, in any order, each one answered for itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Table, bindparam, select, tuple_, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.batch import Outcome, Said, Word
from rimekeep.climate.core.readings import PLAUSIBLE_C
from rimekeep.climate.core.senml import NAME
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.errors import Fault, Invalid
from rimekeep.platform.database import epoch_ms, insert_numbers, pairs

MAX_BATCH = 10_000
# A logger that lost its clock starts again at 1970-01-01 or 2000-01-01 (common practice, no source).
EARLIEST_AT = datetime(2000, 1, 3, tzinfo=UTC)
# Keys looked up in one statement: two bound values each.
SENSORS: Table = Sensor.__table__  # type: ignore[attr-defined]
RAISE_LAST = (
    update(SENSORS)
    .where(SENSORS.c.id == bindparam("key"))
    .where(SENSORS.c.last_at_ms.is_(None) | (SENSORS.c.last_at_ms < bindparam("newest_ms")))
    .values(last_at_ms=bindparam("newest_ms"))
)
STORED = Outcome(Word.STORED)
REPEATED = Outcome(Word.REPEATED)


def take_readings(
    session: Session, now: datetime, site_id: int, readings: Sequence[Said], *, clock_skew_s: int = 120
) -> list[Outcome]:
    """
    Store readings; return one outcome per reading, in order.

    A bad reading keeps nothing from its neighbours. A repeat changes nothing; another value for an instant
    that has one is refused, so that what was seen once is never overwritten.

    Raises
    ------
    Invalid
        More than 10,000 readings at once; nothing is stored then.
    """
    check_size(len(readings))
    sensors = _lock_sensors(session, site_id, {reading[0] for reading in readings})
    outcomes: list[Outcome] = [STORED] * len(readings)
    latest_ms = epoch_ms(now) + clock_skew_s * 1000
    earliest_ms = epoch_ms(EARLIEST_AT)
    low_c, high_c = PLAUSIBLE_C
    first_said: dict[tuple[int, int], int] = {}
    for index, (code, at, temp_c) in enumerate(readings):
        heard = sensors.get(code)
        at_ms = round(at.timestamp() * 1000)
        if heard is None or not heard.is_active:
            outcomes[index] = _unknown(code, heard)
        elif not low_c <= temp_c <= high_c:  # a NaN fails this too
            outcomes[index] = _implausible(temp_c)
        elif not earliest_ms <= at_ms <= latest_ms:
            outcomes[index] = _wrong_time(at, now, clock_skew_s, is_late=at_ms > latest_ms)
        else:
            before = first_said.setdefault((heard.id, at_ms), index)
            if before != index:
                outcomes[index] = _compare(readings[before][2], temp_c)
    _settle_held(session, site_id, sensors, readings, first_said, outcomes)
    _insert(session, now, site_id, readings, first_said)
    return outcomes


def check_size(count: int) -> None:
    """Refuse a batch nobody should send in one piece."""
    if count > MAX_BATCH:
        raise Invalid(
            "batch-too-large",
            "The batch is too large; nothing was stored.",
            (Fault("readings", f"It holds {count} readings.", f"Send at most {MAX_BATCH} at once."),),
        )


@dataclass(frozen=True, slots=True)
class _Heard:
    id: int
    is_active: bool
    last_at_ms: int | None


def _lock_sensors(session: Session, site_id: int, codes: set[str]) -> dict[str, _Heard]:
    # The rows stay locked until the commit: two gateways that send for one sensor take turns, so what is new
    # can be told from what is held. In order of id, so that they cannot block each other.
    statement = (
        select(col(Sensor.code), col(Sensor.id), col(Sensor.is_active), col(Sensor.last_at_ms))
        .where(
            col(Sensor.site_id) == site_id,
            col(Sensor.code).in_([code for code in codes if NAME.fullmatch(code)]),
        )
        .order_by(col(Sensor.id))
        .with_for_update()
    )
    return {row[0]: _Heard(row[1], row[2], row[3]) for row in session.execute(statement)}


def _settle_held(
    session: Session,
    site_id: int,
    sensors: dict[str, _Heard],
    readings: Sequence[Said],
    first_said: dict[tuple[int, int], int],
    outcomes: list[Outcome],
) -> None:
    """Compare readings not newer than their sensor's newest with what is held; take held ones out."""
    newest = {heard.id: heard.last_at_ms for heard in sensors.values() if heard.last_at_ms is not None}
    late = [key for key in first_said if key[1] <= newest.get(key[0], -1)]
    held = _held(session, site_id, late)
    if not held:
        return
    for key, temp_c in held.items():
        outcomes[first_said[key]] = _compare(temp_c, readings[first_said[key]][2])
    # Repeats inside the batch are compared with what is held, not with the neighbour that was refused.
    ids = {code: heard.id for code, heard in sensors.items()}
    for index, (code, at, temp_c) in enumerate(readings):
        if outcomes[index].word in (Word.REPEATED, Word.DIFFERS):
            key = (ids[code], round(at.timestamp() * 1000))
            if key in held:
                outcomes[index] = _compare(held[key], temp_c)
    for key in held:
        del first_said[key]


def _held(session: Session, site_id: int, keys: list[tuple[int, int]]) -> dict[tuple[int, int], float]:
    if not keys:
        return {}
    asked = tuple_(col(Reading.sensor_id), col(Reading.at_ms)).in_(pairs(session, keys))
    rows = session.execute(
        select(col(Reading.sensor_id), col(Reading.at_ms), col(Reading.temp_c)).where(
            col(Reading.site_id) == site_id, asked
        )
    )
    return {(row[0], row[1]): row[2] for row in rows}


def _insert(
    session: Session,
    now: datetime,
    site_id: int,
    readings: Sequence[Said],
    new: dict[tuple[int, int], int],
) -> None:
    if not new:
        return
    newest: dict[int, int] = {}
    for sensor_id, at_ms in new:
        if at_ms > newest.get(sensor_id, -1):
            newest[sensor_id] = at_ms
    columns: dict[str, Sequence[int | float]] = {
        "site_id": [site_id] * len(new),
        "sensor_id": [key[0] for key in new],
        "at_ms": [key[1] for key in new],
        "temp_c": [float(readings[index][2]) for index in new.values()],
        "received_at_ms": [epoch_ms(now)] * len(new),
    }
    insert_numbers(session, Reading.__table__, columns)  # type: ignore[attr-defined]
    raised = [{"key": sensor_id, "newest_ms": at_ms} for sensor_id, at_ms in sorted(newest.items())]
    session.connection().execute(RAISE_LAST, raised)


def _compare(held_c: float, temp_c: float) -> Outcome:
    if held_c == temp_c:
        return REPEATED
    return Outcome(
        Word.DIFFERS,
        "temp",
        f"{held_c:g} °C is held for this instant, {temp_c:g} °C was sent.",
        "A reading is never overwritten; give the second value its own time, or leave it out.",
    )


def _unknown(code: str, heard: _Heard | None) -> Outcome:
    if heard is not None:
        return Outcome(
            Word.UNKNOWN_SENSOR,
            "sensor",
            f"Sensor {code} is switched off.",
            "Register its successor under a new code.",
        )
    shown = code if len(code) <= 40 else code[:40] + "…"
    return Outcome(
        Word.UNKNOWN_SENSOR,
        "sensor",
        f"There is no sensor {shown!r} at this site.",
        "Register it first, or mend the code.",
    )


def _implausible(temp_c: float) -> Outcome:
    low_c, high_c = PLAUSIBLE_C
    return Outcome(
        Word.NOT_A_TEMPERATURE,
        "temp",
        f"{temp_c} °C is not from {low_c:g} to {high_c:g} °C.",
        "Check the unit and the probe; leave readings of a faulty probe out.",
    )


def _wrong_time(at: datetime, now: datetime, clock_skew_s: int, *, is_late: bool) -> Outcome:
    if is_late:
        return Outcome(
            Word.IN_THE_FUTURE,
            "at",
            f"{at.isoformat()} is more than {clock_skew_s} s after {now.isoformat(timespec='seconds')}.",
            "Set the logger's clock and time zone.",
        )
    return Outcome(
        Word.NOT_AN_INSTANT,
        "at",
        f"{at.isoformat()} is before {EARLIEST_AT.date()}.",
        "The logger has lost its clock: set it, and send the true time.",
    )
