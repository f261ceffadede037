"""Do units, their stays and what is on them tell one story?"""

from collections.abc import Iterator

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Bay, Stay, Unit, UnitContent


def stays_that_disagree(session: Session, site_id: int) -> Iterator[str]:
    """Yield every place where a unit, its stays, its bay or its contents contradict each other."""
    running = (
        select(col(Unit.sscc), col(Unit.state), col(Unit.zone_id), col(Stay.zone_id))
        .outerjoin(Stay, (col(Stay.unit_id) == col(Unit.id)) & col(Stay.left_at).is_(None))
        .where(col(Unit.site_id) == site_id)
    )
    # What was delivered, or left with a vehicle that has been loaded anew since, stays nowhere we know of.
    gone = (UnitState.EMPTY, UnitState.DEPARTED)
    lost = running.where(col(Stay.id).is_(None), col(Unit.state).not_in(gone))
    for row in session.execute(lost):
        yield f"unit {row[0]} is {row[1]} but stays nowhere"
    ghost = running.where(col(Stay.id).is_not(None), col(Unit.state) == UnitState.EMPTY)
    for row in session.execute(ghost):
        yield f"unit {row[0]} is empty but still stays in zone {row[3]}"
    astray = running.where(col(Stay.zone_id) != col(Unit.zone_id))
    for row in session.execute(astray):
        yield f"unit {row[0]} is recorded in zone {row[2]}, its stay in zone {row[3]}"

    following = (
        func.lead(col(Stay.entered_at))
        .over(partition_by=col(Stay.unit_id), order_by=(col(Stay.entered_at), col(Stay.id)))
        .label("following_at")
    )
    each = (
        select(col(Stay.unit_id), col(Stay.entered_at), col(Stay.left_at), following)
        .where(col(Stay.site_id) == site_id)
        .subquery()
    )
    wrong = (
        (each.c.left_at < each.c.entered_at)
        | (each.c.following_at.is_not(None) & each.c.left_at.is_(None))
        | (each.c.following_at < each.c.left_at)
    )
    for unit_id, entered_at in session.execute(select(each.c.unit_id, each.c.entered_at).where(wrong)):
        yield f"unit id {unit_id}: its stay from {entered_at.isoformat()} overlaps the next or ends too early"

    elsewhere = (
        select(col(Unit.sscc), col(Bay.code))
        .join(Bay, col(Bay.id) == col(Unit.bay_id))
        .where(col(Unit.site_id) == site_id, col(Bay.zone_id) != col(Unit.zone_id))
    )
    for found in session.execute(elsewhere):
        yield f"unit {found[0]} is recorded in bay {found[1]}, which is in another zone"

    filled = exists().where(col(UnitContent.unit_id) == col(Unit.id), col(UnitContent.cases) > 0)
    full = select(col(Unit.sscc)).where(
        col(Unit.site_id) == site_id, col(Unit.state) == UnitState.EMPTY, filled
    )
    for sscc in session.scalars(full):
        yield f"unit {sscc} is empty but has cases on it"
