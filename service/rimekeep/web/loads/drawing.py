"""A deck as it is drawn: from above, with the front wall at the left, and from its left side."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.vehicle import Row

# Looks of drops: a colour and a pattern each, told apart without colour too. Numbers go on beyond them.
LOOKS = 10
CELL_WIDTH, CELL_HEIGHT = 74, 66
EDGE = 26
# Room for a bulkhead between two rows.
BULKHEAD = 16
SIDE_WIDTH, SIDE_HEIGHT, FLOOR_Y = 760, 230, 170
# Goods whose height nobody stated are drawn like this. [mm]
USUAL_HEIGHT_MM = 1500.0
_BODY_HEIGHT_MM = 2600.0
_TIGHT_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class DrawnUnit:
    """A unit on its place."""

    place: PlaceView
    look: int
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class Spot:
    """One place of the deck, with what stands there: nothing, a unit, or units on top of each other."""

    row: int
    lane: int
    x: float
    y: float
    units: tuple[DrawnUnit, ...]
    is_next: bool = False

    @property
    def ssccs(self) -> str:
        """What stands there, as the page's script reads it."""
        return " ".join(unit.place.sscc for unit in self.units)


@dataclass(frozen=True, slots=True)
class FromAbove:
    """The deck from above."""

    width: float
    height: float
    spots: tuple[Spot, ...]
    rows: tuple[tuple[int, float], ...]
    # Where one body ends and a trailer begins.
    gaps: tuple[float, ...]
    bulkheads: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class SideBox:
    """A unit seen from the side."""

    x: float
    y: float
    width: float
    height: float
    look: int
    drop: int
    is_near: bool


@dataclass(frozen=True, slots=True)
class Wheel:
    """Where an axle, a group or the kingpin bears."""

    name: str
    x: float


@dataclass(frozen=True, slots=True)
class FromSide:
    """The deck from its left side."""

    boxes: tuple[SideBox, ...]
    masses: tuple[tuple[float, float], ...]
    wheels: tuple[Wheel, ...]
    left: float
    right: float


@dataclass(frozen=True, slots=True)
class AxleBar:
    """One limit in one state: how much of it is used, drawn and told."""

    name: str
    load_kg: float
    max_kg: float

    @property
    def width(self) -> float:
        """Return the bar's length; the limit stands at 100, and what is over reaches beyond it."""
        return round(min(self.load_kg / self.max_kg, 1.2) * 100, 1) if self.max_kg else 0.0

    @property
    def left_kg(self) -> float:
        """Return what it could carry more, below zero where it is over."""
        return self.max_kg - self.load_kg

    @property
    def verdict(self) -> str:
        """Return over, tight (nearly all of it used), or free."""
        if self.left_kg < 0:
            return "over"
        return "tight" if self.load_kg >= _TIGHT_SHARE * self.max_kg else "free"


@dataclass(frozen=True, slots=True)
class WeightState:
    """All limits at departure (``stop`` None) or after one drop."""

    number: int
    stop: str | None
    gross_kg: float
    bars: tuple[AxleBar, ...]


def look_of(drop: int) -> int:
    """Return the look of a drop, counted from 1."""
    return (drop - 1) % LOOKS


def from_above(
    rows: Sequence[Row],
    places: Sequence[PlaceView],
    due: Collection[str] = (),
    behind: Collection[int] = (),
) -> FromAbove:
    """
    Return the deck from above; units on top of each other share a place; ``due`` come next.

    ``behind`` are the rows, from 0, that a bulkhead stands behind.
    """
    standing = _standing(places)
    lanes = max((row.lanes for row in rows), default=1)
    spots, heads, gaps, bulkheads = [], [], [], []
    x = float(EDGE)
    for number, row in enumerate(rows):
        if number and row.body != rows[number - 1].body:
            gaps.append(x + EDGE / 2)
            x += EDGE
        for lane in range(row.lanes):
            # Lane 1, at the left of who looks in from the doors, is below: the front is at the left.
            y = EDGE + (lanes - 1 - lane) * CELL_HEIGHT
            here = standing[number, lane]
            tall = CELL_HEIGHT / max(len(here), 1)
            units = tuple(
                DrawnUnit(place, look_of(place.drop), y + CELL_HEIGHT - (k + 1) * tall, tall)
                for k, place in enumerate(here)
            )
            spots.append(Spot(number, lane, x, y, units, any(place.sscc in due for place in here)))
        heads.append((number + 1, x + CELL_WIDTH / 2))
        x += CELL_WIDTH
        if number in behind:
            bulkheads.append(x + BULKHEAD / 2)
            x += BULKHEAD
    return FromAbove(
        x + EDGE,
        lanes * CELL_HEIGHT + 2 * EDGE,
        tuple(spots),
        tuple(heads),
        tuple(gaps),
        tuple(bulkheads),
    )


