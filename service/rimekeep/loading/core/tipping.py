"""
What may tip over: units by themselves, stacks as one body, and the upper unit of a stack on the lower.

A body tips about its lower edge when the acceleration's moment is more than its weight's: c d > w, d the
height of its centre of gravity and w that centre's distance from the edge (the condition of EN 12195-1:2010
with c_z = 1, as circulated; the standard's text was not read). The centre is taken in the middle of each
unit; what is heavier at the top tips sooner.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, radians, sin

from rimekeep.loading.core.gear import EDITIONS, Gear, Law, Way
from rimekeep.loading.core.vehicle import Row
from rimekeep.units import G_M_S2


@dataclass(frozen=True, slots=True)
class Standing:
    """
    A unit on its place. ``drop`` after which it is gone; None: it rides to the end. [kg, mm]

    ``tier`` 1 is on top of another. A height of 0 is not known; a side of 0 is its place's.
    """

    row: int
    lane: int
    mass_kg: float
    drop: int | None
    is_turned: bool = False
    tier: int = 0
    height_mm: float = 0.0
    long_mm: float = 0.0
    short_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Body:
    """What may tip as one: its centre above the deck and above its own foot, and the sides of that foot."""

    lane: int
    mass_kg: float
    centre_mm: float
    above_foot_mm: float
    along_mm: float
    across_mm: float

    def lever_mm(self, way: Way) -> float:
        """Return how far the centre is from the edge it would tip over."""
        return (self.across_mm if way == Way.SIDEWAYS else self.along_mm) / 2


def straps_against_tipping(
    mass_kg: float,
    centre_mm: float,
    lever_mm: float,
    *,
    acceleration: float,
    safety_factor: float,
    angle_deg: float,
    tension_dan: float,
) -> float:
    """
    Return how many lashings over the top keep a body from tipping; 0 where it stands by itself.

    ``n = (c d − w) m g f_s / (2 w sin α F_T)``: a lashing presses with 2 F_T sin α on the body's middle [1]_.

    Parameters
    ----------
    mass_kg
        Mass of the body. [kg]
    centre_mm
        Height d of its centre of gravity above its foot. [mm]
    lever_mm
        Distance w of the centre from the edge it tips over, > 0. [mm]
    acceleration
        Coefficient c. [-]
    safety_factor
        f_s. [-]
    angle_deg, tension_dan
        Of the lashing. [°, daN]

    References
    ----------
    .. [1] Equilibrium of moments about the edge, the condition of EN 12195-1:2010 as circulated; that text
       was not read.

    Examples
    --------
    >>> facts = {"acceleration": 0.5, "safety_factor": 1.1, "angle_deg": 90, "tension_dan": 300}
    >>> round(straps_against_tipping(1000, 1200, 400, **facts), 3)
    0.899
    >>> straps_against_tipping(1000, 800, 400, **facts)
    0.0
    """
    over_mm = acceleration * centre_mm - lever_mm
    if over_mm <= 0 or lever_mm <= 0:
        return 0.0
    return (
        over_mm
        * mass_kg
        * G_M_S2
        * safety_factor
        / (2 * lever_mm * sin(radians(angle_deg)) * tension_dan * 10)
    )


@dataclass(frozen=True, slots=True)
class Tipping:
    """Lashings that keep a row's bodies from tipping: those nothing props, and those that lean on others."""

    own: float
    leaning: float


def tipping(
    bodies: Iterable[Body],
    way: Way,
    held_by: str | None,
    beside_mm: Mapping[int, float],
    law: Law,
    gear: Gear,
) -> Tipping:
    """
    Return what keeps bodies of one row from tipping one way.

    One that is held leans on what holds it, if that is as high as its own centre: ``beside_mm`` has the
    height by lane, infinite for a wall.
    """
    edition = EDITIONS[law]
    own = leaning = 0.0
    for body in bodies:
        straps = straps_against_tipping(
            body.mass_kg,
            body.above_foot_mm,
            body.lever_mm(way),
            acceleration=edition.acceleration[way],
            safety_factor=edition.safety_factor[way],
            angle_deg=gear.angle_deg,
            tension_dan=gear.tension_dan,
        )
        if held_by and beside_mm.get(body.lane, 0.0) >= body.centre_mm:
            leaning += straps
        else:
            own += straps
    return Tipping(own, leaning)


def bodies_of(row: Row, standing: Sequence[Standing]) -> tuple[list[Body], list[Body]]:
    """Return what may tip as one in a row, and its upper units alone; where a size is not known, nothing."""
    whole: list[Body] = []
    upper: list[Body] = []
    for lane in sorted({one.lane for one in standing}):
        here = sorted((one for one in standing if one.lane == lane), key=lambda one: one.tier)
        if not all(one.height_mm and _sides_mm(row, one)[0] for one in here):
            continue
        tops = [one for one in here if one.tier]
        # Of two halves beside each other each may tip alone; on half pallets nothing is stacked.
        whole += [_body(row, (low, *tops)) for low in here if not low.tier]
        upper += [_body(row, (one,), foot_mm=here[0].height_mm) for one in tops if not here[0].tier]
    return whole, upper


def _body(row: Row, units: Sequence[Standing], foot_mm: float = 0.0) -> Body:
    moment, height_mm = 0.0, foot_mm
    for one in units:
        moment += one.mass_kg * (height_mm + one.height_mm / 2)
        height_mm += one.height_mm
    mass_kg = sum(one.mass_kg for one in units)
    centre_mm = moment / mass_kg if mass_kg else height_mm / 2
    return Body(units[0].lane, mass_kg, centre_mm, centre_mm - foot_mm, *_sides_mm(row, units[0]))


def _sides_mm(row: Row, one: Standing) -> tuple[float, float]:
    """Return what a unit takes along and across the deck, its long side as its place has it unless turned."""
    long_mm = one.long_mm or max(row.along_mm, row.across_mm)
    short_mm = one.short_mm or min(row.along_mm, row.across_mm)
    return (long_mm, short_mm) if (row.along_mm > row.across_mm) != one.is_turned else (short_mm, long_mm)


def heights_mm(standing: Sequence[Standing]) -> dict[int, dict[int, float]]:
    """Return by row and lane how high it is stacked; what is not known is taken as high enough to lean on."""
    found: dict[int, dict[int, float]] = {}
    for tier in (0, 1):
        for one in standing:
            if one.tier != tier:
                continue
            lanes = found.setdefault(one.row, {})
            height = one.height_mm or inf
            # Two halves beside each other prop as high as the lower of them.
            lanes[one.lane] = (
                lanes.get(one.lane, 0.0) + height if tier else min(height, lanes.get(one.lane, inf))
            )
    return found


def beside_mm(
    rows: Sequence[Row], heights: Mapping[int, Mapping[int, float]], row: int, way: Way, held_by: str | None
) -> dict[int, float]:
    """Return how high what holds each lane of a row is: walls, lanes beside it, or the row that holds it."""
    here = heights[row]
    if way == Way.SIDEWAYS:
        last = rows[row].lanes - 1
        return {
            lane: min(
                inf if side < 0 or side > last else here.get(side, 0.0) for side in (lane - 1, lane + 1)
            )
            for lane in here
        }
    if held_by is None or not held_by.startswith("row "):
        return dict.fromkeys(here, inf)
    other = heights.get(row + (-1 if way == Way.FORWARD else 1), {})
    is_alike = set(here) <= set(other)
    return {lane: other[lane] if is_alike else min(other.values(), default=0.0) for lane in here}
