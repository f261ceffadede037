"""Which of a plan's trips takes the empties a customer announced, where several call there."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from rimekeep.loading.core.records import TripView
from rimekeep.wording import say

_ANY = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class OtherCalls:
    """Other trips that call at a customer's, in words: who comes before, and who after."""

    before: str = ""
    after: str = ""


ALONE = OtherCalls()


def other_calls(trip: TripView, trips: Sequence[TripView]) -> dict[str, OtherCalls]:
    """
    Return by customer who else calls there, for the customers whom other trips of the plan serve too.

    Trips call in the order of the times they are expected or came at; where such a time is not known of one
    of them, in the order of their numbers.
    """
    found = {}
    for code in {place.customer_code for place in trip.places}:
        calling = [one for one in trips if any(place.customer_code == code for place in one.places)]
        if len(calling) < 2:
            continue
        times = [_reached_at(one, code) for one in calling]
        known = [at for at in times if at is not None]
        keys = known if len(known) == len(calling) else [_ANY] * len(calling)
        ordered = sorted(
            zip(keys, calling, strict=True), key=lambda pair: (pair[0], pair[1].trip_no, pair[1].id)
        )
        calling = [one for _, one in ordered]
        at = [one.id for one in calling].index(trip.id)
        found[code] = OtherCalls(_names(calling[:at]), _names(calling[at + 1 :]))
    return found


def _reached_at(trip: TripView, code: str) -> datetime | None:
    """Return when a trip came to a customer, or is expected to; None where nobody knows."""
    drop = next(place.drop for place in trip.places if place.customer_code == code)
    came = next((one.delivered_at for one in trip.deliveries if one.drop == drop), None)
    if came is not None or trip.drive is None:
        # Without roads only the trips of one vehicle are known to follow each other.
        return came or trip.leaves_at
    return next((halt.arrives_at for halt in trip.drive.halts if halt.customer_code == code), None)


def _names(trips: Sequence[TripView]) -> str:
    return " and ".join(
        say(
            "{vehicle_code}, trip {trip_no} of {trips}",
            vehicle_code=one.vehicle_code,
            trip_no=one.trip_no,
            trips=one.trips,
        )
        if one.trips > 1
        else one.vehicle_code
        for one in trips
    )
