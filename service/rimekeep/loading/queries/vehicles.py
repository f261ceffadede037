"""Reads of vehicles."""

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.platform.database import Listing

# A statement and the columns it is paged by.


def vehicle(session: Session, site_id: int, vehicle_id: int, *, is_locked: bool = False) -> Vehicle:
    """Return a vehicle of the site."""
    lock = {"key_share": True} if is_locked else None
    found = session.get(Vehicle, vehicle_id, with_for_update=lock, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("vehicle", vehicle_id)
    return found


def vehicles(site_id: int) -> Listing:
    """Return the statement for a site's vehicles, and its order."""
    return select(Vehicle).where(col(Vehicle.site_id) == site_id), [col(Vehicle.id)]


def active_vehicles(session: Session, site_id: int) -> list[Vehicle]:
    """Return the vehicles in use."""
    statement, order = vehicles(site_id)
    return list(session.scalars(statement.where(col(Vehicle.is_active)).order_by(*order)))


def all_vehicles(session: Session, site_id: int) -> list[Vehicle]:
    """Return every vehicle of a site, those out of use too."""
    statement, order = vehicles(site_id)
    return list(session.scalars(statement.order_by(*order)))


def is_vehicle_code(session: Session, site_id: int, code: str) -> bool:
    """Tell whether a vehicle has this code."""
    found = select(col(Vehicle.id)).where(col(Vehicle.site_id) == site_id, col(Vehicle.code) == code)
    return session.scalar(found) is not None


def plan_under_way(session: Session, vehicle_id: int) -> int | None:
    """Return a plan by which a vehicle has a trip to make or to end, or None."""
    return session.scalar(
        select(col(Trip.plan_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(Trip.vehicle_id) == vehicle_id, col(Trip.ended_at).is_(None))
        .where(col(LoadPlanRow.state).in_((PlanState.CONFIRMED, PlanState.DEPARTED)))
        .order_by(col(Trip.id))
        .limit(1)
    )


def busy_vehicles(session: Session, site_id: int) -> dict[int, int]:
    """
    Return the vehicles with trips to make by a confirmed plan, with that plan.

    One that makes a single trip is free when it has departed; of several trips each has to have ended.
    """
    other = aliased(Trip)
    makes_several = (
        select(col(other.id))
        .where(col(other.plan_id) == col(Trip.plan_id), col(other.vehicle_id) == col(Trip.vehicle_id))
        .where(col(other.id) != col(Trip.id))
        .exists()
    )
    is_waiting = and_(col(Trip.departed_at).is_(None), col(LoadPlanRow.state) == PlanState.CONFIRMED)
    rows = session.execute(
        select(col(Trip.vehicle_id), col(Trip.plan_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(Trip.site_id) == site_id, col(Trip.ended_at).is_(None))
        .where(col(LoadPlanRow.state).in_((PlanState.CONFIRMED, PlanState.DEPARTED)))
        .where(or_(is_waiting, makes_several))
        .order_by(col(Trip.id))
    )
    return {row[0]: row[1] for row in rows}
