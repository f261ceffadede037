"""The roads of a day's plan: where its drops are, when goods are taken in there, and what trips drive."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from rimekeep.errors import Fault, Invalid, Refused
from rimekeep.loading.core.drives import CAUTION, Drive
from rimekeep.loading.core.road_facts import PlannedLeg, PlannedWay
from rimekeep.loading.core.road_form import SERVICE_S
from rimekeep.loading.core.roads import Roads, run
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import say

_DAY_S = 86_400
# Customers a refusal names one by one.
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class DropPlace:
    """Where an order is delivered, how many days after it ships, and between which times of the place."""

    customer: str
    order: str
    place: int | None
    days: int
    latitude: float | None
    longitude: float | None
    opens_at: time | None
    closes_at: time | None


@dataclass(frozen=True, slots=True)
class Halt:
    """One drop of a trip's drive."""

    customer_code: str
    arrives_at: datetime
    clock: str
    waits_s: int
    late_s: int


@dataclass(frozen=True, slots=True)
class TripDrive:
    """
    What a trip drives in the order of its drops.

    ``is_best`` and what stands beside it are known only for the order that was planned: None once units were
    moved so that the order is another.
    """

    leaves_at: datetime
    ends_at: datetime
    distance_m: int
    drive_s: int
    late_s: int
    halts: tuple[Halt, ...]
    is_best: bool | None
    best_order: tuple[str, ...] | None
    least_drive_s: int | None
    is_estimated: bool
    caution: str = CAUTION


def with_roads(
    data: Mapping[str, Any], said: Mapping[str, Any], places: Sequence[DropPlace], *, is_order_given: bool
) -> dict[str, Any]:
    """
    Return a day's request with depot, positions and opening times; ``seq`` only where the order is given.

    Raises
    ------
    Refused
        A customer's orders go to several places: a stop is one.
    Invalid
        A place has no position.
    """
    of_stop: dict[str, DropPlace] = {}
    faults = []
    for one in places:
        first = of_stop.setdefault(one.customer, one)
        if (first.place, first.days) != (one.place, one.days):
            raise Refused(
                "several-places",
                say(
                    "Orders {order} and {one_order} of customer {customer} go to different places or on "
                    "different days, and a stop is one; plan them apart with 'drops'.",
                    order=first.order,
                    one_order=one.order,
                    customer=one.customer,
                ),
                data={"customer": one.customer},
            )
        if one.latitude is None and first is one:
            faults.append(
                Fault(
                    "roads",
                    say(
                        "Order {order} of customer {customer} goes to a place without a position.",
                        order=one.order,
                        customer=one.customer,
                    ),
                    say("Give the customer a drop with latitude and longitude, and the order that drop."),
                )
            )
    if faults:
        raise Invalid(
            "no-position", say("The order of drops cannot be chosen without positions."), tuple(faults)
        )
    stops = []
    for stop in data["stops"]:
        named = {key: value for key, value in stop.items() if key != "seq"}
        named |= _on_the_road(of_stop[stop["id"]], said["service_s"])
        stops.append(named | ({"seq": stop["seq"]} if is_order_given else {}))
    return {
        **data,
        "depot": {
            "latitude_deg": said["latitude"],
            "longitude_deg": said["longitude"],
            "leaves_s": _second(time.fromisoformat(said["leaves_at_time"])),
        },
        "roads": {key: said[key] for key in ("speed_kmh", "detour", "return_counted")},
        "stops": stops,
    }


def _second(clock: time) -> int:
    return clock.hour * 3600 + clock.minute * 60


def _on_the_road(where: DropPlace, service_s: float) -> dict[str, Any]:
    """Return what a stop is to the road: its position, its opening times, what unloading takes."""
    facts: dict[str, Any] = {
        "latitude_deg": where.latitude,
        "longitude_deg": where.longitude,
        "service_s": service_s,
    }
    if where.opens_at is not None and where.closes_at is not None:
        facts["open_from_s"] = where.days * _DAY_S + _second(where.opens_at)
        facts["open_until_s"] = where.days * _DAY_S + _second(where.closes_at)
    return facts


