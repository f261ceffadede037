"""What is known of the road ahead, for one trip or for the site, and the forecast that follows from it."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, Refused, invalid
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.said_legs import said_legs
from rimekeep.loading.tables import LoadPlanRow, RoadDefaults, Trip
from rimekeep.platform.database import take_turns
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say

# A departure further from the day planned is a slip of the pen. [days]
MOST_DAYS_APART = 7


def set_road_defaults(
    session: Session, now: datetime, caller: Caller, facts: Mapping[str, Any]
) -> dict[str, Any]:
    """Say what the site takes for its trips where nobody said otherwise; what is not named is as invented."""
    take_turns(session, f"the road defaults of site {caller.site_id}")
    kept = {name: value for name, value in facts.items() if value is not None}
    found = session.get(RoadDefaults, caller.site_id)
    if found is None:
        session.add(RoadDefaults(site_id=caller.site_id, facts=kept, set_at=now, set_by=caller.id))
    else:
        found.facts, found.set_at, found.set_by = kept, now, caller.id
    session.flush()
    record(session, caller.site_id, Event("road.defaults-set", now, actor_id=caller.id, data=kept))
    return kept


def plan_road(
    session: Session, now: datetime, caller: Caller, *, trip_id: int, road: Mapping[str, Any]
) -> dict[str, Any]:
    """Say what is known of a trip's road, all of it anew; return the forecast that follows."""
    plan, trips = queries.plan_of_trip(session, caller.site_id, trip_id)
    trip = next(one for one in trips if one.id == trip_id)
    if trip.departed_at is not None:
        raise Conflict("trip-departed", say("Trip {id} has departed.", id=trip.id), data={"id": trip.id})
    _check_departure(road.get("departs_at"), plan.ship_on)
    drops = {place.drop for place in queries.places(session, [trip.id])}
    for k, leg in enumerate(road.get("legs") or ()):
        if leg["drop"] not in drops:
            raise invalid(
                f"legs[{k}].drop",
                say("Trip {id} has no drop {leg}.", id=trip.id, leg=leg["drop"]),
                say("Give drops from {drops} to {drops_drops}.", drops=min(drops), drops_drops=max(drops)),
            )
    trip.road = {name: value for name, value in road.items() if value is not None}
    reckon_cold(session, now, trip)
    data = {"id": trip.id, "road": trip.road, "verdict": trip.cold["verdict"]}
    record(session, caller.site_id, Event("trip.road-planned", now, actor_id=caller.id, data=data))
    return trip.cold


def _check_departure(departs_at: str | None, ship_on: date) -> None:
    if departs_at is None:
        return
    apart = abs((datetime.fromisoformat(departs_at).date() - ship_on).days)
    if apart > MOST_DAYS_APART:
        raise invalid(
            "departs_at",
            say(
                "The trip is planned for {ship_on}, {apart} days from {departs_at}.",
                ship_on=ship_on.isoformat(),
                apart=apart,
                departs_at=departs_at,
            ),
            say("Give a time near that day."),
        )


def keep_said_legs(trip: Trip, before: Iterable[PlaceView], after: Mapping[int, str]) -> None:
    """Let what was said of a trip's legs follow its customers to the drops they have now."""
    was = {place.drop: place.customer_code for place in before if place.trip_id == trip.id}
    if trip.road.get("legs") and was != dict(after):
        trip.road = {**trip.road, "legs": said_legs(trip.road["legs"], was, after)}


def reckon_cold(session: Session, now: datetime, trip: Trip) -> None:
    """Work a trip's forecast out anew and keep it with the trip."""
    trip.cold = queries.trip_forecast(session, now, trip)
    session.flush()


def require_cold_enough(session: Session, now: datetime, plan: LoadPlanRow) -> None:
    """
    Refuse a plan of which a trip would come to a drop too warm, or with less life than its customer wants.

    A trip of a vehicle whose data do not tell is let pass; its forecast says what is missing. One that left
    keeps what was reckoned then: nothing of it can be planned otherwise any more.
    """
    short: list[dict[str, Any]] = []
    texts: list[str] = []
    for trip in queries.trips_of(session, plan.id):
        if trip.departed_at is not None:
            continue
        reckon_cold(session, now, trip)
        if trip.cold["verdict"] == "no":
            ways = trip.cold["remedies"]
            mend = " ".join(one["text"] for one in ways) or say(
                "Plan the trip otherwise: another hour, vehicle or load."
            )
            raise Refused(
                "reefer-too-weak",
                say(
                    "Trip {id} is not held cold. {cold} {mend}", id=trip.id, cold=trip.cold["text"], mend=mend
                ),
                data={
                    "trip_id": trip.id,
                    "compartment": trip.cold["compartment"],
                    "leg": trip.cold["hottest_leg"],
                    "short_w": trip.cold["short_w"],
                    "remedies": ways,
                },
            )
        for drop in trip.cold["drops"]:
            texts += drop["short"]
            short += [
                {
                    "trip_id": trip.id,
                    "drop": drop["drop"],
                    "customer": drop["customer"],
                    "sscc": one["sscc"],
                    "lot_code": one["lot_code"],
                    "sku": one["sku"],
                    "days_short": -one["spare_days"],
                }
                for one in drop["contents"]
                if one["spare_days"] < 0
            ]
    if short:
        more = "" if len(texts) == 1 else say(" and {n} more", n=len(texts) - 1)
        raise Refused(
            "life-too-short",
            say(
                "{texts}{more} Have the order served from a younger lot, or deliver it sooner.",
                texts=texts[0],
                more=more,
            ),
            data={"contents": short},
        )
