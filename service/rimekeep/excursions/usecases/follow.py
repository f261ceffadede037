"""Hold what was found against the excursions known: open, carry on, join, end; each failure once."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.excursions.core.detection import Detected
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.excursions.tables import Excursion, ExcursionHold
from rimekeep.platform.database import insert_new
from rimekeep.platform.journal import Event, record


@dataclass(slots=True)
class Checked:
    """What a check found new, ended and still running, and what readings that came late have changed."""

    opened: list[Excursion] = field(default_factory=list)
    ended: list[Excursion] = field(default_factory=list)
    running: list[Excursion] = field(default_factory=list)
    changed: list[Excursion] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Subject:
    """What an excursion is of: a rule, a sensor or two of them. ``counts_from_at`` marks a running count."""

    site_id: int
    zone_id: int
    kind: ExcursionKind
    severity: str
    limit_c: float | None
    escalate_after_s: int | None
    rule_id: int | None = None
    sensor_id: int | None = None
    other_sensor_id: int | None = None
    counts_from_at: datetime | None = None
    trip_id: int | None = None


def follow(
    session: Session,
    now: datetime,
    subject: Subject,
    found: Sequence[Detected],
    known: Sequence[Excursion],
    done: Checked,
    inside_after: Callable[[float], float | None],
) -> None:
    """
    Bring the excursions of one subject up to what its readings show.

    What overlaps a known excursion is that excursion. One of which people were told that it is over is never
    taken up again, so that its end is told once: if it turns out to go on, a new one follows on it, because
    nobody may be left believing that all is well.

    Parameters
    ----------
    found
        What the readings show, oldest first.
    known
        Those that run or ended within the time looked at, oldest first.
    inside_after
        The first reading inside the limit after an instant, if there is one. [s since 1970]
    """
    unmatched = list(known)
    for one in found:
        meets = _meeting(one, unmatched, subject)
        running = [row for row in meets if row.ended_at is None]
        if running:
            for row in _carry_on(session, now, one, meets, running, done):
                unmatched.remove(row)
        elif meets and one.end_s is not None:
            _settle(one, meets, done)
        else:
            told_s = max((row.ended_at.timestamp() for row in meets if row.ended_at), default=None)
            _open(session, now, subject, one, told_s, done)
    for row in unmatched:
        if row.ended_at is None:
            _end_refuted(row, inside_after, done)


def open_of(now: datetime, subject: Subject, started_at: datetime, alarm_at: datetime) -> Excursion:
    """Return a new excursion, not stored yet."""
    return Excursion(
        site_id=subject.site_id,
        zone_id=subject.zone_id,
        trip_id=subject.trip_id,
        kind=subject.kind,
        rule_id=subject.rule_id,
        sensor_id=subject.sensor_id,
        other_sensor_id=subject.other_sensor_id,
        severity=subject.severity,
        started_at=started_at,
        alarm_at=alarm_at,
        limit_c=subject.limit_c,
        escalate_after_s=subject.escalate_after_s,
        detected_at=now,
    )


def end(row: Excursion, at: datetime, done: Checked) -> None:
    """End an excursion that runs."""
    row.ended_at = max(at, row.started_at)
    done.changed.append(row)
    done.ended.append(row)


def _meeting(found: Detected, known: list[Excursion], subject: Subject) -> list[Excursion]:
    if subject.counts_from_at is not None:
        return [row for row in known if row.ended_at is None or row.started_at >= subject.counts_from_at]
    times = {
        row.id: (row.started_at.timestamp(), row.ended_at.timestamp() if row.ended_at else None)
        for row in known
    }
    meets = [row for row in known if found.meets(*times[row.id])]
    # One that follows on another begins where that ends, and shares no more than the instant with it.
    return [row for row in meets if found.overlaps(*times[row.id])] or meets


def _open(
    session: Session,
    now: datetime,
    subject: Subject,
    found: Detected,
    told_s: float | None,
    done: Checked,
) -> None:
    start_s = found.start_s if told_s is None else max(found.start_s, told_s)
    row = open_of(now, subject, instant(start_s), instant(max(found.alarm_s, start_s)))
    row.ended_at = None if found.end_s is None else instant(found.end_s)
    row.peak_c = found.peak_c
    session.add(row)
    session.flush()
    done.opened.append(row)


def _carry_on(
    session: Session,
    now: datetime,
    found: Detected,
    meets: list[Excursion],
    running: list[Excursion],
    done: Checked,
) -> list[Excursion]:
    """Follow what runs; join what ran beside it and turns out, by late readings, to be one with it."""
    told = [row for row in meets if row.ended_at is not None and row.is_end_told]
    open_to_it = [row for row in meets if row not in told]
    main, joined = open_to_it[0], [row for row in open_to_it[1:] if row.ended_at is None]
    for row in joined:
        _merge(session, now, row, main, found, done)
    floor_s = max(
        (row.ended_at.timestamp() for row in told if row.ended_at and row.started_at <= main.started_at),
        default=None,
    )
    if _update(main, found, floor_s=floor_s, ceiling_s=None):
        done.changed.append(main)
    if main.ended_at is None:
        done.running.append(main)
    else:
        done.ended.append(main)
    return [main, *joined]


def _merge(
    session: Session, now: datetime, row: Excursion, main: Excursion, found: Detected, done: Checked
) -> None:
    row.merged_into_id = main.id
    end(row, now if found.end_s is None else instant(found.end_s), done)
    held = session.execute(
        select(col(ExcursionHold.unit_id), col(ExcursionHold.reason)).where(
            col(ExcursionHold.excursion_id) == row.id
        )
    )
    # What it stopped now waits for the other's decisions.
    insert_new(
        session,
        ExcursionHold.__table__,  # type: ignore[attr-defined]
        [{"excursion_id": main.id, "unit_id": one[0], "reason": one[1]} for one in held],
    )
    record(session, row.site_id, Event("excursion.merged", now, data={"id": row.id, "into": main.id}))


def _settle(found: Detected, meets: list[Excursion], done: Checked) -> None:
    """Move the ends of what is over already, each within its neighbours."""
    for place, row in enumerate(meets):
        before = meets[place - 1].ended_at if place else None
        after = meets[place + 1].started_at if place + 1 < len(meets) else None
        moved = _update(
            row,
            found
            if len(meets) == 1
            else Detected(found.start_s, found.alarm_s, found.end_s, row.peak_c or 0.0),
            floor_s=None if before is None else before.timestamp(),
            ceiling_s=None if after is None else after.timestamp(),
        )
        if moved:
            done.changed.append(row)


def _update(row: Excursion, found: Detected, *, floor_s: float | None, ceiling_s: float | None) -> bool:
    start_s = found.start_s if floor_s is None else max(found.start_s, floor_s)
    end_s = found.end_s
    if end_s is not None and ceiling_s is not None:
        end_s = min(end_s, ceiling_s)
    facts = {
        # A look-back that begins in the middle must not move the start of what was known before.
        "started_at": min(row.started_at, instant(start_s)),
        "alarm_at": min(row.alarm_at, instant(max(found.alarm_s, start_s))),
        "ended_at": None if end_s is None else instant(end_s),
        "peak_c": _worse(row, found.peak_c),
    }
    moved = {name: value for name, value in facts.items() if getattr(row, name) != value}
    for name, value in moved.items():
        setattr(row, name, value)
    return bool(moved)


def _worse(row: Excursion, peak_c: float) -> float:
    if row.peak_c is None:
        return peak_c
    return min(row.peak_c, peak_c) if row.kind == ExcursionKind.TOO_COLD else max(row.peak_c, peak_c)


def _end_refuted(row: Excursion, inside_after: Callable[[float], float | None], done: Checked) -> None:
    """End an excursion that late readings show to have been short enough; it stays on record."""
    inside_s = inside_after(row.started_at.timestamp())
    if inside_s is None:
        done.running.append(row)
    else:
        end(row, instant(inside_s), done)


def instant(at_s: float) -> datetime:
    """Return the instant of seconds since 1970."""
    return datetime.fromtimestamp(at_s, UTC)
