"""
How a load is held, row by row and state by state, as it stands at departure and after every drop.

A row is held in a direction when it stands close to a wall, the doors, or a neighbouring row, on which it
then leans. Rows that nothing holds need lashings or bars for themselves and all that leans on them. Advisory:
the driver's check, the labels of straps and bars, and local rules decide; whether goods tip over is not
looked at.
"""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from rimekeep.loading.core.gear import EDITIONS, Gear, Law, Room, Way
from rimekeep.loading.core.securing import (
    lashings_needed,
    tiedowns_for_working_load,
    tiedowns_required,
)
from rimekeep.loading.core.vehicle import Row
from rimekeep.units import G_M_S2, LB_PER_KG, M_PER_FT

# What a form fit may leave open in all, as the CTU Code has it (from memory). [mm]
GAP_MAX_MM = 150.0
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Standing:
    """A unit on its place. ``drop`` after which it is gone; None: it rides to the end. [kg]"""

    row: int
    lane: int
    mass_kg: float
    drop: int | None
    is_turned: bool = False


@dataclass(frozen=True, slots=True)
class RowState:
    """
    One row in one state.

    ``held_by`` says what stops it in each direction, None: nothing. ``lashings`` over the top and ``bars``
    across are what it needs instead, the one or the other, for itself and all rows that lean on it; ``lost``
    are the directions it was still held in one state before. [kg]
    """

    row: int
    units: int
    mass_kg: float
    held_by: Mapping[Way, str | None]
    lashings: Mapping[Way, int]
    bars: Mapping[Way, int]
    lost: tuple[Way, ...]
    said: str

    @property
    def text(self) -> str:
        """Return what holds it, or what it needs, with its number, as people count."""
        return f"Row {self.row + 1}: {self.said}"

    @property
    def is_held(self) -> bool:
        """Tell whether it stands fast by itself."""
        return all(self.held_by[way] for way in Way)

    @property
    def lashings_needed(self) -> int:
        """Return how many lashings hold it in every direction; those over the top serve all of them."""
        return max(self.lashings.values())


@dataclass(frozen=True, slots=True)
class LoadHeld:
    """All rows in one state; ``after_drop`` 0 is departure."""

    after_drop: int
    rows: tuple[RowState, ...]


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
    lanes: dict[int, set[int]] = {}
    masses: dict[int, float] = {}
    loose = frozenset(one.row for one in left if one.is_turned)
    # Stacked units share a place: they count, and push, but take no lane of their own.
    units = Counter(one.row for one in left)
    for one in left:
        lanes.setdefault(one.row, set()).add(one.lane)
        masses[one.row] = masses.get(one.row, 0.0) + one.mass_kg
    ahead = _chain(rows, lanes, masses, Way.FORWARD, law, gear, room, loose)
    behind = _chain(rows, lanes, masses, Way.BACKWARD, law, gear, room, loose)
    found = {}
    for row in sorted(lanes):
        by = None if row in loose else _sides(rows[row], lanes[row], room)
        sides = _Hold(by, masses[row], rows[row].along_mm)
        holds = {Way.FORWARD: ahead[row], Way.BACKWARD: behind[row], Way.SIDEWAYS: sides}
        held = {way: hold.by for way, hold in holds.items()}
        lashings = {
            way: 0 if hold.by else _lashings(hold, way, held, law, gear) for way, hold in holds.items()
        }
        bars = {way: 0 if hold.by else _bars(hold.mass_kg, way, law, gear) for way, hold in holds.items()}
        was = before.get(row)
        lost = tuple(way for way in Way if was is not None and was.held_by[way] and not held[way])
        said = _said(held, lashings, bars, lost)
        found[row] = RowState(row, units[row], masses[row], held, lashings, bars, lost, said)
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
            own.by = f"row {beside + 1}"
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
        return "the front wall" if gap_mm <= GAP_MAX_MM else None
    if not room.doors_hold:
        return None
    known = room.length_mm is not None and row.along_mm
    gap_mm = room.length_mm - row.x_mm - row.along_mm / 2 if known and room.length_mm is not None else 0.0
    return "the doors" if gap_mm <= GAP_MAX_MM else None


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
    return "the side walls" if gap_mm <= GAP_MAX_MM else None


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


def _said(
    held: Mapping[Way, str | None],
    lashings: Mapping[Way, int],
    bars: Mapping[Way, int],
    lost: Sequence[Way],
) -> str:
    loose = [way for way in Way if not held[way] and (lashings[way] or bars[way])]
    if not loose:
        by = sorted({name for name in held.values() if name})
        return f"held by {', '.join(by)}." if by else "friction holds it."
    most = max(lashings[way] for way in loose)
    parts = [f"{most} lashing{'s' if most > 1 else ''} over the top"]
    along = [way for way in loose if way != Way.SIDEWAYS]
    if along == loose:
        count = max(bars[way] for way in along)
        where = " and ".join("ahead of it" if way == Way.FORWARD else "behind it" for way in along)
        parts.append(f"{count} bar{'s' if count > 1 else ''} {where}")
    words = ", ".join(loose)
    newly = " since the last drop" if lost else ""
    return f"nothing holds it {words}{newly}; {' or '.join(parts)}."
