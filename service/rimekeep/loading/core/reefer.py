"""A refrigerated body and its unit: walls, doors, and the capacity its plate or certificate states."""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Self

from rimekeep.errors import Invalid, invalid
from rimekeep.loading.core.fields import FieldReader
from rimekeep.wording import say

# What the inside of a body holds of heat per m² of wall: skins, half of the foam, floor and air. Common
# practice, no source; marked as assumed wherever it is used.
BODY_J_M2K = 8000.0


@dataclass(frozen=True, slots=True)
class CapacityPoint:
    """What the unit takes out at one pair of temperatures. [°C, °C, W]"""

    outside_c: float
    inside_c: float
    watts: float


@dataclass(frozen=True, slots=True)
class Line:
    """Capacity over the inside temperature at one outside temperature; flat beyond its ends. [°C, W]"""

    inside_c: tuple[float, ...]
    watts: tuple[float, ...]

    def at(self, inside_c: float) -> float:
        """Return the capacity. [W]"""
        offset_w, slope_w_k = self.piece(inside_c)
        return offset_w + slope_w_k * inside_c

    def piece(self, inside_c: float) -> tuple[float, float]:
        """Return (a, b) of ``a + b T`` around a temperature; at a bend, of the side above it. [W, W/K]"""
        k = bisect_right(self.inside_c, inside_c)
        if k in (0, len(self.inside_c)):
            return self.watts[min(k, len(self.watts) - 1)] if k == 0 else self.watts[-1], 0.0
        (low, high), (left, right) = self.inside_c[k - 1 : k + 1], self.watts[k - 1 : k + 1]
        slope = (right - left) / (high - low)
        return left - slope * low, slope


@dataclass(frozen=True, slots=True)
class Capacity:
    """
    The unit's capacity over outside and inside temperature, linear between the points given.

    Beyond the points nothing is extrapolated: the nearest value stands where it is the lower one (a colder
    outside, a warmer inside); elsewhere `is_known` says no.
    """

    lines: tuple[tuple[float, Line], ...]

    @classmethod
    def of(cls, points: Sequence[CapacityPoint]) -> Self:
        """
        Return the capacity that goes through all points.

        Raises
        ------
        Invalid
            No point, two of one place, a negative capacity, or one that falls as the inside gets warmer.
        """
        if not points:
            raise invalid(
                "cold.capacity_w",
                say("There is no capacity."),
                say("Give a point of the unit's plate or more."),
            )
        by_outside: dict[float, list[CapacityPoint]] = {}
        for point in sorted(points, key=lambda one: (one.outside_c, one.inside_c)):
            if not all(map(math.isfinite, (point.outside_c, point.inside_c, point.watts))) or point.watts < 0:
                raise invalid(
                    "cold.capacity_w",
                    say("{point} is no capacity.", point=point),
                    say("Give °C, °C and watts of 0 or more."),
                )
            by_outside.setdefault(point.outside_c, []).append(point)
        for here in by_outside.values():
            for colder, warmer in pairwise(here):
                if colder.inside_c == warmer.inside_c or colder.watts > warmer.watts:
                    raise invalid(
                        "cold.capacity_w",
                        say(
                            "At {outside_c:g} °C outside {watts:g} W at {inside_c:g} °C and "
                            "{warmer_watts:g} W at {warmer_inside_c:g} °C cannot both be.",
                            outside_c=here[0].outside_c,
                            watts=colder.watts,
                            inside_c=colder.inside_c,
                            warmer_watts=warmer.watts,
                            warmer_inside_c=warmer.inside_c,
                        ),
                        say("Give each place once; a unit takes out more as the inside gets warmer."),
                    )
        return cls(
            tuple(
                (outside_c, Line(tuple(one.inside_c for one in here), tuple(one.watts for one in here)))
                for outside_c, here in by_outside.items()
            )
        )

    @property
    def least_w(self) -> float:
        """Return the smallest capacity given."""
        return min(line.watts[0] for _, line in self.lines)

    def line(self, outside_c: float) -> Line:
        """Return the capacity over the inside temperature at one outside temperature."""
        outsides = [one for one, _ in self.lines]
        k = bisect_right(outsides, outside_c)
        if k in (0, len(outsides)):
            return self.lines[max(k - 1, 0)][1]
        (low_c, low), (high_c, high) = self.lines[k - 1], self.lines[k]
        share = (outside_c - low_c) / (high_c - low_c)
        insides = sorted({*low.inside_c, *high.inside_c})
        return Line(
            tuple(insides), tuple((1 - share) * low.at(one) + share * high.at(one) for one in insides)
        )

    def is_known(self, outside_c: float, inside_c: float) -> bool:
        """Tell whether the points vouch for a place: not hotter outside nor colder inside than they are."""
        if outside_c > self.lines[-1][0]:
            return False
        around = [line for one, line in self.lines if one >= outside_c][:1]
        around += [line for one, line in self.lines if one <= outside_c][-1:]
        return inside_c >= max(line.inside_c[0] for line in around)


@dataclass(frozen=True, slots=True)
class Body:
    """
    A refrigerated body with its unit.

    ``heat_j_k`` is what its inside holds of heat; doors of no size are not opened in the balance.
    """

    wall_area_m2: float
    k_w_m2k: float
    capacity: Capacity
    door_height_m: float
    door_width_m: float
    has_curtain: bool
    heat_j_k: float

    @property
    def wall_w_k(self) -> float:
        """Heat through the walls per kelvin. [W/K]"""
        return self.wall_area_m2 * self.k_w_m2k


_NUMBERS = ("wall_area_m2", "k_w_m2k", "door_height_m", "door_width_m")


def read_body(cold: Mapping[str, Any], *, body_j_m2k: float = BODY_J_M2K) -> Body:
    """
    Return the body a vehicle's cold data describe.

    Parameters
    ----------
    cold
        ``wall_area_m2``, ``k_w_m2k``, ``capacity_w`` (a list of ``outside_c``, ``inside_c``, ``watts``),
        ``door_height_m``, ``door_width_m``, ``has_curtain``.
    body_j_m2k
        Heat the inside holds per m² of wall, > 0. [J/(m² K)]

    Raises
    ------
    Invalid
        One fault per wrong field.
    """
    read = FieldReader()
    where = "truck.cold"
    sizes = {name: read.number(cold, name, where, is_above=True) for name in _NUMBERS}
    points = []
    for k, given in enumerate(read.items(cold, "capacity_w", f"{where}.capacity_w")):
        place = f"{where}.capacity_w[{k}]"
        entry = read.entry(given, place)
        points.append(
            CapacityPoint(
                read.number(entry, "outside_c", place, least=-60, most=80),
                read.number(entry, "inside_c", place, least=-60, most=80),
                read.number(entry, "watts", place),
            )
        )
    has_curtain = cold.get("has_curtain", False)
    if not isinstance(has_curtain, bool):
        read.fault(
            f"{where}.has_curtain",
            say("{has_curtain!r} is not true or false.", has_curtain=has_curtain),
            say("Give true or false."),
        )
    if read.faults:
        raise Invalid(
            "vehicle-cold", say("The vehicle's cold data cannot be used as they are."), tuple(read.faults)
        )
    return Body(
        **sizes,
        capacity=Capacity.of(points),
        has_curtain=bool(has_curtain),
        heat_j_k=sizes["wall_area_m2"] * body_j_m2k,
    )
