"""Correct what a sensor said: deliberately, by QA, with a reason, the value before staying on record."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Table, delete, insert, update
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate import queries
from rimekeep.climate.core.batch import to_ms
from rimekeep.climate.core.corrections import DONE, Corrected, Correction, Wish
from rimekeep.climate.core.intake import Heard, Known
from rimekeep.climate.core.readings import PLAUSIBLE_C
from rimekeep.climate.tables import Reading, ReadingCorrection
from rimekeep.climate.usecases.settled import follow_changes, put_back
from rimekeep.errors import invalid
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say

MAX_CORRECTIONS = 1_000
READINGS: Table = Reading.__table__  # type: ignore[attr-defined]
Key = tuple[int, int]


def correct_readings(
    session: Session, now: datetime, caller: Caller, wishes: Sequence[Wish], *, reason: str
) -> list[Corrected]:
    """
    Put other values in place of readings that are held, or strike them out; return one answer each, in order.

    The value before, who changed it and why stay on record. A reading struck out forms the air no longer, and
    does not come back when its gateway sends it again; a correction of it puts it back. Wishes that cannot be
    met cost the others nothing.

    Raises
    ------
    Invalid
        More than 1,000 corrections at once; nothing is changed then.
    """
    if len(wishes) > MAX_CORRECTIONS:
        raise invalid(
            "corrections",
            say("There are {n} corrections.", n=len(wishes)),
            say("Send at most {MAX_CORRECTIONS} at once.", MAX_CORRECTIONS=MAX_CORRECTIONS),
            code="batch-too-large",
        )
    asked = {one.sensor for one in wishes}
    sensors = {heard.code: heard for heard in queries.lock_heard(session, caller.site_id, asked)}
    keys = [(sensors[one.sensor].id, to_ms(one.at)) for one in wishes if one.sensor in sensors]
    known = queries.known_instants(session, caller.site_id, sorted(set(keys)))
    answers: list[Corrected] = []
    done: dict[Key, Corrected] = {}
    for wish in wishes:
        heard = sensors.get(wish.sensor)
        answer = _judge(wish, heard, known, done)
        answers.append(answer)
        if heard is not None and answer.word in DONE:
            done[heard.id, to_ms(wish.at)] = answer
    if done:
        _apply(session, now, caller, done, reason)
        _follow(session, now, caller.site_id, {heard.id: heard for heard in sensors.values()}, done)
        for heard in sensors.values():
            mine = [[key[1], one.before_c, one.after_c] for key, one in done.items() if key[0] == heard.id]
            if mine:
                data = {"sensor_id": heard.id, "sensor": heard.code, "readings": mine}
                event = Event("readings.corrected", now, actor_id=caller.id, reason=reason, data=data)
                record(session, caller.site_id, event)
    return answers


def _judge(wish: Wish, heard: Heard | None, known: dict[Key, Known], done: dict[Key, Corrected]) -> Corrected:
    if heard is None:
        shown = wish.sensor[:40]
        return Corrected(
            Correction.UNKNOWN_SENSOR,
            field="sensor",
            detail=f"There is no sensor {shown!r} at this site.",
            mend="Mend the code.",
        )
    key = heard.id, to_ms(wish.at)
    low_c, high_c = PLAUSIBLE_C
    if wish.temp_c is not None and not low_c <= wish.temp_c <= high_c:
        return Corrected(
            Correction.NOT_A_TEMPERATURE,
            field="temp",
            detail=f"{wish.temp_c} °C is not from {low_c:g} to {high_c:g} °C.",
            mend="Send what it was, or null to strike the reading out.",
        )
    if key[1] < heard.closed_ms:
        return Corrected(
            Correction.BOOKS_CLOSED,
            field="at",
            detail="Readings of that time have been thinned; the books are closed.",
            mend="Leave it as it is.",
        )
    if key in done:
        return Corrected(
            Correction.TWICE, field="at", detail="It is corrected twice here.", mend="Send it once."
        )
    found = known.get(key, Known())
    if found.waiting_c is not None:
        return Corrected(
            Correction.WAITS, field="at", detail="The reading waits in quarantine.", mend="Settle it there."
        )
    if found.held_c is None and not found.is_struck:
        return Corrected(
            Correction.NO_READING,
            field="at",
            detail=f"{wish.sensor} said nothing at {wish.at.isoformat()}.",
            mend="Give the reading's own time, to the millisecond.",
        )
    if wish.temp_c == found.held_c:
        return Corrected(Correction.UNCHANGED, found.held_c, found.held_c)
    word = Correction.CORRECTED
    if wish.temp_c is None or found.held_c is None:
        word = Correction.STRUCK_OUT if wish.temp_c is None else Correction.RESTORED
    return Corrected(word, found.held_c, wish.temp_c)


def _apply(session: Session, now: datetime, caller: Caller, done: dict[Key, Corrected], reason: str) -> None:
    session.execute(
        insert(ReadingCorrection),
        [
            {
                "site_id": caller.site_id,
                "sensor_id": sensor_id,
                "at_ms": at_ms,
                "before_c": answer.before_c,
                "after_c": answer.after_c,
                "reason": reason,
                "author_id": caller.id,
                "at": now,
            }
            for (sensor_id, at_ms), answer in done.items()
        ],
    )
    for (sensor_id, at_ms), answer in done.items():
        this = (
            READINGS.c.site_id == caller.site_id,
            READINGS.c.sensor_id == sensor_id,
            READINGS.c.at_ms == at_ms,
        )
        if answer.word is Correction.STRUCK_OUT:
            session.execute(delete(READINGS).where(*this))
        elif answer.word is Correction.CORRECTED:
            session.execute(update(READINGS).where(*this).values(temp_c=answer.after_c))
    restored = {
        key: one.after_c
        for key, one in done.items()
        if one.word is Correction.RESTORED and one.after_c is not None
    }
    put_back(session, now, caller.site_id, restored)


def _follow(
    session: Session, now: datetime, site_id: int, sensors: dict[int, Heard], done: dict[Key, Corrected]
) -> None:
    changed_ms: defaultdict[int, list[int]] = defaultdict(list)
    for sensor_id, at_ms in done:
        changed_ms[sensor_id].append(at_ms)
    follow_changes(session, now, site_id, sensors, changed_ms)
