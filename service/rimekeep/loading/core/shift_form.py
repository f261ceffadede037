"""Reading when a truck is out on a day and how often it may leave; times are seconds of the day."""

from collections.abc import Mapping
from typing import Any

from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.road_form import clock
from rimekeep.loading.core.vehicle import LoadRequest, Shift
from rimekeep.wording import say

SHIFT_FIELDS = ("trips", "shift_starts_s", "shift_ends_s", "turn_round_s", "trip_s")
MOST_TRIPS = 4
# Unloading what came back, cleaning and loading anew: common practice, no source. Local figures are better.
TURN_ROUND_S = 2_700
_DAY_S = 86_400


def shift_of(read: FieldReader, data: Mapping[str, Any], where: str) -> Shift | None:
    """Return a truck's shift, None where nothing is said of one."""
    if all(data.get(name) is None for name in SHIFT_FIELDS):
        return None
    trips = read.whole(data, "trips", where, least=1, most=MOST_TRIPS, is_optional=True) or 1
    missing = [name for name in ("shift_starts_s", "shift_ends_s") if data.get(name) is None]
    for name in missing:
        read.fault(
            f"{where}.{name}",
            say("A truck's trips are fitted into its shift, and one end of it is missing."),
            say("Give {name!r}, the second of the day.", name=name),
        )
    if missing:
        return None
    starts_s = round(read.number(data, "shift_starts_s", where, most=_DAY_S))
    ends_s = round(read.number(data, "shift_ends_s", where, most=2 * _DAY_S))
    if ends_s <= starts_s and not read.faults:
        read.fault(
            f"{where}.shift_ends_s",
            say(
                "The shift ends at {clock} and does not begin before {clock_starts_s}.",
                clock=clock(ends_s),
                clock_starts_s=clock(starts_s),
            ),
            say("Give the later time here; after midnight times go on beyond 86400."),
        )
    turn_round_s = round(read.number(data, "turn_round_s", where, default=TURN_ROUND_S, most=_DAY_S))
    trip_s = None
    if data.get("trip_s") is not None:
        trip_s = round(read.number(data, "trip_s", where, is_above=True, most=_DAY_S))
    return Shift(trips, starts_s, ends_s, turn_round_s, trip_s)


def check_shifts(read: FieldReader, request: LoadRequest) -> None:
    """Note of every truck with a shift where what its trips take is not known, or known twice."""
    several = len({truck.kind for truck in request.trucks}) > 1
    for kind, shift in {truck.kind: truck.shift for truck in request.trucks}.items():
        where = f"trucks[{kind}]" if several else "truck"
        if shift is None:
            continue
        if request.roads is None and shift.trip_s is None:
            read.fault(
                f"{where}.trip_s",
                say("Whether the trips fit the shift cannot be told: nothing is said of how long one takes."),
                say("Give 'trip_s' in seconds, or positions of depot and stops."),
            )
        elif request.roads is not None and shift.trip_s is not None:
            read.fault(
                f"{where}.trip_s",
                say("How long trips take is reckoned from the roads."),
                say("Leave 'trip_s' out, or leave the positions out."),
            )
        if request.roads is not None and not request.roads.is_return_counted and shift.trips > 1:
            read.fault(
                f"{where}.trips",
                say("A truck leaves again only once it is back, and the way back is not counted."),
                say("Let 'roads.return_counted' be true, or give one trip."),
            )
