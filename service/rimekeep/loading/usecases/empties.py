"""Empties that come back from drops: judged, kept, and corrected where they were reported wrongly."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid, missing
from rimekeep.loading import queries
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rest import as_request, standing_of
from rimekeep.loading.core.states import Empty
from rimekeep.loading.core.taken_back import Back, TakenBack, taken_back
from rimekeep.loading.core.vehicle import Stop
from rimekeep.loading.tables import DropEmpties, EmptiesCorrection, Trip
from rimekeep.loading.usecases.telling import of_drop, tell
from rimekeep.loading.usecases.under_way import under_way
from rimekeep.platform.journal import Notice
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Empties:
    """Empties taken back."""

    kind: Empty
    pieces: int
    mass_kg: float | None = None
    places: int | None = None


def judge_empties(
    session: Session, trip: Trip, drop: int, customer: str, empties: Sequence[Empties]
) -> TakenBack:
    """Return where a drop's empties go, and what they break with all else that is on board now."""
    if not empties:
        return TakenBack((), ())
    request = load_request(queries.plan(session, trip.site_id, trip.plan_id).request)
    aboard, deck_then = queries.on_board(session, trip.id)
    left = as_request(request, aboard, trip.truck_no, deck_then)
    others = [one for one in queries.empties(session, [trip.id]) if one.drop != drop]
    riding = [one for some in others for one in some.riding]
    stop = next((one for one in request.stops if one.id == customer), Stop(customer, 0))
    reported = [Back(one.kind, one.pieces, one.mass_kg, one.places) for one in empties]
    standing = standing_of(left, trip.truck_no, aboard)
    return taken_back(left, trip.truck_no, standing, riding, stop, reported)


def note_empties(
    session: Session,
    trip: Trip,
    drop: int,
    empties: Sequence[Empties],
    judged: TakenBack,
    correction_id: int | None = None,
) -> None:
    """Keep what empties were taken back, and where they were told to go."""
    session.add_all(
        DropEmpties(
            site_id=trip.site_id,
            trip_id=trip.id,
            drop_no=drop,
            kind=one.kind,
            pieces=one.pieces,
            mass_kg=one.mass_kg,
            places=one.places,
            stowed=[[riding.row, riding.places, riding.mass_kg] for riding in put.riding],
            correction_id=correction_id,
        )
        for one, put in zip(empties, judged.put, strict=True)
    )
    session.flush()


def correct_empties(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    trip_id: int,
    number: int,
    empties: Sequence[Empties],
    reason: str,
) -> TakenBack:
    """
    Say anew, all of it, what empties were taken back at a drop; what was said before stays on record.

    They are judged with what is on board now, since that is what the driver can still act upon.
    """
    trip, vehicle, places = under_way(session, caller, trip_id)
    here = next((place for place in places if place.drop == number), None)
    if here is None:
        raise missing("drop", number)
    if all(one.drop != number for one in queries.deliveries(session, [trip.id]).get(trip.id, ())):
        raise Conflict(
            "drop-not-delivered",
            say("Drop {number} is not delivered yet; report its empties with the delivery.", number=number),
            data={"drop": number},
        )
    was = [one for one in queries.empties(session, [trip.id]) if one.drop == number]
    if [(one.kind, one.pieces, one.mass_kg, one.places) for one in was] == [
        (one.kind, one.pieces, one.mass_kg, one.places) for one in empties
    ]:
        raise invalid(
            "empties", say("This is what is on record already."), say("Say what was taken back instead.")
        )
    judged = judge_empties(session, trip, number, here.customer_code, empties)
    made = EmptiesCorrection(
        site_id=trip.site_id,
        trip_id=trip.id,
        drop_no=number,
        reason=reason,
        corrected_at=now,
        corrected_by=caller.id,
    )
    session.add(made)
    session.flush()
    note_empties(session, trip, number, empties, judged, made.id)
    said = {
        "reason": reason,
        "was": [{"kind": one.kind, "pieces": one.pieces, "mass_kg": one.mass_kg} for one in was],
        "empties": [{"kind": one.kind, "pieces": one.pieces, "mass_kg": one.mass_kg} for one in empties],
    }
    data = of_drop(session, trip, vehicle, here, judged, said)
    tell(session, caller, Notice("trip.empties-corrected", now, data))
    return judged
