"""Take in readings: fast, in any order, each one answered for itself."""

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from sqlalchemy import Table
from sqlalchemy.orm import Session

from rimekeep.climate import queries
from rimekeep.climate.core.batch import REPEATED, Batch, Outcome, Said, Taken, columns
from rimekeep.climate.core.batch import check_size as check_batch_size
from rimekeep.climate.core.changes import Changed
from rimekeep.climate.core.intake import (
    Bounds,
    Heard,
    Known,
    Rows,
    compare,
    first_said,
    heard_ms,
    last_at_ms,
    last_held,
    sift,
    suspicious,
)
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.climate.usecases.changes import by_stay, note_changes
from rimekeep.climate.usecases.quarantine import set_aside
from rimekeep.climate.usecases.sensors import EARLIEST_AT
from rimekeep.platform.database import ensure_months, epoch_ms, insert_numbers, update_rows

MAX_BATCH = 10_000
# Readings are kept one by one for a day at least (see `thin_readings`), so what is younger than half of one
# is surely not being thinned.
SURELY_RAW_MS = 12 * 3_600_000
READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
SENSORS: Table = Sensor.__table__  # type: ignore[attr-defined]


def take_readings(
    session: Session, now: datetime, site_id: int, readings: Sequence[Said], *, clock_skew_s: int = 120
) -> list[Outcome]:
    """Store readings given one by one, as :func:`take_batch` does; return one outcome each, in order."""
    check_size(len(readings))
    return take_batch(session, now, site_id, columns(readings), clock_skew_s=clock_skew_s).outcomes()


def take_batch(
    session: Session, now: datetime, site_id: int, batch: Batch, *, clock_skew_s: int = 120
) -> Taken:
    """
    Store the readings of a batch; tell what became of each.

    A bad reading keeps nothing from its neighbours. A repeat changes nothing; another value for an instant
    that has one is refused, so that what was seen once is never overwritten by a gateway. A reading that
    lies far before its sensor's newest is late, and welcome. One that looks like °F sent as °C waits in
    quarantine.

    Raises
    ------
    Invalid
        More than 10,000 readings at once; nothing is stored then.
    """
    check_size(batch.size)
    faults = dict(batch.faults)
    repeated: set[int] = set()
    if batch.codes:
        is_recent = int(batch.at_ms.min()) > epoch_ms(now) - SURELY_RAW_MS
        sensors = queries.lock_heard(session, site_id, set(batch.codes), is_recent=is_recent)
        rows = sift(batch, sensors, _bounds(now, clock_skew_s, sensors), faults)
        rows = _new(session, site_id, sensors, rows, faults, repeated)
        if rows.slot.size:
            _store(session, now, site_id, sensors, rows, batch, faults)
    return Taken(batch.size, frozenset(repeated), faults, batch.is_pack)


def check_size(count: int) -> None:
    """Refuse a batch nobody should send in one piece."""
    check_batch_size(count, MAX_BATCH)


def _bounds(now: datetime, clock_skew_s: int, sensors: Sequence[Heard]) -> Bounds:
    return Bounds(
        now,
        clock_skew_s,
        epoch_ms(EARLIEST_AT),
        epoch_ms(now) + clock_skew_s * 1000,
        sensors[0].closed_ms if sensors else 0,
    )


def _new(
    session: Session,
    site_id: int,
    sensors: Sequence[Heard],
    rows: Rows,
    faults: dict[int, Outcome],
    repeated: set[int],
) -> Rows:
    """Return the rows nothing is known about yet; say of the others what becomes of them."""
    first = first_said(rows)
    is_late = rows.at_ms <= heard_ms(sensors)[rows.slot]
    if first.all() and not is_late.any():
        return rows
    keys = [(sensors[slot].id, at) for slot, at in zip(rows.slot.tolist(), rows.at_ms.tolist(), strict=True)]
    late = np.flatnonzero(is_late & first).tolist()
    known = queries.known_instants(session, site_id, [keys[index] for index in late])
    kept = np.ones(rows.slot.size, dtype=bool)
    for index in np.flatnonzero(is_late | ~first).tolist():
        temp_c = float(rows.temp_c[index])
        if not first[index] and keys[index] not in known:
            known[keys[index]] = Known(held_c=float(rows.temp_c[index - 1]))
        instant = known.setdefault(keys[index], Known())
        outcome = compare(instant, temp_c)
        if outcome is None:
            instant.held_c = temp_c
            continue
        kept[index] = False
        if outcome is REPEATED:
            repeated.add(int(rows.place[index]))
        else:
            faults[int(rows.place[index])] = outcome
    return rows.where(kept)


