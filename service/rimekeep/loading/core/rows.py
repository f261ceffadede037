"""
How a load is held, row by row and state by state, as it stands at departure and after every drop.

A row is held in a direction when it stands close to a wall, the doors, or a neighbouring row, on which it
then leans. Rows that nothing holds need lashings or bars for themselves and all that leans on them. Advisory:
the driver's check, the labels of straps and bars, and local rules decide.
"""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

from rimekeep.loading.core.gear import EDITIONS, Gear, Law, Room, Way
from rimekeep.loading.core.held import Above, LoadHeld, RowState
from rimekeep.loading.core.securing import (
    lashings_needed,
    tiedowns_for_working_load,
    tiedowns_required,
)
from rimekeep.loading.core.tipping import Standing, beside_mm, bodies_of, heights_mm, tipping
from rimekeep.loading.core.vehicle import Row
from rimekeep.units import G_M_S2, LB_PER_KG, M_PER_FT
from rimekeep.wording import say

# What a form fit may leave open in all, as the CTU Code has it (from memory). [mm]
GAP_MAX_MM = 150.0
_ROUNDING = 1e-9


def securing(
    rows: Sequence[Row],
    standing: Sequence[Standing],
    *,
    drops: Sequence[int],
    law: Law = Law.EU,
    gear: Gear | None = None,
    room: Room | None = None,
) -> tuple[LoadHeld, ...]:
    """
    Return how each row is held at departure and after every drop but the last.

    Parameters
    ----------
    rows
        The deck's, from the front wall.
    standing
        What is loaded.
    drops
        Numbers of the drops in order.
    law, gear, room
        By which rules, with what, in which body.
    """
    found: list[LoadHeld] = []
    before: dict[int, RowState] = {}
    for after in (0, *drops[:-1]):
        left = [one for one in standing if one.drop is None or one.drop > after]
        state = _state(rows, left, law, gear or Gear(), room or Room(), before)
        found.append(LoadHeld(after, tuple(state[row] for row in sorted(state))))
        before = state
    return tuple(found)


def _state(
    rows: Sequence[Row],
    left: Sequence[Standing],
    law: Law,
    gear: Gear,
    room: Room,
    before: Mapping[int, RowState],
) -> dict[int, RowState]:
    lower = {(one.row, one.lane) for one in left if not one.tier}
    # An upper unit that rides on once the lower one is gone was set down.
    left = [one if (one.row, one.lane) in lower else replace(one, tier=0) for one in left]
    loose = frozenset(one.row for one in left if one.is_turned)
    # Stacked units share a place: they count, and push, but take no lane of their own.
    holds = _holds(rows, left, law, gear, room, loose)
    upper = [one for one in left if one.tier]
    # What is on top pushes on what is beside it, as it does on the deck, and grips less.
    on_top = replace(gear, friction=gear.friction_between)
    holds_above = _holds(rows, upper, law, on_top, room, loose)
    tips = _tips(rows, left, holds, holds_above, law, gear)
    units, units_above = Counter(one.row for one in left), Counter(one.row for one in upper)
    found = {}
    for row, own in holds.items():
        held = {way: hold.by for way, hold in own.items()}
        lashings = {way: 0 if hold.by else _lashings(hold, way, held, law, gear) for way, hold in own.items()}
        bars = {way: 0 if hold.by else _bars(hold.mass_kg, way, law, gear) for way, hold in own.items()}
        was = before.get(row)
        above = None
        if row in holds_above:
            tops = holds_above[row]
            # On a stack that is not held itself nothing beside it is taken to hold the upper unit.
            held_above = {way: hold.by if held[way] else None for way, hold in tops.items()}
            needed = {
                way: max(
                    0 if held_above[way] else _lashings(hold, way, held_above, law, on_top), tips[row][way][1]
                )
                for way, hold in tops.items()
            }
            lost = _lost(was.above.held_by if was is not None and was.above else {}, held_above)
            mass_kg = sum(one.mass_kg for one in upper if one.row == row)
            above = Above(units_above[row], mass_kg, held_above, needed, lost)
        mass_kg = sum(one.mass_kg for one in left if one.row == row)
        tipping_ = {way: tips[row][way][0] for way in Way}
        lost = _lost(was.held_by if was is not None else {}, held)
        found[row] = RowState(row, units[row], mass_kg, held, lashings, bars, lost, tipping_, above)
    return found


