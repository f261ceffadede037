"""Reading depot, positions, distances and opening times of a load request; times are seconds of the day."""

from collections.abc import Mapping, Sequence
from typing import Any

from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.roads import (
    Call,
    Matrix,
    Position,
    Roads,
    drive_matrix,
    quickest,
    road_matrix,
)
from rimekeep.wording import say

# Average speed with towns on the way, how much longer roads are than the great circle, and what unloading a
# drop takes: common practice, no source. Local figures are better.
SPEED_KMH = 50.0
DETOUR = 1.3
SERVICE_S = 900
MOST_CALLS = 200
_DAY_S = 86_400
# A leg is no longer than this: sums stay exact whole numbers.
_LONGEST_M = 5_000_000
_LONGEST_S = 604_800


def roads_of(read: FieldReader, root: Mapping[str, Any], stops: Sequence[Mapping[str, Any]]) -> Roads | None:
    """Return the roads a request describes, None where it says nothing of positions or distances."""
    given = read.entry(root.get("roads", {}), "roads")
    depot = read.entry(root.get("depot", {}), "depot")
    has_matrix = "distances_m" in given
    if not has_matrix and not any(_has_position(stop) for stop in stops):
        if "drive_s" in given:
            read.fault(
                "roads.distances_m", say("There are driving times without distances."), say("Give both.")
            )
        return None
    if len(stops) > MOST_CALLS:
        read.fault(
            "stops",
            say("{n} stops are more than an order is sought for.", n=len(stops)),
            say("Give {MOST_CALLS} at most at once, those near each other together.", MOST_CALLS=MOST_CALLS),
        )
        return None
    faults = len(read.faults)
    calls = tuple(_call(read, stop, f"stops[{k}]") for k, stop in enumerate(stops))
    if has_matrix:
        distances_m = _matrix(read, given, "distances_m", len(stops) + 1, _LONGEST_M)
    else:
        detour = read.number(given, "detour", "roads", default=DETOUR, least=1, most=10)
        places = [_position(read, depot, "depot")]
        places += [_position(read, stop, f"stops[{k}]") for k, stop in enumerate(stops)]
        distances_m = road_matrix(places, detour=detour) if len(read.faults) == faults else ()
    is_estimated = "drive_s" not in given
    if is_estimated:
        speed = read.number(given, "speed_kmh", "roads", default=SPEED_KMH, least=1, most=130)
        drive_s = drive_matrix(distances_m, speed_kmh=speed)
    else:
        drive_s = _matrix(read, given, "drive_s", len(stops) + 1, _LONGEST_S)
    is_timed = any(call.open_until_s is not None or call.open_from_s for call in calls)
    if is_timed and "leaves_s" not in depot:
        read.fault(
            "depot.leaves_s",
            say("There are opening times and it is not said when trucks may leave."),
            say("Give 'leaves_s', the seconds of the day they leave at the earliest."),
        )
    leaves_s = _second(read, depot, "leaves_s", "depot", default=0)
    is_return_counted = read.switch(given, "return_counted", "roads", default=True)
    if len(read.faults) > faults:
        return None
    found = Roads(calls, distances_m, drive_s, leaves_s or 0, is_return_counted, is_estimated)
    _require_in_reach(read, found)
    return found


def _has_position(entry: Mapping[str, Any]) -> bool:
    return entry.get("latitude_deg") is not None or entry.get("longitude_deg") is not None


def _position(read: FieldReader, entry: Mapping[str, Any], where: str) -> Position:
    found = []
    for key, most in (("latitude_deg", 90), ("longitude_deg", 180)):
        if entry.get(key) is None:
            read.fault(
                f"{where}.{key}",
                say("There is no position here, and others have one."),
                say("Give {key!r}, or 'roads.distances_m' for all.", key=key),
            )
            continue
        value = read.number(entry, key, where, least=None, digits=7)
        if abs(value) > most:
            read.fault(
                f"{where}.{key}",
                say("There is no place at {value:g}°.", value=value),
                say("Give -{most} to {most}.", most=most),
            )
        found.append(float(value))
    return (found[0], found[1]) if len(found) == 2 else (0.0, 0.0)


def _call(read: FieldReader, entry: Mapping[str, Any], where: str) -> Call:
    opens = _second(read, entry, "open_from_s", where, default=0) or 0
    until = _second(read, entry, "open_until_s", where, default=None)
    service = read.number(entry, "service_s", where, default=SERVICE_S, most=_DAY_S)
    if until is not None and until < opens:
        read.fault(
            f"{where}.open_until_s",
            say(
                "It shuts at {clock}, before it opens at {clock_opens}.",
                clock=clock(until),
                clock_opens=clock(opens),
            ),
            say("Give the later time here; after midnight times go on beyond 86400."),
        )
    return Call(str(entry.get("id", "")), round(service), opens, until)


def _second(
    read: FieldReader, entry: Mapping[str, Any], key: str, where: str, *, default: int | None
) -> int | None:
    if entry.get(key) is None:
        return default
    return round(read.number(entry, key, where, most=3 * _DAY_S))


def _matrix(read: FieldReader, given: Mapping[str, Any], key: str, size: int, most: int) -> Matrix:
    where = f"roads.{key}"
    rows = given.get(key)
    if not isinstance(rows, list | tuple) or any(not isinstance(row, list | tuple) for row in rows):
        read.fault(where, say("This is no matrix."), say("Give a list of rows, the depot's first."))
        return ()
    if len(rows) != size or any(len(row) != size for row in rows):
        read.fault(
            where,
            say(
                "The matrix is not {size} by {size}: the depot and then the stops as they are listed.",
                size=size,
            ),
            say("Give {size} rows of {size} numbers.", size=size),
        )
        return ()
    found = []
    for a, row in enumerate(rows):
        legs = {f"[{b}]": one for b, one in enumerate(row)}
        found.append(tuple(round(read.number(legs, name, f"{where}[{a}]", most=most)) for name in legs))
    return tuple(found)


def _require_in_reach(read: FieldReader, roads: Roads) -> None:
    """Note drops that are shut before any truck can be there, whatever the order."""
    ways = quickest(roads.drive_s)
    for k, call in enumerate(roads.calls):
        soonest_s = roads.leaves_s + ways[0][k + 1]
        if call.open_until_s is not None and soonest_s > call.open_until_s:
            read.fault(
                f"stops[{k}].open_until_s",
                say(
                    "No order can keep it: {id} shuts at {clock} and is reached at {clock_soonest_s} at the "
                    "earliest, {soonest_s} min late.",
                    id=call.id,
                    clock=clock(call.open_until_s),
                    clock_soonest_s=clock(soonest_s),
                    soonest_s=(soonest_s - call.open_until_s + 59) // 60,
                ),
                say("Let trucks leave earlier ('depot.leaves_s'), or agree on a later time there."),
            )


def clock(seconds: int) -> str:
    """
    Return a second of the day as a clock shows it; days after the first are counted.

    Examples
    --------
    >>> clock(29_520), clock(90_000)
    ('08:12', '01:00 (+1 d)')
    """
    days, rest = divmod(seconds, _DAY_S)
    shown = f"{rest // 3600:02d}:{rest % 3600 // 60:02d}"
    return f"{shown} (+{days} d)" if days else shown