def _standing(places: Sequence[PlaceView]) -> dict[tuple[int, int], list[PlaceView]]:
    found: dict[tuple[int, int], list[PlaceView]] = defaultdict(list)
    for place in places:
        if place.off_at is None:
            found[place.row, place.lane].append(place)
    return found


def from_side(
    rows: Sequence[Row],
    places: Sequence[PlaceView],
    heights_mm: Mapping[str, float],
    truck: Mapping[str, Any],
) -> FromSide:
    """Return the deck from its left side: rows where they stand, goods as high as stated, axles below."""
    wheels = _wheels(truck)
    ends = [row.x_mm for row in rows if row.body == 0] + [x_mm for _, x_mm in wheels]
    step = min((b.x_mm - a.x_mm for a, b in pairwise(rows) if b.x_mm > a.x_mm), default=1200.0)
    low, high = min(ends, default=0.0) - step, max(ends, default=0.0) + step
    scale = SIDE_WIDTH / (high - low)
    tall = (FLOOR_Y - 30) / _BODY_HEIGHT_MM
    standing = _standing(places)
    boxes, masses = [], []
    for number, row in enumerate(rows):
        if row.body:
            continue
        width = min(step, row.along_mm or step) * scale * 0.94
        x = (row.x_mm - low) * scale - width / 2
        mass_kg = 0.0
        for lane in reversed(range(row.lanes)):
            y = float(FLOOR_Y)
            for place in standing[number, lane]:
                height = min(heights_mm.get(place.sscc) or USUAL_HEIGHT_MM, _BODY_HEIGHT_MM) * tall
                y -= height
                mass_kg += place.mass_kg
                boxes.append(SideBox(x, y, width, height, look_of(place.drop), place.drop, is_near=False))
        if mass_kg:
            masses.append((x + width / 2, mass_kg))
    # What stands nearest to who looks hides the rest; only its number is written.
    seen: dict[tuple[float, float], int] = {(box.x, box.y): k for k, box in enumerate(boxes)}
    shown = [
        SideBox(box.x, box.y, box.width, box.height, box.look, box.drop, is_near=seen[box.x, box.y] == k)
        for k, box in enumerate(boxes)
    ]
    own = [row.x_mm for row in rows if row.body == 0] or [0.0]
    return FromSide(
        tuple(shown),
        tuple(masses),
        tuple(Wheel(name, (x_mm - low) * scale) for name, x_mm in wheels),
        (min(own) - step / 2 - low) * scale,
        (max(own) + step / 2 - low) * scale,
    )


def _wheels(truck: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Return where the vehicle bears on its axles, from the front wall, as far as its data tell. [mm]"""
    if truck.get("kind") in ("rigid", "drawbar") and {"front_axle_x_mm", "wheelbase_mm"} <= truck.keys():
        front = float(truck["front_axle_x_mm"])
        return [("front", front), ("rear", front + float(truck["wheelbase_mm"]))]
    if {"d_k_mm", "L_s_mm"} <= truck.keys():
        kingpin = float(truck["d_k_mm"])
        return [("kingpin", kingpin), ("bogie", kingpin + float(truck["L_s_mm"]))]
    return []


def weight_states(table: Sequence[Mapping[str, Any]]) -> list[WeightState]:
    """Return the bars of every axle in every state."""
    return [
        WeightState(
            number,
            state["after_stop"],
            state["gross_kg"],
            tuple(AxleBar(axle["name"], axle["load_kg"], axle["max_kg"]) for axle in state["axles"]),
        )
        for number, state in enumerate(table)
    ]
