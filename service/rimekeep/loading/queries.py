"""Reads of vehicles, plans and trips, and of what is ready to be loaded."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Select, and_, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.loading.core.check import PlacedPallet
from rimekeep.loading.core.day import Cargo, CargoPart
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.records import PlaceView, PlanView, TripView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sheet import SheetLine
from rimekeep.loading.core.states import PlanState
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import DeckPlace, LoadPlanRow, Trip, Vehicle
from rimekeep.orders.queries import parts
from rimekeep.orders.tables import Customer, OrderLine, SalesOrder
from rimekeep.picking.core.states import AllocationState, Handling
from rimekeep.picking.tables import Allocated
from rimekeep.stock.core.states import UnitState
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent

# A statement and the columns it is paged by.
Paged = tuple[Select[Any], list[Any]]
# A plan that binds its units and vehicles.
BINDING = (PlanState.CONFIRMED, PlanState.DEPARTED)


def vehicle(session: Session, site_id: int, vehicle_id: int) -> Vehicle:
    """Return a vehicle of the site."""
    found = session.get(Vehicle, vehicle_id)
    if found is None or found.site_id != site_id:
        raise missing("vehicle", vehicle_id)
    return found


def vehicles(site_id: int) -> Paged:
    """Return the statement for a site's vehicles, and its order."""
    return select(Vehicle).where(col(Vehicle.site_id) == site_id), [col(Vehicle.id)]


def active_vehicles(session: Session, site_id: int) -> list[Vehicle]:
    """Return the vehicles in use."""
    statement, order = vehicles(site_id)
    return list(session.scalars(statement.where(col(Vehicle.is_active)).order_by(*order)))


def is_vehicle_code(session: Session, site_id: int, code: str) -> bool:
    """Tell whether a vehicle has this code."""
    found = select(col(Vehicle.id)).where(col(Vehicle.site_id) == site_id, col(Vehicle.code) == code)
    return session.scalar(found) is not None


def lock_vehicles(session: Session, vehicle_ids: Collection[int]) -> None:
    """Keep other transactions from binding these vehicles until this one ends."""
    wanted = col(Vehicle.id).in_(vehicle_ids)
    session.execute(select(col(Vehicle.id)).where(wanted).order_by(col(Vehicle.id)).with_for_update())


def busy_vehicles(session: Session, site_id: int) -> dict[int, int]:
    """Return the vehicles bound by a confirmed plan and not departed yet, with that plan."""
    rows = session.execute(
        select(col(Trip.vehicle_id), col(Trip.plan_id))
        .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
        .where(col(Trip.site_id) == site_id, col(Trip.departed_at).is_(None))
        .where(col(LoadPlanRow.state) == PlanState.CONFIRMED)
    )
    return {row[0]: row[1] for row in rows}


def bound_units(session: Session, site_id: int, order_ids: Collection[int]) -> dict[int, int]:
    """Return the units of these orders that a confirmed or departed plan carries, with that plan."""
    found: dict[int, int] = {}
    for ids in parts(order_ids):
        rows = session.execute(
            select(col(DeckPlace.unit_id), col(Trip.plan_id))
            .join(Trip, col(Trip.id) == col(DeckPlace.trip_id))
            .join(LoadPlanRow, col(LoadPlanRow.id) == col(Trip.plan_id))
            .where(col(DeckPlace.site_id) == site_id, col(DeckPlace.order_id).in_(ids))
            .where(col(LoadPlanRow.state).in_(BINDING))
        )
        found.update((row[0], row[1]) for row in rows)
    return found


def order_units(session: Session, site_id: int, order_ids: Collection[int]) -> list[tuple[int, int, bool]]:
    """
    Return (order, unit, ready) for the units that carry these orders' cases and have not left.

    Ready: the unit exists as it will travel, because its cases are picked or it is taken whole.
    """
    found = []
    is_open = and_(col(Allocated.state) == AllocationState.RESERVED, col(Allocated.how) != Handling.PALLET)
    for ids in parts(order_ids):
        rows = session.execute(
            select(col(OrderLine.order_id), col(Unit.id), func.count().filter(is_open))
            .join(OrderLine, col(OrderLine.id) == col(Allocated.line_id))
            .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
            .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
            .where(col(Allocated.site_id) == site_id, col(OrderLine.order_id).in_(ids))
            .where(col(Allocated.state).in_((AllocationState.RESERVED, AllocationState.PICKED)))
            .where(col(Unit.state) != UnitState.DEPARTED)
            .group_by(col(OrderLine.order_id), col(Unit.id))
            .order_by(col(OrderLine.order_id), col(Unit.id))
        )
        found += [(row[0], row[1], not row[2]) for row in rows]
    return found


