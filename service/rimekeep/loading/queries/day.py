"""A day's plans, trips and drops in few statements, however many there are."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.loading.queries.ready import LOADABLE, bound_units, order_units
from rimekeep.loading.tables import DeckPlace, LoadPlanRow, PlanningJob, Trip, Vehicle
from rimekeep.orders.tables import Customer, SalesOrder
from rimekeep.platform.database import parts

MOST_PLANS = 20
MOST_JOBS = 5


@dataclass(frozen=True, slots=True)
class DayDrop:
    """What one customer gets of a trip."""

    number: int
    customer: str
    units: int
    mass_kg: float


@dataclass(frozen=True, slots=True)
class DayTrip:
    """One trip of a vehicle in a plan."""

    id: int
    plan_id: int
    vehicle: str
    trip_no: int
    trips: int
    departed_at: datetime | None
    ended_at: datetime | None
    drops: tuple[DayDrop, ...]
    units: int
    loaded: int
    mass_kg: float
    # Units on top of others.
    stacked: int


@dataclass(frozen=True, slots=True)
class DayPlan:
    """A plan of the day, and its trips."""

    id: int
    state: str
    status: str
    lower_bound: int
    visits: int
    reasons: tuple[str, ...]
    made_at: datetime
    confirmed_at: datetime | None
    trips: tuple[DayTrip, ...]

    @property
    def vehicles(self) -> int:
        """How many vehicles make the trips."""
        return len({trip.vehicle for trip in self.trips})


def day_plans(session: Session, site_id: int, ship_on: date) -> list[DayPlan]:
    """Return the newest plans of a day, the last made first."""
    plans = session.execute(
        select(
            col(LoadPlanRow.id),
            col(LoadPlanRow.state),
            col(LoadPlanRow.status),
            col(LoadPlanRow.lower_bound),
            col(LoadPlanRow.visits),
            col(LoadPlanRow.reasons),
            col(LoadPlanRow.made_at),
            col(LoadPlanRow.confirmed_at),
        )
        .where(col(LoadPlanRow.site_id) == site_id, col(LoadPlanRow.ship_on) == ship_on)
        .order_by(col(LoadPlanRow.id).desc())
        .limit(MOST_PLANS)
    ).all()
    trips = _trips(session, [plan[0] for plan in plans])
    return [
        DayPlan(key, state, status, bound, visits, tuple(reasons), made_at, confirmed_at, tuple(trips[key]))
        for key, state, status, bound, visits, reasons, made_at, confirmed_at in plans
    ]


def _trips(session: Session, plan_ids: list[int]) -> dict[int, list[DayTrip]]:
    drops: dict[int, list[DayDrop]] = defaultdict(list)
    loaded: dict[int, int] = defaultdict(int)
    stacked: dict[int, int] = defaultdict(int)
    for trip_id, number, customer, units, mass_kg, on_board, on_top in session.execute(
        select(
            col(DeckPlace.trip_id),
            col(DeckPlace.drop_no),
            col(Customer.name),
            func.count(),
            func.sum(col(DeckPlace.mass_kg)),
            func.count(col(DeckPlace.loaded_at)),
            func.sum(col(DeckPlace.tier_no)),
        )
        .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(Trip.plan_id).in_(plan_ids))
        .group_by(col(DeckPlace.trip_id), col(DeckPlace.drop_no), col(Customer.name))
        .order_by(col(DeckPlace.trip_id), col(DeckPlace.drop_no))
    ):
        drops[trip_id].append(DayDrop(number, customer, units, mass_kg))
        loaded[trip_id] += on_board
        stacked[trip_id] += on_top
    found: dict[int, list[DayTrip]] = defaultdict(list)
    for trip_id, plan_id, vehicle, trip_no, trips, departed_at, ended_at in session.execute(
        select(
            col(Trip.id),
            col(Trip.plan_id),
            col(Vehicle.name),
            col(Trip.trip_no),
            func.count().over(partition_by=(col(Trip.plan_id), col(Trip.vehicle_id))),
            col(Trip.departed_at),
            col(Trip.ended_at),
        )
        .join(Vehicle, col(Vehicle.id) == col(Trip.vehicle_id))
        .where(col(Trip.plan_id).in_(plan_ids))
        .order_by(col(Trip.id))
    ):
        own = tuple(drops[trip_id])
        units, mass_kg = sum(drop.units for drop in own), sum(drop.mass_kg for drop in own)
        told = (departed_at, ended_at, own, units, loaded[trip_id], mass_kg, stacked[trip_id])
        found[plan_id].append(DayTrip(trip_id, plan_id, vehicle, trip_no, trips, *told))
    return found


@dataclass(frozen=True, slots=True)
class WaitingOrder:
    """An order of which everything is ready to be loaded and nothing is bound by a plan."""

    id: int
    code: str
    customer: str
    units: int
    # Those whose decks it stands on already: drafts.
    plans: frozenset[int]


def waiting_orders(session: Session, site_id: int, ship_on: date) -> list[WaitingOrder]:
    """Return a day's orders that could join a plan, in the order of their codes."""
    named = session.execute(
        select(col(SalesOrder.id), col(SalesOrder.code), col(Customer.name))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.ship_on) == ship_on)
        .where(col(SalesOrder.state).in_(LOADABLE))
        .order_by(col(SalesOrder.code))
    ).all()
    ids = [key for key, _, _ in named]
    bound = bound_units(session, site_id, ids)
    ready: dict[int, list[bool]] = defaultdict(list)
    for order_id, unit_id, is_ready in order_units(session, site_id, ids):
        ready[order_id].append(is_ready and unit_id not in bound)
    planned: dict[int, set[int]] = defaultdict(set)
    for some in parts(ids):
        for order_id, plan_id in session.execute(
            select(col(DeckPlace.order_id), col(Trip.plan_id))
            .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
            .where(col(DeckPlace.site_id) == site_id, col(DeckPlace.order_id).in_(some))
            .distinct()
        ):
            planned[order_id].add(plan_id)
    return [
        WaitingOrder(key, code, customer, len(ready[key]), frozenset(planned[key]))
        for key, code, customer in named
        if ready[key] and all(ready[key])
    ]


def newest_request(session: Session, site_id: int) -> dict[str, Any]:
    """Return what the newest plan of a site answers; empty where there is none yet."""
    found = session.scalar(
        select(col(LoadPlanRow.request))
        .where(col(LoadPlanRow.site_id) == site_id)
        .order_by(col(LoadPlanRow.id).desc())
        .limit(1)
    )
    return dict(found or {})


def day_jobs(session: Session, site_id: int, ship_on: date) -> list[PlanningJob]:
    """Return the newest planning of a day in the background, the last asked for first."""
    found = (
        select(PlanningJob)
        .where(col(PlanningJob.site_id) == site_id, col(PlanningJob.ship_on) == ship_on)
        .order_by(col(PlanningJob.id).desc())
        .limit(MOST_JOBS)
    )
    return list(session.scalars(found))
