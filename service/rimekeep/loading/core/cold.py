"""The cold of a trip: what its record says."""

import math
from dataclasses import dataclass
from datetime import datetime

from rimekeep.climate.core.air import Air, Joined
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.summary import Summary, summary


@dataclass(frozen=True, slots=True)
class CarryFigures:
    """A trip's air against the range everything on board may travel at. [s since 1970, °C, s]"""

    air: Summary
    above_s: float
    below_s: float
    longest_above_s: float
    longest_below_s: float

    @property
    def outside_s(self) -> float:
        """Return all time outside the range. [s]"""
        return self.above_s + self.below_s


def carry_figures(
    joined: Joined, air: Air, *, low_c: float, high_c: float, from_s: float, until_s: float
) -> CarryFigures:
    """
    Return how well a trip kept its range.

    Parameters
    ----------
    joined
        The vehicle's readings, at least those of the trip.
    air
        Its air from ``from_s`` to ``until_s``.
    low_c, high_c
        The range, both ends included. [°C]
    from_s, until_s
        From the first unit loaded to the last one off. [s since 1970]

    Returns
    -------
    CarryFigures
        A reading outside counts until the next one, as for excursions; what was not measured is neither
        inside nor outside. The mean kinetic temperature follows USP <1160>, over bridged air too.
    """
    # A limit of a rule is outside itself; the ends of a range are inside.
    above = Rule("above", math.nextafter(high_c, math.inf), "single", 0)
    below = Rule("below", math.nextafter(low_c, -math.inf), "single", 0)
    warm, cold = (
        summary(joined, air, rule, error_c=None, from_s=from_s, until_s=until_s) for rule in (above, below)
    )
    return CarryFigures(
        warm,
        warm.outside_s or 0.0,
        cold.outside_s or 0.0,
        warm.longest_outside_s or 0.0,
        cold.longest_outside_s or 0.0,
    )


@dataclass(frozen=True, slots=True)
class ContentCold:
    """
    Cases of one lot on a unit: what the trip did to them.

    Everything from ``used`` on is None for a product without an ageing profile. ``life_lost_days`` is against
    a vehicle that had kept its planned temperature, the core's way back included.
    """

    content_id: int
    lot_code: str
    sku: str
    cases: int
    used: dict[str, float] | None
    used_until: dict[str, float] | None
    days_used: float | None
    life_lost_days: float | None
    core_from_c: float | None
    core_until_c: float | None
    core_min_c: float | None
    core_max_c: float | None
    bridged_s: int | None


@dataclass(frozen=True, slots=True)
class UnitCold:
    """A unit's time on board; ``until_at`` is now while it still is, or the latest it can have been."""

    sscc: str
    order_code: str
    fate: str | None
    loaded_at: datetime
    until_at: datetime
    contents: tuple[ContentCold, ...]


@dataclass(frozen=True, slots=True)
class DropCold:
    """One drop: core at delivery and life used on the trip, unit by unit."""

    drop: int
    customer: str
    customer_name: str
    delivered_at: datetime | None
    note: str
    core_min_c: float | None
    core_max_c: float | None
    units: tuple[UnitCold, ...]


@dataclass(frozen=True, slots=True)
class TripExcursion:
    """What went wrong with the cold on the way."""

    id: int
    kind: str
    severity: str
    started_at: datetime
    ended_at: datetime | None
    limit_c: float | None
    peak_c: float | None