def cargo(session: Session, site_id: int, pairs: Sequence[tuple[int, int]]) -> list[Cargo]:
    """Return units, given as (order, unit), with weight and temperature, in the order given."""
    unit_parts: dict[int, list[CargoPart]] = defaultdict(list)
    ssccs: dict[int, str] = {}
    for ids in parts([unit_id for _, unit_id in pairs]):
        rows = session.execute(
            select(
                col(Unit.id),
                col(Unit.sscc),
                col(Product.id),
                col(UnitContent.cases),
                col(Product.case_mass_kg),
                col(Product.pallet_tare_kg),
                col(Product.carry_min_c),
                col(Product.carry_max_c),
                col(Product.footprint),
            )
            .join(UnitContent, col(UnitContent.unit_id) == col(Unit.id))
            .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
            .join(Product, col(Product.id) == col(Lot.product_id))
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(ids), col(UnitContent.cases) > 0)
            .order_by(col(UnitContent.id))
        )
        for row in rows:
            ssccs[row[0]] = row[1]
            unit_parts[row[0]].append(CargoPart(*row[2:]))
    customers: dict[int, str] = {}
    for ids in parts([order_id for order_id, _ in pairs]):
        named = session.execute(
            select(col(SalesOrder.id), col(Customer.code))
            .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
            .where(col(SalesOrder.site_id) == site_id, col(SalesOrder.id).in_(ids))
        )
        customers.update((row[0], row[1]) for row in named)
    return [
        Cargo(unit_id, ssccs[unit_id], order_id, customers[order_id], tuple(unit_parts[unit_id]))
        for order_id, unit_id in pairs
        if unit_id in ssccs
    ]


def plan(session: Session, site_id: int, plan_id: int, *, is_locked: bool = False) -> LoadPlanRow:
    """Return a plan of the site; locked, nobody else changes it until this transaction ends."""
    statement = select(LoadPlanRow).where(col(LoadPlanRow.site_id) == site_id, col(LoadPlanRow.id) == plan_id)
    if is_locked:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found: LoadPlanRow | None = session.scalar(statement)
    if found is None:
        raise missing("load plan", plan_id)
    return found


def plans(site_id: int, *, ship_on: date | None, state: str | None) -> Paged:
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


def trips_of(session: Session, plan_id: int) -> list[Trip]:
    """Return a plan's trips."""
    return list(session.scalars(select(Trip).where(col(Trip.plan_id) == plan_id).order_by(col(Trip.id))))


def rivals(session: Session, bound: LoadPlanRow) -> list[LoadPlanRow]:
    """Return the drafts that want a unit or a vehicle of this plan."""
    own = select(col(Trip.id)).where(col(Trip.plan_id) == bound.id)
    own_units = select(col(DeckPlace.unit_id)).where(col(DeckPlace.trip_id).in_(own))
    own_vehicles = select(col(Trip.vehicle_id)).where(col(Trip.plan_id) == bound.id)
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
    )
    return found