def _lost(before: Mapping[Way, str | None], now: Mapping[Way, str | None]) -> tuple[Way, ...]:
    return tuple(way for way in Way if before.get(way) and not now[way])


def _holds(
    rows: Sequence[Row],
    standing: Sequence[Standing],
    law: Law,
    gear: Gear,
    room: Room,
    loose: Collection[int],
) -> dict[int, dict[Way, "_Hold"]]:
    """Return what holds each row of one layer in every direction."""
    lanes: dict[int, set[int]] = {}
    masses: dict[int, float] = {}
    for one in standing:
        lanes.setdefault(one.row, set()).add(one.lane)
        masses[one.row] = masses.get(one.row, 0.0) + one.mass_kg
    ahead = _chain(rows, lanes, masses, Way.FORWARD, law, gear, room, loose)
    behind = _chain(rows, lanes, masses, Way.BACKWARD, law, gear, room, loose)
    found = {}
    for row in sorted(lanes):
        by = None if row in loose else _sides(rows[row], lanes[row], room)
        sides = _Hold(by, masses[row], rows[row].along_mm)
        found[row] = {Way.FORWARD: ahead[row], Way.BACKWARD: behind[row], Way.SIDEWAYS: sides}
    return found


def _tips(
    rows: Sequence[Row],
    left: Sequence[Standing],
    holds: Mapping[int, Mapping[Way, "_Hold"]],
    above: Mapping[int, Mapping[Way, "_Hold"]],
    law: Law,
    gear: Gear,
) -> dict[int, dict[Way, tuple[int, int]]]:
    """
    Return by row the lashings against tipping, of what stands on the deck and of what is on top.

    What leans on a row that nothing holds is kept from tipping there.
    """
    heights = heights_mm(left)
    bodies = {row: bodies_of(rows[row], [one for one in left if one.row == row]) for row in holds}
    found: dict[int, dict[Way, tuple[int, int]]] = {row: {} for row in holds}
    for way in Way:
        straps: list[dict[int, float]] = [{}, {}]
        for layer, layer_holds in enumerate((holds, above)):
            firm: dict[int, str | None] = {}
            head = 0
            for row in sorted(layer_holds, reverse=way == Way.BACKWARD):
                by = firm[row] = layer_holds[row][way].by if holds[row][way].by else None
                kept = tipping(bodies[row][layer], way, by, beside_mm(rows, heights, row, way, by), law, gear)
                leans = by is not None and by.startswith("row ")
                head = head if leans else row
                straps[layer][row] = straps[layer].get(row, 0.0) + kept.own
                if leans and not firm[head]:
                    straps[layer][head] += kept.leaning
        for row in holds:
            low, top = (ceil(layer.get(row, 0.0) - _ROUNDING) for layer in straps)
            found[row][way] = (low, top)
    return found


@dataclass(slots=True)
class _Hold:
    """What stops a row in one direction, and the mass and length of all that leans on it, itself included."""

    by: str | None
    mass_kg: float
    along_mm: float


def _chain(
    rows: Sequence[Row],
    lanes: Mapping[int, set[int]],
    masses: Mapping[int, float],
    way: Way,
    law: Law,
    gear: Gear,
    room: Room,
    loose: Collection[int],
) -> dict[int, _Hold]:
    """
    Return what holds each loaded row in one direction along the deck, from that end on.

    Rows close to one another move as one: they push on the wall together, until it holds no more, or on the
    row that nothing holds, which has to be secured for all of them. ``loose`` rows have a turned unit: gaps
    are left beside it, so nothing is taken to hold them or to lean on them.
    """
    is_forward = way == Way.FORWARD
    step = -1 if is_forward else 1
    wall_dan = room.front_dan if is_forward else room.rear_dan
    found: dict[int, _Hold] = {}
    head: _Hold | None = None
    for row in sorted(lanes, reverse=not is_forward):
        own = _Hold(None, masses[row], rows[row].along_mm)
        beside = row + step
        if row in loose or beside in loose:
            head = own
        elif not (0 <= beside < len(rows)) or rows[beside].body != rows[row].body:
            own.by, head = _end(rows[row], room, is_forward=is_forward), own
        elif head is not None and beside in lanes and _is_close(rows, lanes, row, beside):
            own.by = say("row {beside}", beside=beside + 1)
            head.mass_kg += own.mass_kg
            head.along_mm += own.along_mm
        else:
            head = own
        if (
            head.by
            and wall_dan is not None
            and _push_dan(head.mass_kg, way, law, gear) > wall_dan + _ROUNDING
        ):
            head, own.by = own, None
        found[row] = own
    return found


