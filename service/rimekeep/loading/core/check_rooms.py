"""Judging how a body is divided: whether bulkheads can be set at all, and those a plan says it sets."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.vehicle import LoadRequest, Truck
from rimekeep.loading.core.violation import Violation
from rimekeep.wording import say

Room = tuple[int, int, float, float]
"""A compartment as a plan tells it: first and last row, from 0, and the range of its air. [°C]"""

_SAME_C = 1e-9


def broken_by_bulkheads(
    request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing]
) -> Iterator[Violation]:
    """Look for places for the bulkheads so that all goods of every compartment share a temperature."""
    known = {one.id: one for one in request.temperature_classes}
    for body in sorted({one.body for one in standing}):
        rows = [r for r, row in enumerate(truck.rows) if row.body == body]
        ranges = {r: [known[one.pallet.temperature_class] for one in standing if one.row == r] for r in rows}
        # Fewest compartments that reach from the front wall to behind each row where a bulkhead may stand.
        reached = {rows[0]: 0}
        for end in rows:
            if end != rows[-1] and truck.bulkhead_rows is not None and end not in truck.bulkhead_rows:
                continue
            ways = []
            for start, count in reached.items():
                inside = [one for r in rows if start <= r <= end for one in ranges[r]]
                low = max((one.min_c for one in inside), default=0.0)
                high = min((one.max_c for one in inside), default=0.0)
                if low <= high:
                    ways.append(count + 1)
            if ways:
                reached[end + 1] = min(ways)
        needed = reached.get(rows[-1] + 1)
        if needed is None or needed > truck.compartments:
            how_many = say("more") if needed is None else str(needed)
            text = say(
                "The goods in {which} need {how_many} compartments where bulkheads may stand, and there "
                "are {compartments}: each holds one temperature.",
                which=(say("the trailer") if body else say("the body")),
                how_many=how_many,
                compartments=truck.compartments,
            )
            yield Violation("temperature", v, None, needed or 0, truck.compartments, text)


def broken_by_rooms(
    request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing], rooms: Sequence[Room]
) -> Iterator[Violation]:
    """
    Yield what is wrong with the compartments a plan tells of a vehicle; none told is one air for all.

    Each is to hold rows that follow each other in one body, end where a bulkhead may stand, and tell an air
    that all its goods may travel in.
    """
    if not rooms:
        return
    bodies = {truck.rows[row].body for row in range(len(truck.rows))}
    if request.rules.is_single_compartment or truck.has_one_air:
        text = say("The vehicle is told to have {n} compartments and has one air.", n=len(rooms))
        yield Violation("compartment", v, None, len(rooms), 1, text)
        return
    for (_, last, _, _), (first, _, _, _) in pairwise(rooms):
        is_new_body = truck.rows[last].body != truck.rows[min(first, len(truck.rows) - 1)].body
        if first <= last or (first != last + 1 and not is_new_body):
            text = say(
                "The compartment from row {first} does not follow the one that ends with row {last}.",
                first=first + 1,
                last=last + 1,
            )
            yield Violation("compartment", v, None, first, last + 1, text)
        elif not is_new_body and truck.bulkhead_rows is not None and last not in truck.bulkhead_rows:
            text = say("A bulkhead is told behind row {last}, where none may stand.", last=last + 1)
            yield Violation("compartment", v, None, last, last, text)
    for body in bodies:
        own = [one for one in rooms if truck.rows[one[0]].body == body]
        if len(own) > truck.compartments:
            text = say(
                "There are {n} compartments in one body, and it has {compartments}.",
                n=len(own),
                compartments=truck.compartments,
            )
            yield Violation("compartment", v, None, len(own), truck.compartments, text)
    known = {one.id: one for one in request.temperature_classes}
    for one in standing:
        carried = known[one.pallet.temperature_class]
        told = [room for room in rooms if room[0] <= one.row <= room[1]]
        if not any(
            low <= high + _SAME_C and low >= carried.min_c - _SAME_C and high <= carried.max_c + _SAME_C
            for _, _, low, high in told
        ):
            air = (
                say("is told {told:g} to {told_3:g} °C", told=told[0][2], told_3=told[0][3])
                if told
                else say("is in no compartment")
            )
            text = say(
                "Pallet {id} in row {row} may travel at {min_c:g} to {max_c:g} °C and {air}.",
                id=one.pallet.id,
                row=one.row + 1,
                min_c=carried.min_c,
                max_c=carried.max_c,
                air=air,
            )
            yield Violation("compartment", v, None, one.row, one.row, text)