def joining_roads(
    data: Mapping[str, Any], own: Sequence[DropPlace], late: Sequence[DropPlace]
) -> tuple[dict[str, dict[str, Any]], list[str]]:
    """
    Return what stops that join a plan with roads are to the road, and in words what is not known of them.

    ``own`` are the places of the plan's orders, ``late`` of those that join. A plan without roads needs
    nothing; one with roads keeps what it knows.
    """
    if "depot" not in data:
        return {}, []
    known = {stop["id"]: stop for stop in data["stops"]}
    service_s = next((stop["service_s"] for stop in data["stops"] if "service_s" in stop), SERVICE_S)
    first: dict[str, DropPlace] = {}
    for one in (*own, *late):
        first.setdefault(one.customer, one)
    reasons = [
        f"Order {one.order} of customer {one.customer} goes to another place or on another day than order "
        f"{first[one.customer].order}, and a stop is one; plan it by itself."
        for one in late
        if (first[one.customer].place, first[one.customer].days) != (one.place, one.days)
    ]
    joining = {customer: where for customer, where in first.items() if customer not in known}
    for customer, where in sorted(joining.items()):
        if where.latitude is not None and where.longitude is not None:
            continue
        others = [one for one in (*known, *joining) if one != customer]
        pairs = ", ".join(["the store", *others[:_MOST_NAMED]])
        more = f" and {len(others) - _MOST_NAMED} more" if len(others) > _MOST_NAMED else ""
        reasons.append(
            f"How long it takes between {customer} and {pairs}{more} is not known: order "
            f"{where.order} goes to a place without a position. Give the customer a drop with "
            "latitude and longitude, and the order that drop; or plan the order by itself."
        )
    return {customer: _on_the_road(where, service_s) for customer, where in joining.items()}, reasons


def as_planned(data: Mapping[str, Any], request: LoadRequest, drives: Sequence[Drive]) -> dict[str, Any]:
    """Return a day's request as it was planned: its stops numbered, with what is known of each drive."""
    seqs = {stop.id: stop.seq for stop in request.stops}
    return {
        **data,
        "stops": [{**stop, "seq": seqs[stop["id"]]} for stop in data["stops"]],
        "drives": [
            {
                "order": [one.id for one in drive.run.arrivals],
                "is_best": drive.is_best,
                "best_order": drive.best,
                "least_drive_s": drive.least_drive_s,
            }
            for drive in drives
        ],
    }


def site_clock(at: datetime, zone: ZoneInfo, ship_on: date) -> str:
    """
    Return an instant as the site's clock shows it, with its day where it is not the day of the trip.

    Examples
    --------
    >>> at = datetime.fromisoformat("2026-03-17T07:12:40Z")
    >>> site_clock(at, ZoneInfo("Europe/Berlin"), date(2026, 3, 17))
    '08:12'
    """
    local = at.astimezone(zone)
    return f"{local:%H:%M}" if local.date() == ship_on else f"{local:%H:%M} on {local.date().isoformat()}"


def planned_way(roads: Roads, drops: Mapping[str, int], *, ship_on: date, zone: ZoneInfo) -> PlannedWay:
    """Return what a plan says of the road of a trip that serves customers as these drops."""
    order = sorted(drops, key=lambda stop: drops[stop])
    own = roads.part(order)
    found = run(own, [own.number(stop) for stop in order])
    midnight = datetime.combine(ship_on, time(0), tzinfo=zone)
    legs, at = {}, 0
    for stop in order:
        number = own.number(stop)
        call = own.calls[number]
        opens_at = midnight + timedelta(seconds=call.open_from_s) if call.open_from_s else None
        legs[drops[stop]] = PlannedLeg(own.drive_s[at][number + 1], call.service_s, opens_at)
        at = number + 1
    return PlannedWay(midnight + timedelta(seconds=found.leaves_s), legs, roads.is_estimated)


def trip_drive(
    roads: Roads, order: Sequence[str], known: Sequence[Mapping[str, Any]], *, ship_on: date, zone: ZoneInfo
) -> TripDrive:
    """
    Return what a trip drives that serves customers in an order; ``known`` is what `as_planned` kept.

    Times are by the site's clock, which is taken not to be changed while trucks are on the road.
    """
    own = roads.part(order)
    found = run(own, [own.number(stop) for stop in order])
    proof: Mapping[str, Any] = next((one for one in known if one["order"] == list(order)), {})
    midnight = datetime.combine(ship_on, time(0), tzinfo=zone)

    def at(seconds: int) -> datetime:
        return midnight + timedelta(seconds=seconds)

    best = proof.get("best_order")
    return TripDrive(
        at(found.leaves_s),
        at(found.ends_s),
        found.distance_m,
        found.drive_s,
        found.late_s,
        tuple(
            Halt(
                one.id,
                at(one.arrives_s),
                site_clock(at(one.arrives_s), zone, ship_on),
                one.waits_s,
                one.late_s,
            )
            for one in found.arrivals
        ),
        proof.get("is_best"),
        None if best is None else tuple(best),
        proof.get("least_drive_s"),
        roads.is_estimated,
    )