def places(session: Session, trip_ids: Collection[int]) -> list[PlaceView]:
    """Return the units of trips on their places, from the front wall to the doors."""
    rows = session.execute(
        select(
            col(DeckPlace.trip_id),
            col(Unit.id),
            col(Unit.sscc),
            col(Unit.state),
            col(SalesOrder.id),
            col(SalesOrder.code),
            col(Customer.id),
            col(Customer.code),
            col(Customer.name),
            col(Customer.address),
            col(DeckPlace.row_no),
            col(DeckPlace.lane_no),
            col(DeckPlace.drop_no),
            col(DeckPlace.mass_kg),
            col(DeckPlace.loaded_at),
        )
        .join(Unit, col(Unit.id) == col(DeckPlace.unit_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(DeckPlace.trip_id).in_(trip_ids))
        .order_by(col(DeckPlace.trip_id), col(DeckPlace.row_no), col(DeckPlace.lane_no))
    )
    return [PlaceView(*row) for row in rows]


def deck_place(session: Session, trip_id: int, unit_id: int) -> DeckPlace:
    """Return one unit's place on a trip that is known to carry it."""
    return session.scalars(
        select(DeckPlace).where(col(DeckPlace.trip_id) == trip_id, col(DeckPlace.unit_id) == unit_id)
    ).one()


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


def trip_views(session: Session, shown: LoadPlanRow) -> list[TripView]:
    """Return a plan's trips with decks, weights and drawings."""
    request = load_request(shown.request)
    trips = trips_of(session, shown.id)
    on_trip: dict[int, list[PlaceView]] = defaultdict(list)
    for place in places(session, [row.id for row in trips]):
        on_trip[place.trip_id].append(place)
    codes = {
        row[0]: (row[1], row[2])
        for row in session.execute(
            select(col(Vehicle.id), col(Vehicle.code), col(Vehicle.name)).where(
                col(Vehicle.id).in_([row.vehicle_id for row in trips])
            )
        )
    }
    return [
        TripView(
            id=row.id,
            plan_id=row.plan_id,
            vehicle_id=row.vehicle_id,
            vehicle_code=codes[row.vehicle_id][0],
            vehicle_name=codes[row.vehicle_id][1],
            setpoint_min_c=row.setpoint_min_c,
            setpoint_max_c=row.setpoint_max_c,
            departed_at=row.departed_at,
            axle_table=row.axle_table,
            drawing=_drawing(request, on_trip[row.id]),
            places=tuple(on_trip[row.id]),
        )
        for row in trips
    ]


def _drawing(request: LoadRequest, on_trip: Sequence[PlaceView]) -> str:
    placements = [Placement(place.sscc, place.row, place.lane) for place in on_trip]
    return deck_drawing(request, vehicle_plan(request, placements))


def placed(on_trip: Sequence[PlaceView]) -> list[PlacedPallet]:
    """Return a deck in the checker's form."""
    return [(place.sscc, place.row, place.lane) for place in on_trip]


def plan_view(session: Session, shown: LoadPlanRow) -> PlanView:
    """Return a plan as people see it."""
    return PlanView(
        id=shown.id,
        ship_on=shown.ship_on,
        state=shown.state,
        status=shown.status,
        lower_bound=shown.lower_bound,
        visits=shown.visits,
        reasons=list(shown.reasons),
        made_at=shown.made_at,
        confirmed_at=shown.confirmed_at,
        trips=tuple(trip_views(session, shown)),
    )


def trip_view(session: Session, site_id: int, trip_id: int) -> tuple[LoadPlanRow, TripView]:
    """Return a trip as people see it, and its plan."""
    found = trip(session, site_id, trip_id)
    whole = plan(session, site_id, found.plan_id)
    return whole, next(view for view in trip_views(session, whole) if view.id == trip_id)


def sheet_lines(session: Session, unit_ids: Collection[int]) -> list[SheetLine]:
    """Return what is on units, lot by lot."""
    rows = session.execute(
        select(
            col(UnitContent.unit_id),
            col(Product.sku),
            col(Product.name),
            col(Lot.code),
            col(Lot.best_before_on),
            col(UnitContent.cases),
        )
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(UnitContent.unit_id).in_(unit_ids), col(UnitContent.cases) > 0)
        .order_by(col(UnitContent.unit_id), col(UnitContent.id))
    )
    return [SheetLine(*row) for row in rows]


def newest_dates(session: Session, pairs: Sequence[tuple[int, int]]) -> dict[tuple[int, int], date]:
    """Return the newest printed date by (customer, product) over units given as (customer, unit)."""
    customer_of = {unit_id: customer_id for customer_id, unit_id in pairs}
    rows = session.execute(
        select(col(UnitContent.unit_id), col(Lot.product_id), func.max(col(Lot.best_before_on)))
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .where(col(UnitContent.unit_id).in_(customer_of), col(UnitContent.cases) > 0)
        .group_by(col(UnitContent.unit_id), col(Lot.product_id))
    )
    found: dict[tuple[int, int], date] = {}
    for unit_id, product_id, printed_on in rows:
        whose = (customer_of[unit_id], product_id)
        found[whose] = max(printed_on, found.get(whose, printed_on))
    return found
