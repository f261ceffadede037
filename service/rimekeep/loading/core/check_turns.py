"""
Whether the trips of each truck follow one another: no two at once, within the shift, the dock in between.

Times are walked through here drop by drop. Judged is what is said of when trips leave and are back; late at a
drop counts only for a trip that would not be late if its truck left when it first may.
"""

from collections.abc import Iterator, Mapping, Sequence

from rimekeep.loading.core.roads import Roads
from rimekeep.loading.core.vehicle import LoadRequest, Shift, Truck, Turn
from rimekeep.wording import say

Finding = tuple[str, int | None, str | None, float, float, str]
"""Kind, load, after which stop, figure, limit, text."""


def broken_by_turns(
    request: LoadRequest, stops: Sequence[Sequence[str]], taken: Sequence[Truck], turns: Sequence[Turn]
) -> Iterator[Finding]:
    """Yield what the sequence of trips breaks; ``stops`` are those of each load in drop order."""
    of_vehicle: dict[int, list[int]] = {}
    for v in sorted(range(len(turns)), key=lambda v: (turns[v].vehicle, turns[v].trip)):
        of_vehicle.setdefault(turns[v].vehicle, []).append(v)
    yield from _yard(taken, of_vehicle)
    for own in of_vehicle.values():
        first = taken[own[0]]
        numbers = [turns[v].trip for v in own]
        if numbers != list(range(1, len(own) + 1)):
            text = say("The trips of one truck are numbered {numbers}; they go from 1 on.", numbers=numbers)
            yield "trip_number", own[-1], None, numbers[-1], len(own), text
        if len(own) > first.trips:
            text = say("One truck makes {n} trips and may make {trips}.", n=len(own), trips=first.trips)
            yield "trips", own[-1], None, len(own), first.trips, text
        if any(taken[v].kind != first.kind for v in own):
            text = say("The trips of one truck are loaded for trucks of different kinds.")
            yield "vehicle", own[-1], None, len({taken[v].kind for v in own}), 1, text
        elif first.shift is not None:
            yield from _times(
                request.roads, first.shift, own, [stops[v] for v in own], [turns[v] for v in own]
            )


def _yard(taken: Sequence[Truck], of_vehicle: Mapping[int, Sequence[int]]) -> Iterator[Finding]:
    for truck in {one.kind: one for one in taken}.values():
        used = sum(taken[own[0]].kind == truck.kind for own in of_vehicle.values())
        if truck.available is not None and used > truck.available:
            text = say(
                "The trips take {used} trucks and {available} stand in the yard.",
                used=used,
                available=truck.available,
            )
            yield "fleet", None, None, used, truck.available, text


def _times(
    roads: Roads | None,
    shift: Shift,
    own: Sequence[int],
    stops: Sequence[Sequence[str]],
    turns: Sequence[Turn],
) -> Iterator[Finding]:
    free_s, opens_s = shift.starts_s, max(shift.starts_s, roads.leaves_s if roads else 0)
    for v, called, turn in zip(own, stops, turns, strict=True):
        name = say("Trip {trip} of its truck", trip=turn.trip)
        if turn.leaves_s is None or turn.back_s is None:
            yield (
                "trip_time",
                v,
                None,
                0,
                1,
                say("{name} says nothing of when it leaves and is back.", name=name),
            )
            return
        if turn.leaves_s < max(free_s, opens_s):
            text = say(
                "{name} leaves at second {leaves_s}; it cannot before {free_s}.",
                name=name,
                leaves_s=turn.leaves_s,
                free_s=max(free_s, opens_s),
            )
            yield "trip_overlap", v, None, turn.leaves_s, max(free_s, opens_s), text
        if roads is None:
            least_s = turn.leaves_s + (shift.trip_s or 0)
        else:
            starts = _starts(roads, called, turn.leaves_s)
            at = _place(roads, called[-1])
            least_s = starts[-1] + roads.calls[at - 1].service_s
            least_s += roads.drive_s[at][0] if roads.is_return_counted else 0
            yield from _late(roads, v, name, called, starts, _starts(roads, called, opens_s))
        if turn.back_s < least_s:
            text = say(
                "{name} is said to be back at second {back_s} and is not before {least_s}.",
                name=name,
                back_s=turn.back_s,
                least_s=least_s,
            )
            yield "trip_time", v, None, turn.back_s, least_s, text
        if turn.back_s > shift.ends_s:
            text = say(
                "{name} is back at second {back_s}; the shift ends at {ends_s}.",
                name=name,
                back_s=turn.back_s,
                ends_s=shift.ends_s,
            )
            yield "shift", v, None, turn.back_s, shift.ends_s, text
        free_s = turn.back_s + shift.turn_round_s


def _place(roads: Roads, stop: str) -> int:
    return [call.id for call in roads.calls].index(stop) + 1


def _starts(roads: Roads, stops: Sequence[str], leaves_s: int) -> list[int]:
    """Return when unloading starts at each stop."""
    found: list[int] = []
    clock_s, here = leaves_s, 0
    for stop in stops:
        there = _place(roads, stop)
        call = roads.calls[there - 1]
        found.append(max(clock_s + roads.drive_s[here][there], call.open_from_s))
        clock_s, here = found[-1] + call.service_s, there
    return found


def _late(
    roads: Roads,
    v: int,
    name: str,
    stops: Sequence[str],
    starts: Sequence[int],
    soonest: Sequence[int],
) -> Iterator[Finding]:
    for stop, at_s, best_s in zip(stops, starts, soonest, strict=True):
        until_s = roads.calls[_place(roads, stop) - 1].open_until_s
        if until_s is not None and at_s > max(until_s, best_s):
            text = say(
                "{name} comes to {stop} at second {at_s}, which takes nothing in after {until_s}.",
                name=name,
                stop=stop,
                at_s=at_s,
                until_s=until_s,
            )
            yield "opening", v, stop, at_s, until_s, text
