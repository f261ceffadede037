"""The record of a trip's cold: its air, what went wrong, and what it did to what was on board."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Joined
from rimekeep.climate.queries import joined_by_zone, sensor_codes, zone_air, zone_history
from rimekeep.climate.queries.history import History
from rimekeep.errors import Refused, invalid
from rimekeep.excursions.queries import excursions_of_trip, trip_watches
from rimekeep.loading.core.cold import (
    CarryFigures,
    ContentCold,
    DropCold,
    TripExcursion,
    UnitCold,
    carry_figures,
)
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.queries.plans import trip
from rimekeep.loading.queries.vehicles import vehicle
from rimekeep.loading.queries.views import deliveries, places
from rimekeep.loading.tables import Trip, Vehicle
from rimekeep.shelflife.queries import Exposed, LivedBetween, life_lost, lived_between
from rimekeep.stock import queries as stock
from rimekeep.stock.core.records import ContentView
from rimekeep.stock.tables import Stay, Zone
from rimekeep.wording import say

MAX_STEPS = 5_000


@dataclass(frozen=True, slots=True)
class TripCold:
    """The record of a trip's cold. ``until_at`` is now while goods are on board."""

    trip: Trip
    vehicle: Vehicle
    zone: Zone
    from_at: datetime
    until_at: datetime
    is_over: bool
    step_s: int
    history: History
    sensors: tuple[str, ...]
    figures: CarryFigures
    excursions: tuple[TripExcursion, ...]
    drops: tuple[DropCold, ...]


def trip_cold(session: Session, now: datetime, site_id: int, trip_id: int, *, step_s: int) -> TripCold:
    """
    Return the record of a trip, from the first unit loaded to the last one off.

    A drop nobody has noted as delivered counts as on board until the trip ended, the vehicle was loaded anew,
    or now.
    """
    shown = trip(session, site_id, trip_id)
    truck = vehicle(session, site_id, shown.vehicle_id)
    deck = [place for place in places(session, [trip_id]) if place.loaded_at is not None]
    if not deck:
        raise Refused(
            "nothing-loaded",
            say("Nothing is on board of trip {trip_id} yet.", trip_id=trip_id),
            data={"id": trip_id},
        )
    zone = stock.zone(session, site_id, truck.zone_id)
    spells = _spells(session, site_id, truck.zone_id, now, deck)
    watches = trip_watches(session, site_id, trip_id)
    from_at = min(start for start, _ in spells.values())
    until_at = max(max(end for _, end in spells.values()), from_at)
    is_over = shown.ended_at is not None or (bool(watches) and watches[-1].until_at is not None)
    if not until_at > from_at:
        raise Refused(
            "nothing-lasted",
            say("Trip {trip_id} has only just begun.", trip_id=trip_id),
            data={"from_at": from_at.isoformat()},
        )
    if (until_at - from_at).total_seconds() > MAX_STEPS * step_s:
        raise invalid(
            "step_s",
            say("That makes more than {MAX_STEPS} steps.", MAX_STEPS=MAX_STEPS),
            say("Ask for longer steps."),
        )
    history = zone_history(session, site_id, zone.id, from_at, until_at, step_s)
    codes = sensor_codes(session, site_id, history.sensor_ids)
    none = Joined(*(np.empty(0),) * 3, np.empty(0, dtype=np.int64))
    return TripCold(
        shown,
        truck,
        zone,
        from_at,
        until_at,
        is_over,
        step_s,
        history,
        tuple(codes[key] for key in history.sensor_ids),
        carry_figures(
            joined_by_zone(session, site_id, from_at, until_at, zone_ids=[zone.id]).get(zone.id, none),
            zone_air(session, site_id, zone.id, from_at, until_at),
            low_c=shown.setpoint_min_c,
            high_c=shown.setpoint_max_c,
            from_s=from_at.timestamp(),
            until_s=until_at.timestamp(),
        ),
        tuple(
            TripExcursion(
                row.id, row.kind, row.severity, row.started_at, row.ended_at, row.limit_c, row.peak_c
            )
            for row in excursions_of_trip(session, site_id, trip_id)
        ),
        tuple(_drops(session, site_id, zone, trip_id, deck, spells)),
    )


def _spells(
    session: Session, site_id: int, zone_id: int, now: datetime, deck: Sequence[PlaceView]
) -> dict[int, tuple[datetime, datetime]]:
    """Return from when to when each unit was on board: as noted, else as its stay has it, else until now."""
    stays: dict[int, list[tuple[datetime, datetime | None]]] = defaultdict(list)
    for unit_id, entered_at, left_at in session.execute(
        select(col(Stay.unit_id), col(Stay.entered_at), col(Stay.left_at))
        .where(col(Stay.site_id) == site_id, col(Stay.zone_id) == zone_id)
        .where(col(Stay.unit_id).in_([place.unit_id for place in deck]))
        .order_by(col(Stay.entered_at))
    ):
        stays[unit_id].append((entered_at, left_at))
    found = {}
    for place in deck:
        assert place.loaded_at is not None
        ends = [left_at for entered_at, left_at in stays[place.unit_id] if entered_at == place.loaded_at]
        end = place.off_at or (ends[0] if ends else None) or now
        found[place.unit_id] = (place.loaded_at, max(end, place.loaded_at))
    return found


def _drops(
    session: Session,
    site_id: int,
    zone: Zone,
    trip_id: int,
    deck: Sequence[PlaceView],
    spells: dict[int, tuple[datetime, datetime]],
) -> list[DropCold]:
    contents = stock.contents(session, site_id, unit_ids=list(spells))
    windows = [
        Exposed(one.id, *spells[one.unit_id])
        for one in contents
        if spells[one.unit_id][1] > spells[one.unit_id][0]
    ]
    lived = lived_between(session, site_id, windows)
    lost = life_lost(session, site_id, windows, zone_id=zone.id, planned_c=zone.planned_c)
    on_unit: dict[int, list[ContentCold]] = defaultdict(list)
    for one in contents:
        on_unit[one.unit_id].append(_content(one, lived.get(one.id), lost.get(one.id)))
    said = {one.drop: one for one in deliveries(session, [trip_id]).get(trip_id, ())}
    by_drop: dict[int, list[PlaceView]] = defaultdict(list)
    for place in deck:
        by_drop[place.drop].append(place)
    drops = []
    for number, here in sorted(by_drop.items()):
        delivered = said.get(number)
        units = tuple(
            UnitCold(
                place.sscc,
                place.order_code,
                place.fate,
                *spells[place.unit_id],
                tuple(on_unit[place.unit_id]),
            )
            for place in here
        )
        own = [one for unit in units for one in unit.contents]
        cores = [one.core_until_c for one in own if one.core_until_c is not None]
        drops.append(
            DropCold(
                number,
                here[0].customer_code,
                here[0].customer_name,
                None if delivered is None else delivered.delivered_at,
                "" if delivered is None else delivered.note,
                min(cores, default=None),
                max(cores, default=None),
                units,
            )
        )
    return drops


def _content(shown: ContentView, lived: LivedBetween | None, lost_days: float | None) -> ContentCold:
    facts = (shown.id, shown.lot_code, shown.sku, shown.cases)
    if lived is None:
        return ContentCold(*facts, *(None,) * 9)
    return ContentCold(
        *facts,
        lived.used,
        lived.used_until,
        lived.days,
        lost_days,
        lived.core_from_c,
        lived.core_until_c,
        lived.core_min_c,
        lived.core_max_c,
        lived.bridged_s,
    )
