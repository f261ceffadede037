"""Write the decks of a changed plan."""

from collections.abc import Collection, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.loading import queries
from rimekeep.loading.core.cargo import Cargo
from rimekeep.loading.core.plan import Placement, VehiclePlan, part_numbers, vehicle_plan
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.replan import Replan
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import DeckPlace, Trip
from rimekeep.loading.usecases.road import keep_said_legs


def axle_table(vehicle: VehiclePlan) -> list[dict[str, Any]]:
    """Return a vehicle's weights at departure and after every drop, as plain data."""
    return [asdict(state) | {"axles": [asdict(axle) for axle in state.axles]} for state in vehicle.states]


def stops_of(request: LoadRequest, deck: Collection[tuple[str, int, int]]) -> list[str]:
    """Return the stops of a deck's pallets in the order they are called at."""
    stop_of = {pallet.id: pallet.stop for pallet in request.pallets}
    here = {stop_of[name] for name, _, _ in deck}
    return [stop.id for stop in sorted(request.stops, key=lambda stop: stop.seq) if stop.id in here]


def put_decks(
    session: Session,
    before: Sequence[PlaceView],
    cargo: Sequence[Cargo],
    trips: Sequence[Trip],
    request: LoadRequest,
    answer: Replan,
    turned: Collection[str],
) -> None:
    """Write decks: who leaves goes first, who moves steps aside, then everyone is put."""
    unit = {one.sscc: one for one in cargo}
    stored: dict[str, DeckPlace] = {}
    places = queries.deck_places(session, trips[0].plan_id)
    for k, shown in enumerate(before):
        row = places[shown.unit_id]
        if shown.sscc not in unit:
            session.delete(row)
            continue
        stored[shown.sscc] = row
        # Rows no deck has.
        row.row_no = -1 - k
    session.flush()
    for trip, deck, truck in zip(trips, answer.placed, answer.trucks, strict=True):
        placements = [Placement(*at, at[0] in turned, int(at[0] in answer.upper)) for at in deck]
        made = vehicle_plan(request, placements, truck=truck)
        trip.truck_no = truck
        trip.axle_table = axle_table(made)
        trip.setpoint_min_c, trip.setpoint_max_c = made.setpoint_min_c, made.setpoint_max_c
        drops = {stop: drop for drop, stop in enumerate(stops_of(request, deck), 1)}
        keep_said_legs(trip, before, {drop: stop for stop, drop in drops.items()})
        for place, part in zip(placements, part_numbers(placements), strict=True):
            name, one = place.pallet, unit[place.pallet]
            facts: dict[str, Any] = {
                "site_id": trip.site_id,
                "trip_id": trip.id,
                "unit_id": one.unit_id,
                "order_id": one.order_id,
                "row_no": place.row,
                "lane_no": place.lane,
                "part_no": part,
                "tier_no": place.tier,
                "drop_no": drops[one.customer],
                "mass_kg": one.mass_kg,
                "is_turned": place.is_turned,
            }
            if name in stored:
                stored[name].sqlmodel_update(facts)
            else:
                session.add(DeckPlace(**facts))
    session.flush()
