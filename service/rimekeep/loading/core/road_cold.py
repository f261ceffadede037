"""What a trip's forecast comes to: balance by leg, air, cores, and whether the reefer holds it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rimekeep.loading.core.box import Stretch, air_at
from rimekeep.loading.core.decays import FloatArray

Verdict = Literal["yes", "no", "unknown"]
# Nearer than this to the set point the air is there. [K]
THERE_C = 0.1
# Two temperatures this near are equal for a limit: far below what any probe shows. [K]
_TOLERANCE_C = 1e-6
# Between knots of the air the curve is taken as straight, for ageing. [s]
KNOT_S = 120.0


@dataclass(frozen=True, slots=True)
class LegCold:
    """
    One leg's balance, and the air at its end, before the doors open.

    The parts of the demand are means over the time the unit runs: what comes in through walls and the doors
    of the stop before, what goods give up (below zero: take in), ``behind_w``, what it takes to bring air
    and body down from where they were to the set point, and in a divided body ``beside_w``, what comes from
    the compartments beside. Capacity is at the air there was. Means can hide what
    comes at a leg's end, a hot last hour say: the air decides, the margin explains. ``is_known``: the unit's
    points vouch for its capacity here. [s, W, °C]
    """

    drop: int
    from_s: float
    until_s: float
    outside_max_c: float
    walls_w: float
    doors_w: float
    goods_w: float
    behind_w: float
    capacity_w: float
    air_max_c: float
    air_end_c: float
    is_known: bool
    beside_w: float = 0.0

    @property
    def demand_w(self) -> float:
        """Return what is asked of the unit."""
        return self.walls_w + self.doors_w + self.goods_w + self.behind_w + self.beside_w

    @property
    def margin_w(self) -> float:
        """Return what the unit has to spare; below zero: by how much it is short."""
        return self.capacity_w - self.demand_w


@dataclass(frozen=True, slots=True)
class RoadCold:
    """
    A whole trip's forecast.

    ``cores`` is each load's core as it leaves the vehicle; ``hottest`` the number of the leg with the warmest
    air at its end. [°C]
    """

    setpoint_c: float
    low_c: float
    high_c: float
    legs: tuple[LegCold, ...]
    stretches: tuple[Stretch, ...]
    cores: Mapping[int, float]

    @property
    def hottest(self) -> LegCold:
        """Return the leg at whose end the air is warmest; of equals the one shortest of capacity."""
        return max(self.legs, key=lambda leg: (round(leg.air_end_c, 6), -leg.margin_w))

    @property
    def coldest(self) -> LegCold:
        """Return the leg at whose end the air is coldest."""
        return min(self.legs, key=lambda leg: leg.air_end_c)

    @property
    def verdict(self) -> Verdict:
        """
        Return whether the reefer holds the load's range: the air is within it when doors are to be opened.

        Where its capacity is not known, a "no" stands, because the true one is lower; a "yes" does not.
        """
        if self.is_too_warm or self.is_too_cold:
            return "no"
        return "yes" if all(leg.is_known for leg in self.legs) else "unknown"

    @property
    def is_too_warm(self) -> bool:
        """Tell whether the air comes to a drop above the range."""
        return self.hottest.air_end_c > self.high_c + _TOLERANCE_C

    @property
    def is_too_cold(self) -> bool:
        """Tell whether the air comes to a drop below the range."""
        return self.coldest.air_end_c < self.low_c - _TOLERANCE_C

    @property
    def is_held(self) -> bool:
        """Tell whether the air is back at the set point at the end of every leg."""
        return all(abs(leg.air_end_c - self.setpoint_c) <= THERE_C for leg in self.legs)

    def knots(self, until_s: float) -> tuple[FloatArray, FloatArray]:
        """Return times and air up to a time, close enough for a straight line between them. [s], [°C]"""
        times = [np.zeros(1)]
        for one in self.stretches:
            end = min(one.start_s + one.length_s, until_s)
            count = max(1, int(np.ceil((end - one.start_s) / KNOT_S)))
            if end > one.start_s:
                times.append(np.linspace(one.start_s, end, count + 1)[1:])
        at_s = np.concatenate(times)
        return at_s, air_at(self.stretches, at_s)
