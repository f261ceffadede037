"""Temperatures taken at loading: kept, compared with the carry range, and accepted by QA where outside it."""

from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid, missing, refused
from rimekeep.loading import queries
from rimekeep.loading.core.states import Measured
from rimekeep.loading.tables import LoadTemperature
from rimekeep.picking.core.scan import read_scan
from rimekeep.platform.journal import Event, record
from rimekeep.stock.usecases.units import require_past
from rimekeep.wording import say


def note_load_temperature(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    scan: str,
    kind: Measured,
    temp_c: float,
    probe: str,
    at: datetime | None = None,
) -> LoadTemperature:
    """
    Keep a temperature taken of a unit of the trip before it goes on board.

    What lies outside the range its products may be carried at is kept too: the answer says so, and
    `require_cold` refuses the unit until it is measured anew within the range, or QA accepts it.
    """
    trip = queries.trip(session, caller.site_id, trip_id)
    if trip.departed_at is not None:
        raise Conflict("trip-departed", say("Trip {id} has departed.", id=trip.id), data={"id": trip.id})
    measured_at = at or now
    require_past(measured_at, now, "at")
    sscc = read_scan(scan, reference_year=now.year).sscc
    if sscc is None:
        raise invalid(
            "scan", say("A case label was scanned."), say("Scan the pallet's own label, with its SSCC.")
        )
    place = next((one for one in queries.places(session, [trip.id]) if one.sscc == sscc), None)
    if place is None:
        raise missing("unit on this trip", sscc)
    low_c, high_c = queries.carry_range_c(session, place.unit_id)
    added = LoadTemperature(
        site_id=caller.site_id,
        trip_id=trip.id,
        unit_id=place.unit_id,
        kind=kind,
        temp_c=temp_c,
        probe=probe,
        carry_min_c=low_c,
        carry_max_c=high_c,
        measured_at=measured_at,
        measured_by=caller.id,
    )
    session.add(added)
    session.flush()
    data = {
        "id": added.id,
        "trip_id": trip.id,
        "sscc": sscc,
        "kind": str(kind),
        "temp_c": temp_c,
        "probe": probe,
        "carry_min_c": low_c,
        "carry_max_c": high_c,
        "is_in_range": added.is_in_range,
        "measured_at": measured_at.isoformat(),
    }
    told = Event("unit.temperature-taken", now, actor_id=caller.id, unit_id=place.unit_id, data=data)
    record(session, caller.site_id, told)
    return added


def accept_load_temperature(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, temperature_id: int, reason: str
) -> LoadTemperature:
    """Let a unit go on board although it was measured outside its range; the reason stays on record."""
    found = queries.load_temperature(session, caller.site_id, trip_id, temperature_id, is_locked=True)
    if found.is_in_range:
        raise Conflict(
            "temperature-in-range",
            say(
                "{temp_c:g} °C is within {carry_min_c:g} to {carry_max_c:g} °C; there is nothing to accept.",
                temp_c=found.temp_c,
                carry_min_c=found.carry_min_c,
                carry_max_c=found.carry_max_c,
            ),
        )
    if found.accepted_at is not None:
        raise Conflict("temperature-accepted", say("Measurement {id} is accepted already.", id=found.id))
    found.accepted_at = now
    found.accepted_by = caller.id
    found.accepted_reason = reason
    session.flush()
    told = Event(
        "unit.temperature-accepted",
        now,
        actor_id=caller.id,
        unit_id=found.unit_id,
        reason=reason,
        data={"id": found.id, "trip_id": trip_id},
    )
    record(session, caller.site_id, told)
    return found


def require_cold(session: Session, *, trip_id: int, unit_id: int, sscc: str) -> None:
    """Refuse a unit that was measured outside its range last, unless QA accepted that measurement."""
    found = queries.newest_temperatures(session, trip_id).get(unit_id)
    if found is None or found.may_load:
        return
    side = say("above") if found.temp_c > found.carry_max_c else say("below")
    raise refused(
        "unit-out-of-range",
        "scan",
        say(
            "Unit {sscc} was measured at {temp_c:g} °C ({kind}, probe {probe}), {side} the "
            "{carry_min_c:g} to {carry_max_c:g} °C it may be carried at.",
            sscc=sscc,
            temp_c=found.temp_c,
            kind=found.kind,
            probe=found.probe,
            side=side,
            carry_min_c=found.carry_min_c,
            carry_max_c=found.carry_max_c,
        ),
        say(
            "Leave it in the cold and measure it again later, or have QA accept the measurement with "
            "a reason."
        ),
        {
            "sscc": sscc,
            "temperature_id": found.id,
            "temp_c": found.temp_c,
            "carry_min_c": found.carry_min_c,
            "carry_max_c": found.carry_max_c,
        },
    )