def _store(
    session: Session,
    now: datetime,
    site_id: int,
    sensors: Sequence[Heard],
    rows: Rows,
    batch: Batch,
    faults: dict[int, Outcome],
) -> None:
    newest_ms = last_at_ms(sensors)
    before_ms, before_c = last_held(rows, sensors)
    # Where the newest reading is not surely the one before, the readings themselves are asked.
    late = np.flatnonzero((rows.at_ms <= newest_ms[rows.slot]) | (np.isnan(before_c) & ~np.isnan(before_ms)))
    if late.size:
        keys = [(sensors[rows.slot[index]].id, int(rows.at_ms[index])) for index in late.tolist()]
        near = queries.held_before(session, site_id, keys)
        around = [near.get(key, (np.nan, np.nan)) for key in keys]
        before_ms[late], before_c[late] = np.array(around, dtype=np.float64).T
    is_suspect = suspicious(rows, before_ms, before_c)
    waits = {slot for slot, heard in enumerate(sensors) if heard.has_quarantined}
    all_rows = rows
    if waits or is_suspect.any():
        under = waits | set(rows.slot[is_suspect].tolist())
        aside = set_aside(session, now, site_id, sensors, rows, (before_ms, before_c), under, batch, faults)
        waits |= set(rows.slot[aside].tolist())
        rows = rows.where(~aside)
    _note_newest(session, sensors, all_rows, rows, waits)
    if rows.slot.size:
        _insert(session, now, site_id, sensors, rows)


def _note_newest(
    session: Session, sensors: Sequence[Heard], heard: Rows, stored: Rows, waits: set[int]
) -> None:
    # The last row of each sensor is its newest.
    last = stored.ends
    last_said = zip(stored.at_ms[last].tolist(), stored.temp_c[last].tolist(), strict=True)
    newest = dict(zip(stored.slot[last].tolist(), last_said, strict=True))
    last = heard.ends
    latest = dict(zip(heard.slot[last].tolist(), heard.at_ms[last].tolist(), strict=True))
    noted = []
    for slot, latest_ms in latest.items():
        before = sensors[slot]
        at_ms, temp_c = newest.get(slot, (None, None))
        if at_ms is None or (before.last_at_ms is not None and at_ms < before.last_at_ms):
            at_ms, temp_c = before.last_at_ms, before.last_c
        known_ms = latest_ms if before.heard_ms is None else max(latest_ms, before.heard_ms)
        after = (at_ms, temp_c, known_ms, slot in waits)
        if after != (before.last_at_ms, before.last_c, before.heard_ms, before.has_quarantined):
            noted.append((before.id, *after))
    update_rows(session, SENSORS, ("id", "last_at_ms", "last_c", "heard_ms", "has_quarantined"), noted)


def _insert(session: Session, now: datetime, site_id: int, sensors: Sequence[Heard], rows: Rows) -> None:
    at_ms = rows.at_ms.tolist()
    ensure_months(session, READINGS, at_ms)
    ids = np.array([heard.id for heard in sensors], dtype=np.int64)
    insert_numbers(
        session,
        READINGS,
        {
            "site_id": site_id,
            "received_at_ms": epoch_ms(now),
            "sensor_id": ids[rows.slot],
            "at_ms": rows.at_ms,
            "temp_c": rows.temp_c,
        },
    )
    stayed: list[Changed] = []
    moved: list[Changed] = []
    starts = rows.starts.tolist()
    for start, end in zip(starts, [*starts[1:], len(at_ms)], strict=True):
        heard, first_ms, last_ms = sensors[int(rows.slot[start])], at_ms[start], at_ms[end - 1]
        before_ms, after_ms = heard.last_at_ms, None
        if before_ms is not None and first_ms <= before_ms:
            before_ms, after_ms = queries.own_neighbours(session, site_id, heard.id, first_ms, last_ms)
        changed = Changed(heard.id, heard.zone_id, first_ms, last_ms, before_ms, after_ms)
        is_there = heard.stands_since_ms <= (first_ms if before_ms is None else before_ms)
        (stayed if is_there else moved).append(changed)
    note_changes(session, now, site_id, [*stayed, *by_stay(session, site_id, moved)])
