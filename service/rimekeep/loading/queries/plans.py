"""Reads of plans, trips and places on decks."""

from datetime import date

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.queries.ready import BINDING
from rimekeep.loading.tables import DeckPlace, LoadDeviation, LoadPlanRow, Trip
from rimekeep.platform.database import Listing
from rimekeep.stock.tables import Unit, UnitContent

# A statement and the columns it is paged by.


def plan(session: Session, site_id: int, plan_id: int, *, is_locked: bool = False) -> LoadPlanRow:
    """Return a plan of the site; locked, nobody else changes it until this transaction ends."""
    statement = select(LoadPlanRow).where(col(LoadPlanRow.site_id) == site_id, col(LoadPlanRow.id) == plan_id)
    if is_locked:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found: LoadPlanRow | None = session.scalar(statement)
    if found is None:
        raise missing("load plan", plan_id)
    return found


def plans(site_id: int, *, ship_on: date | None, state: str | None) -> Listing:
    """Return the statement for a site's plans, and its order."""
    statement = select(LoadPlanRow).where(col(LoadPlanRow.site_id) == site_id)
    if ship_on is not None:
        statement = statement.where(col(LoadPlanRow.ship_on) == ship_on)
    if state is not None:
        statement = statement.where(col(LoadPlanRow.state) == state)
    return statement, [col(LoadPlanRow.id)]


def trip(session: Session, site_id: int, trip_id: int) -> Trip:
    """Return a trip of the site."""
    found = session.get(Trip, trip_id)
    if found is None or found.site_id != site_id:
        raise missing("trip", trip_id)
    return found


def trips_of(session: Session, plan_id: int, *, is_fresh: bool = False) -> list[Trip]:
    """Return a plan's trips; fresh, as they stand now that the plan is locked."""
    statement = select(Trip).where(col(Trip.plan_id) == plan_id).order_by(col(Trip.id))
    return list(session.scalars(statement.execution_options(populate_existing=is_fresh)))


def plan_of_trip(
    session: Session, site_id: int, trip_id: int, *, is_locked: bool = True
) -> tuple[LoadPlanRow, list[Trip]]:
    """
    Return a trip's plan and all its trips; locked, as they stand now that nobody else changes them.

    A trip that was given up while the lock was waited for is of another plan by then.
    """
    plan_id = trip(session, site_id, trip_id).plan_id
    while True:
        found = plan(session, site_id, plan_id, is_locked=is_locked)
        trips = trips_of(session, plan_id, is_fresh=is_locked)
        if any(one.id == trip_id for one in trips):
            return found, trips
        plan_id = session.scalars(select(col(Trip.plan_id)).where(col(Trip.id) == trip_id)).one()


def rivals(session: Session, bound: LoadPlanRow) -> list[LoadPlanRow]:
    """Return the drafts that want a unit or a vehicle of this plan for which it has trips to make yet."""
    is_to_leave = and_(col(Trip.plan_id) == bound.id, col(Trip.departed_at).is_(None))
    own_units = select(col(DeckPlace.unit_id)).where(
        col(DeckPlace.trip_id).in_(select(col(Trip.id)).where(is_to_leave))
    )
    own_vehicles = select(col(Trip.vehicle_id)).where(is_to_leave)
    wanting = (
        select(col(Trip.plan_id))
        .join(DeckPlace, col(DeckPlace.trip_id) == col(Trip.id))
        .where(or_(col(DeckPlace.unit_id).in_(own_units), col(Trip.vehicle_id).in_(own_vehicles)))
    )
    return list(
        session.scalars(
            select(LoadPlanRow)
            .where(col(LoadPlanRow.site_id) == bound.site_id, col(LoadPlanRow.state) == PlanState.DRAFT)
            .where(col(LoadPlanRow.id).in_(wanting), col(LoadPlanRow.id) != bound.id)
            .order_by(col(LoadPlanRow.id))
        )
    )


def trip_of_unit(session: Session, site_id: int, sscc: str) -> int | None:
    """Return the trip of a confirmed plan that carries this unit, or None."""
    found: int | None = session.scalar(
        select(col(DeckPlace.trip_id))
        .join(Unit, col(Unit.id) == col(DeckPlace.unit_id))
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(Unit.site_id) == site_id, col(Unit.sscc) == sscc, col(LoadPlanRow.state).in_(BINDING))
        # One that came back may be on a later trip.
        .order_by(col(DeckPlace.trip_id).desc())
        .limit(1)
    )
    return found


def deviations(site_id: int, trip_id: int) -> Listing:
    """Return the statement for what was loaded otherwise than planned, and its order."""
    statement = select(LoadDeviation).where(
        col(LoadDeviation.site_id) == site_id, col(LoadDeviation.trip_id) == trip_id
    )
    return statement, [col(LoadDeviation.id)]


def site_of_trip(session: Session, trip_id: int) -> int:
    """Return the site of a trip that is known to be there."""
    return session.scalars(select(col(Trip.site_id)).where(col(Trip.id) == trip_id)).one()


def cases_on(session: Session, unit_id: int) -> int:
    """Return how many cases are on a unit."""
    found = select(func.coalesce(func.sum(col(UnitContent.cases)), 0)).where(
        col(UnitContent.unit_id) == unit_id
    )
    return int(session.scalar(found) or 0)


def unit_here(session: Session, site_id: int, sscc: str) -> Unit | None:
    """Return the site's unit of this SSCC, or None."""
    return session.scalar(select(Unit).where(col(Unit.site_id) == site_id, col(Unit.sscc) == sscc))


def deck_place(session: Session, trip_id: int, unit_id: int) -> DeckPlace:
    """Return one unit's place on a trip that is known to carry it."""
    return session.scalars(
        select(DeckPlace).where(col(DeckPlace.trip_id) == trip_id, col(DeckPlace.unit_id) == unit_id)
    ).one()


def deck_places(session: Session, plan_id: int) -> dict[int, DeckPlace]:
    """Return the places of all units of a plan, by unit."""
    rows = session.scalars(
        select(DeckPlace)
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .where(col(Trip.plan_id) == plan_id)
    )
    return {row.unit_id: row for row in rows}


def loaded_elsewhere(session: Session, order_id: int, *, but_unit_id: int) -> bool:
    """Tell whether another unit of the order is on board of any trip."""
    found = session.scalar(
        select(col(DeckPlace.id))
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(DeckPlace.order_id) == order_id, col(DeckPlace.unit_id) != but_unit_id)
        .where(col(DeckPlace.loaded_at).is_not(None), col(LoadPlanRow.state).in_(BINDING))
        .limit(1)
    )
    return found is not None
