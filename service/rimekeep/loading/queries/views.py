"""Plans and trips as people see them."""

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.loading.core.day_roads import TripDrive, trip_drive
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.papers import SheetLine
from rimekeep.loading.core.plan import Compartment, Placement, VehiclePlan, vehicle_plan
from rimekeep.loading.core.records import DeliveryView, PlaceView, PlanView, StowedView, TripView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.sequence import Spot, next_to_load
from rimekeep.loading.core.vehicle import LoadRequest, Turn
from rimekeep.loading.core.violation import PlacedPallet
from rimekeep.loading.queries.plans import plan, trip, trips_of
from rimekeep.loading.queries.turns import as_planned, clock_at, turns
from rimekeep.loading.tables import DeckPlace, DropDelivery, LoadPlanRow, Vehicle
from rimekeep.orders.tables import Customer, SalesOrder
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent


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
            col(DeckPlace.fate),
            col(DeckPlace.off_at),
            col(DeckPlace.is_pinned),
            col(DeckPlace.part_no),
            col(DeckPlace.is_turned),
            col(DeckPlace.tier_no),
        )
        .join(Unit, col(Unit.id) == col(DeckPlace.unit_id))
        .join(SalesOrder, col(SalesOrder.id) == col(DeckPlace.order_id))
        .join(Customer, col(Customer.id) == col(SalesOrder.customer_id))
        .where(col(DeckPlace.trip_id).in_(trip_ids))
        .order_by(
            col(DeckPlace.trip_id),
            col(DeckPlace.row_no),
            col(DeckPlace.lane_no),
            col(DeckPlace.tier_no),
            col(DeckPlace.part_no),
        )
    )
    return [PlaceView(*tuple(row)) for row in rows]


def trip_views(session: Session, shown: LoadPlanRow) -> list[TripView]:
    """Return a plan's trips with decks, weights and drawings."""
    trips = trips_of(session, shown.id)
    if not trips:
        return []
    request = load_request(shown.request)
    zone = ZoneInfo(site_of(session, shown.site_id).time_zone)
    on_trip: dict[int, list[PlaceView]] = defaultdict(list)
    standing = places(session, [row.id for row in trips])
    for place in standing:
        on_trip[place.trip_id].append(place)
    turn_of = {row.id: turn for row, turn in zip(trips, turns(request, trips, standing), strict=True)}
    made = Counter(row.vehicle_id for row in trips)
    delivered = deliveries(session, [row.id for row in trips])
    codes = {
        row[0]: (row[1], row[2])
        for row in session.execute(
            select(col(Vehicle.id), col(Vehicle.code), col(Vehicle.name)).where(
                col(Vehicle.id).in_([row.vehicle_id for row in trips])
            )
        )
    }
    laid_out = {row.id: _laid_out(request, on_trip[row.id], row.truck_no) for row in trips}
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
            ended_at=row.ended_at,
            axle_table=row.axle_table,
            drawing=deck_drawing(request, laid_out[row.id]),
            places=tuple(on_trip[row.id]),
            stowed=_stowed(request, laid_out[row.id]),
            deliveries=tuple(delivered.get(row.id, ())),
            cold=row.cold or None,
            compartments=_divided(laid_out[row.id]),
            drive=_drive(request, shown, on_trip[row.id], turn_of[row.id], zone),
            trip_no=row.trip_no,
            trips=made[row.vehicle_id],
            leaves_at=clock_at(turn_of[row.id].leaves_s, shown.ship_on, zone),
            back_at=clock_at(turn_of[row.id].back_s, shown.ship_on, zone),
        )
        for row in trips
    ]


def _drive(
    request: LoadRequest, shown: LoadPlanRow, on_trip: Sequence[PlaceView], turn: Turn, zone: ZoneInfo
) -> TripDrive | None:
    """Return what a trip drives in the order its drops have now."""
    if request.roads is None:
        return None
    roads = request.roads
    if turn.leaves_s is not None:
        roads = replace(roads, leaves_s=turn.leaves_s)
    drops = {place.customer_code: place.drop for place in as_planned(request, on_trip)}
    order = sorted(drops, key=lambda code: drops[code])
    known = shown.request.get("drives", ())
    return trip_drive(roads, order, known, ship_on=shown.ship_on, zone=zone)


def deliveries(session: Session, trip_ids: Collection[int]) -> dict[int, list[DeliveryView]]:
    """Return the drops of trips that were delivered, in order of the deck."""
    rows = session.scalars(
        select(DropDelivery)
        .where(col(DropDelivery.trip_id).in_(trip_ids))
        .order_by(col(DropDelivery.trip_id), col(DropDelivery.drop_no))
    )
    found: dict[int, list[DeliveryView]] = defaultdict(list)
    for row in rows:
        found[row.trip_id].append(
            DeliveryView(row.drop_no, row.delivered_at, row.note, row.recorded_at, row.recorded_by)
        )
    return dict(found)


def _laid_out(request: LoadRequest, on_trip: Sequence[PlaceView], truck: int) -> VehiclePlan:
    placements = [
        Placement(place.sscc, place.row, place.lane, place.is_turned, place.tier)
        for place in as_planned(request, on_trip)
    ]
    return vehicle_plan(request, placements, truck=truck)


def _divided(laid_out: VehiclePlan) -> tuple[Compartment, ...]:
    return laid_out.compartments if len(laid_out.compartments) > 1 else ()


def _stowed(request: LoadRequest, laid_out: VehiclePlan) -> tuple[StowedView, ...]:
    kinds = {(stop.id, i): one.kind for stop in request.stops for i, one in enumerate(stop.empties)}
    return tuple(
        StowedView(one.stop, kinds[one.stop, one.item], one.row, one.places) for one in laid_out.stowed
    )


def placed(on_trip: Sequence[PlaceView]) -> list[PlacedPallet]:
    """Return a deck in the checker's form."""
    return [(place.sscc, place.row, place.lane) for place in on_trip]


def turned(on_trip: Sequence[PlaceView]) -> frozenset[str]:
    """Return the units that are turned against their row."""
    return frozenset(place.sscc for place in on_trip if place.is_turned)


def next_spots(session: Session, trip_id: int) -> list[Spot]:
    """Return the units that may be loaded next."""
    return next_to_load([place.spot for place in places(session, [trip_id])])


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