def _push_dan(mass_kg: float, way: Way, law: Law, gear: Gear) -> float:
    """Return the force friction does not take up. [daN]"""
    return max(0.0, (EDITIONS[law].acceleration[way] - gear.friction) * mass_kg * G_M_S2 / 10)


def _is_close(rows: Sequence[Row], lanes: Mapping[int, set[int]], row: int, beside: int) -> bool:
    between_mm = _between_mm(rows[row], rows[beside])
    return _covers(rows, lanes, row, beside) and (between_mm is None or between_mm <= GAP_MAX_MM)


def _covers(rows: Sequence[Row], lanes: Mapping[int, set[int]], row: int, beside: int) -> bool:
    """Tell whether every unit of a row has one beside it; of rows of different width, at least as many."""
    if rows[row].lanes == rows[beside].lanes:
        return lanes[row] <= lanes[beside]
    return len(lanes[row]) <= len(lanes[beside])


def _end(row: Row, room: Room, *, is_forward: bool) -> str | None:
    if is_forward:
        gap_mm = row.x_mm - row.along_mm / 2 if row.along_mm else 0.0
        return say("the front wall") if gap_mm <= GAP_MAX_MM else None
    if not room.doors_hold:
        return None
    known = room.length_mm is not None and row.along_mm
    gap_mm = room.length_mm - row.x_mm - row.along_mm / 2 if known and room.length_mm is not None else 0.0
    return say("the doors") if gap_mm <= GAP_MAX_MM else None


def _between_mm(one: Row, other: Row) -> float | None:
    if not (one.along_mm and other.along_mm):
        return None
    return abs(one.x_mm - other.x_mm) - (one.along_mm + other.along_mm) / 2


def _sides(row: Row, lanes: set[int], room: Room) -> str | None:
    """Return what holds a row sideways: all of its lanes stand, close between the walls."""
    if len(lanes) < row.lanes:
        return None
    known = room.width_mm is not None and row.across_mm
    gap_mm = room.width_mm - row.lanes * row.across_mm if known and room.width_mm is not None else 0.0
    return say("the side walls") if gap_mm <= GAP_MAX_MM else None


def _lashings(hold: _Hold, way: Way, held: Mapping[Way, str | None], law: Law, gear: Gear) -> int:
    """
    Return how many lashings over the top hold a row and what leans on it in one direction.

    In the United States it counts as one article; what a sided vehicle contains, close to its walls on every
    side, needs none (49 CFR 393.102(c), from memory).
    """
    if law == Law.EU:
        edition = EDITIONS[law]
        return lashings_needed(
            hold.mass_kg,
            friction=gear.friction,
            angle_deg=gear.angle_deg,
            tension_dan=gear.tension_dan,
            acceleration=edition.acceleration[way],
            safety_factor=edition.safety_factor[way],
        )
    weight_lb = hold.mass_kg * LB_PER_KG
    length_ft = max(hold.along_mm, 1.0) / 1000 / M_PER_FT
    return max(
        tiedowns_required(length_ft, weight_lb, blocked_forward=bool(held[Way.FORWARD])),
        tiedowns_for_working_load(
            weight_lb, working_load_limit_lb=gear.working_load_lb, is_vehicle_to_cargo=False
        ),
    )


def _bars(mass_kg: float, way: Way, law: Law, gear: Gear) -> int:
    """Return how many bars take up what friction does not; a bar across the body holds nothing sideways."""
    if way == Way.SIDEWAYS:
        return 0
    return ceil(_push_dan(mass_kg, way, law, gear) / gear.bar_dan - _ROUNDING)
