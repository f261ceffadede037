"""The sensors a batch of readings speaks of, as they are known before it."""

from collections.abc import Collection

from sqlalchemy import Table, bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.intake import Heard
from rimekeep.climate.core.senml import NAME
from rimekeep.climate.tables import ReadingBooks, Sensor
from rimekeep.platform.straight import Among, Prepared, ask

SENSORS: Table = Sensor.__table__  # type: ignore[attr-defined]
_CLOSED = Prepared(
    select(col(ReadingBooks.closed_until_ms)).where(col(ReadingBooks.site_id) == bindparam("site_id"))
)
# Every batch runs it. The rows stay locked until the commit: two gateways that send for one sensor take
# turns, so what is new can be told from what is held. In order of id, so that they cannot block each other.
_LOCK = Prepared(
    select(
        SENSORS.c.id,
        SENSORS.c.code,
        SENSORS.c.zone_id,
        SENSORS.c.stands_since_ms,
        SENSORS.c.is_active,
        SENSORS.c.last_at_ms,
        SENSORS.c.last_c,
        SENSORS.c.heard_ms,
        SENSORS.c.has_quarantined,
    )
    .where(SENSORS.c.site_id == bindparam("site_id"), Among(SENSORS.c.code, "codes"))
    .order_by(SENSORS.c.id)
    .with_for_update(of=SENSORS)
)


def lock_heard(
    session: Session, site_id: int, codes: Collection[str], *, is_recent: bool = False
) -> list[Heard]:
    """
    Return the sensors of these codes; nobody else changes them until this transaction ends.

    Whoever thins readings holds the sensors too. So where the books are closed is asked when the sensors
    have been locked, and not in one statement with that: it would still show what was before the wait.
    Readings that ``is_recent`` says are surely not thinned yet need not ask.
    """
    # What is no name of a sensor is not asked for: a NUL, for one, no database takes.
    asked = [code for code in codes if NAME.fullmatch(code)]
    rows = ask(session, _LOCK, {"site_id": site_id, "codes": asked})
    closed = [] if is_recent else ask(session, _CLOSED, {"site_id": site_id})
    closed_ms: int = closed[0][0] if closed else 0
    return [Heard(*(*row, closed_ms)) for row in rows]
