"""Reads of vehicles."""

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.tables import LoadPlanRow, Trip, Vehicle
from rimekeep.platform.database import Listing

# A statement and the columns it is paged by.


def vehicle(session: Session, site_id: int, vehicle_id: int) -> Vehicle:
    """Return a vehicle of the site."""
    found = session.get(Vehicle, vehicle_id)
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


def busy_vehicles(session: Session, site_id: int) -> dict[int, int]:
    """Return the vehicles bound by a confirmed plan and not departed yet, with that plan."""
    rows = session.execute(
        select(col(Trip.vehicle_id), col(Trip.plan_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(Trip.site_id) == site_id, col(Trip.departed_at).is_(None))
        .where(col(LoadPlanRow.state) == PlanState.CONFIRMED)
    )
    return {row[0]: row[1] for row in rows}
