"""
A loaded deck drawn in plain text from above, front wall at the left, doors at the right.

So it drives to the left, and its left side is below: lane 1, at the left of somebody who stands at the doors
and looks in, is the lowest line.
"""

from itertools import pairwise
from string import ascii_uppercase

from rimekeep.loading.core.plan import VehiclePlan
from rimekeep.loading.core.vehicle import LoadRequest

# Beside the mark of a unit that is turned.
_TURNED = "'"
# Between the marks of a unit and the one on top of it.
_ON_TOP = "/"


def deck_drawing(request: LoadRequest, vehicle: VehiclePlan) -> str:
    """
    Return one vehicle's deck as text: a mark per pallet, a legend, and the weights state by state.

    Marks are drop numbers in delivery order (1 is unloaded first; letters from the tenth on), so they read
    without colour; a dot is a free place.

    Examples
    --------
    A deck of four rows by two lanes with two drops looks like this::

        front |2 2 1 .| doors  lane 2 (right)
              |2 2 1 1|        lane 1 (left)

    Where half pallets share places, those have two marks::

        front |2  21 .| doors  lane 2 (right)
              |2  1  1|        lane 1 (left)

    and where units are stacked, ``2/1`` says that one for drop 1 is on top of one for drop 2.
    """
    truck = request.trucks[vehicle.truck]
    stop_of = {pallet.id: pallet.stop for pallet in request.pallets}
    marks = {stop: _mark(k) for k, stop in enumerate(vehicle.stops, start=1)}
    is_any_turned = any(place.is_turned for place in vehicle.placements)
    at: dict[tuple[int, int], str] = {}
    for place in vehicle.placements:
        spot = (place.row, place.lane)
        mark = _ON_TOP * bool(place.tier) + marks[stop_of[place.pallet]] + _TURNED * place.is_turned
        at[spot] = at.get(spot, "") + mark
    wide = max(map(len, at.values()), default=1)
    # Behind these rows a bulkhead stands.
    ends_of = {
        ahead.last_row
        for ahead, behind in pairwise(vehicle.compartments)
        if truck.rows[ahead.last_row].body == truck.rows[behind.first_row].body
    }
    lines = []
    for body in sorted({row.body for row in truck.rows}):
        lines += ["trailer"] if body else []
        rows = [(r, row) for r, row in enumerate(truck.rows) if row.body == body]
        lanes = max(row.lanes for _, row in rows)
        for lane in reversed(range(lanes)):
            cells = [at.get((r, lane), ".") if lane < row.lanes else " " for r, row in rows]
            ends = ("front ", " doors") if lane == lanes - 1 else ("      ", "      ")
            side = {0: " (left)", lanes - 1: " (right)"}.get(lane, "") if lanes > 1 else ""
            drawn = "".join(
                f"{cell:<{wide}}{'|' if r in ends_of else ' '}"
                for cell, (r, _) in zip(cells, rows, strict=True)
            )[:-1]
            lines.append(f"{ends[0]}|{drawn}|{ends[1]}  lane {lane + 1}{side}")
    tops = {(place.row, place.lane) for place in vehicle.placements if place.tier}
    halves = {(place.row, place.lane, place.tier) for place in vehicle.placements}
    lines += ["  two marks on a place: two half pallets"] if len(halves) < len(vehicle.placements) else []
    lines += ["  two marks with /: the second stands on top of the first"] if tops else []
    for stop in vehicle.stops:
        pieces = [place.pallet for place in vehicle.placements if stop_of[place.pallet] == stop]
        lines.append(f"  {marks[stop]}  {stop}: {len(pieces)} {'pallet' if len(pieces) == 1 else 'pallets'}")
    lines += [f"  {_TURNED}  turned by 90° against its row"] if is_any_turned else []
    kinds = {(stop.id, i): one.kind for stop in request.stops for i, one in enumerate(stop.empties)}
    for one in vehicle.stowed:
        lines.append(
            f"  empties of {one.stop} ({kinds[one.stop, one.item]}): row {one.row + 1}, {one.places} "
            f"{'place' if one.places == 1 else 'places'} along the right wall"
        )
    if ends_of:
        behind_rows = " and ".join(f"row {r + 1}" for r in sorted(ends_of))
        lines.append(f"  | between rows: a bulkhead, behind {behind_rows}")
    if vehicle.compartments:
        lines += [
            f"  rows {one.first_row + 1} to {one.last_row + 1}: "
            f"air {one.setpoint_min_c:g} to {one.setpoint_max_c:g} °C"
            for one in vehicle.compartments
        ]
    else:
        lines.append(f"  air {vehicle.setpoint_min_c:g} to {vehicle.setpoint_max_c:g} °C")
    for state in vehicle.states:
        when = "at departure" if state.after_stop is None else f"after {state.after_stop}"
        loads = ", ".join(f"{axle.name} {axle.load_kg:.0f}/{axle.max_kg:.0f}" for axle in state.axles)
        lines.append(f"  {when}: gross {state.gross_kg:.0f} kg; {loads} kg")
    return "\n".join(lines)


def _mark(number: int) -> str:
    if number < 10:
        return str(number)
    letter = number - 10
    return ascii_uppercase[letter] if letter < len(ascii_uppercase) else "+"
