"""By which rules a load is secured, with what gear, in which body."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from rimekeep.loading.core.friction import ON_WRAP
from rimekeep.units import G_M_S2
from rimekeep.wording import say


class Way(StrEnum):
    """A direction a row may move in."""

    FORWARD = "forward"
    BACKWARD = "backward"
    SIDEWAYS = "sideways"


class Law(StrEnum):
    """By which rules it is reckoned."""

    EU = "eu"
    US = "us"


@dataclass(frozen=True, slots=True)
class Edition:
    """Coefficients by direction: acceleration in parts of g, and the factor of safety of friction lashing."""

    text: str
    acceleration: Mapping[Way, float]
    safety_factor: Mapping[Way, float]


EDITIONS = {
    Law.EU: Edition(
        say(
            "EN 12195-1:2010: c 0.8 forward, 0.5 sideways and backward; f_s 1.25 forward, 1.1 otherwise; "
            "tipping by the same c and f_s (as circulated, the standard's text was not read)"
        ),
        {Way.FORWARD: 0.8, Way.BACKWARD: 0.5, Way.SIDEWAYS: 0.5},
        {Way.FORWARD: 1.25, Way.BACKWARD: 1.1, Way.SIDEWAYS: 1.1},
    ),
    Law.US: Edition(
        say(
            "49 CFR 393.102 (0.8 g forward, 0.5 g rearward and sideways), 393.106(d) (working load limit of "
            "half the weight), 393.110 (count); sections from memory; tipping by moments at those "
            "accelerations, no section tells how"
        ),
        {Way.FORWARD: 0.8, Way.BACKWARD: 0.5, Way.SIDEWAYS: 0.5},
        {Way.FORWARD: 1.0, Way.BACKWARD: 1.0, Way.SIDEWAYS: 1.0},
    ),
}


@dataclass(frozen=True, slots=True)
class Gear:
    """
    What holds: friction, straps over the top, bars across the body.

    ``working_load_lb`` is a strap's limit as marked, for the United States. ``friction_between`` is that of a
    wooden pallet on wrapped goods below it. [-, °, daN, daN, lb, -]
    """

    friction: float = 0.3
    angle_deg: float = 60.0
    tension_dan: float = 300.0
    bar_dan: float = 400.0
    working_load_lb: float = 3333.0
    friction_between: float = ON_WRAP


@dataclass(frozen=True, slots=True)
class Room:
    """
    The body around the rows, None where it is not known. ``doors_hold``: closed doors stop the last row.

    A wall that is not known to stand off is taken as close. Walls hold what ``front_dan`` and ``rear_dan``
    say, None: all of it. [mm, daN]
    """

    width_mm: float | None = None
    length_mm: float | None = None
    doors_hold: bool = True
    front_dan: float | None = None
    rear_dan: float | None = None


class Walls(StrEnum):
    """What a body's walls are built to hold, by EN 12642."""

    CODE_L = "l"
    CODE_XL = "xl"


def wall_strengths_dan(walls: Walls, payload_max_kg: float) -> tuple[float, float]:
    """
    Return what front wall and rear wall hold. [daN]

    Code L: 0.4 of the payload's weight, 5000 daN at most, and 0.25, 3100 daN at most; code XL: 0.5 and 0.3
    of it (EN 12642, from memory).

    >>> [round(one) for one in wall_strengths_dan(Walls.CODE_L, 25000)]
    [5000, 3100]
    >>> [round(one) for one in wall_strengths_dan(Walls.CODE_XL, 20000)]
    [9810, 5886]
    """
    weight_dan = payload_max_kg * G_M_S2 / 10
    if walls == Walls.CODE_XL:
        return 0.5 * weight_dan, 0.3 * weight_dan
    return min(0.4 * weight_dan, 5000.0), min(0.25 * weight_dan, 3100.0)
