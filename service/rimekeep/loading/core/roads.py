"""Roads between a depot and its drops: metres and seconds, opening times, and how a given order runs."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import asin, cos, radians, sin, sqrt

import numpy as np

# Mean radius of the earth, (2a + b) / 3 of the GRS 80 ellipsoid (IUGG). [m]
EARTH_RADIUS_M = 6_371_008.8

Matrix = tuple[tuple[int, ...], ...]
Position = tuple[float, float]
"""Degrees north and east."""


@dataclass(frozen=True, slots=True)
class Call:
    """
    One drop as the road sees it: unloading starts between its opening times and takes ``service_s``.

    Times are seconds after the midnight the day begins with, by the clock of the place; None: never shut.
    """

    id: str
    service_s: int = 0
    open_from_s: int = 0
    open_until_s: int | None = None


@dataclass(frozen=True, slots=True)
class Roads:
    """
    What there is to drive: place 0 of both matrices is the depot, place k + 1 the k-th call.

    Trucks leave no sooner than ``leaves_s``; where they do not come back the way home counts nothing.
    ``is_estimated`` says that driving times are reckoned and were not given.
    """

    calls: tuple[Call, ...]
    distances_m: Matrix
    drive_s: Matrix
    leaves_s: int = 0
    is_return_counted: bool = True
    is_estimated: bool = False

    def part(self, ids: Collection[str]) -> "Roads":
        """Return the roads between the depot and some of the calls, in the order they have here."""
        kept = [k for k, call in enumerate(self.calls) if call.id in ids]
        places = [0, *(k + 1 for k in kept)]
        return replace(
            self,
            calls=tuple(self.calls[k] for k in kept),
            distances_m=tuple(tuple(self.distances_m[a][b] for b in places) for a in places),
            drive_s=tuple(tuple(self.drive_s[a][b] for b in places) for a in places),
        )

    def number(self, call_id: str) -> int:
        """Return which call has an id."""
        return next(k for k, call in enumerate(self.calls) if call.id == call_id)

    def leg_s(self, a: int, b: int) -> int:
        """Return the seconds from one place to another, the way home included only where it counts."""
        return self.drive_s[a][b] if b or self.is_return_counted else 0

    def leg_m(self, a: int, b: int) -> int:
        """Return the metres of the same leg."""
        return self.distances_m[a][b] if b or self.is_return_counted else 0


@dataclass(frozen=True, slots=True)
class Arrival:
    """When a drop is reached, how long the truck waits there, and by how much the opening time is missed."""

    id: str
    arrives_s: int
    waits_s: int
    late_s: int


@dataclass(frozen=True, slots=True)
class Run:
    """One truck's way round in a certain order; ``ends_s`` is back at the depot, or done at the last drop."""

    arrivals: tuple[Arrival, ...]
    leaves_s: int
    ends_s: int
    distance_m: int
    drive_s: int

    @property
    def late_s(self) -> int:
        """By how much all opening times together are missed."""
        return sum(one.late_s for one in self.arrivals)

    @property
    def cost(self) -> tuple[int, int, int]:
        """What makes one order better than another: first lateness, then driving time, then distance."""
        return self.late_s, self.drive_s, self.distance_m


def run(roads: Roads, order: Sequence[int]) -> Run:
    """
    Return how an order of calls runs: waiting where a truck comes too early, late where it comes too late.

    The truck leaves later than it might where it would only wait at the first drop.
    """
    if not order:
        return Run((), roads.leaves_s, roads.leaves_s, 0, 0)
    leaves_s = max(roads.leaves_s, roads.calls[order[0]].open_from_s - roads.drive_s[0][order[0] + 1])
    clock_s, at, distance_m, drive_s = leaves_s, 0, 0, 0
    arrivals = []
    for k in order:
        call = roads.calls[k]
        drive_s += roads.leg_s(at, k + 1)
        distance_m += roads.leg_m(at, k + 1)
        arrives_s = clock_s + roads.leg_s(at, k + 1)
        starts_s = max(arrives_s, call.open_from_s)
        late_s = max(0, starts_s - call.open_until_s) if call.open_until_s is not None else 0
        arrivals.append(Arrival(call.id, arrives_s, starts_s - arrives_s, late_s))
        clock_s, at = starts_s + call.service_s, k + 1
    return Run(
        tuple(arrivals),
        leaves_s,
        clock_s + roads.leg_s(at, 0),
        distance_m + roads.leg_m(at, 0),
        drive_s + roads.leg_s(at, 0),
    )


def great_circle_m(a: Position, b: Position) -> float:
    """
    Return the distance of two places along the surface of a sphere of the earth's mean radius.

    By the haversine formula [1]_, which keeps its digits for places near each other. Against the ellipsoid
    it is wrong by up to about 0.6 %.

    Parameters
    ----------
    a, b
        Degrees north and east, -90...90 and -180...180. [°]

    Returns
    -------
    float
        0 for one and the same place. [m]

    References
    ----------
    .. [1] R. W. Sinnott, "Virtues of the Haversine," Sky and Telescope 68 (1984) 159.

    Examples
    --------
    >>> round(great_circle_m((0.0, 0.0), (0.0, 1.0)))
    111195
    """
    north_a, north_b = radians(a[0]), radians(b[0])
    across = sin((north_b - north_a) / 2) ** 2
    along = sin(radians(b[1] - a[1]) / 2) ** 2
    return 2 * EARTH_RADIUS_M * asin(min(1.0, sqrt(across + cos(north_a) * cos(north_b) * along)))


def road_matrix(places: Sequence[Position], *, detour: float) -> Matrix:
    """Return whole metres between places: the great circle, longer by a factor for the bends of roads."""
    return tuple(tuple(round(great_circle_m(a, b) * detour) for b in places) for a in places)


def drive_matrix(distances_m: Sequence[Sequence[int]], *, speed_kmh: float) -> Matrix:
    """Return whole seconds for distances at an average speed."""
    return tuple(tuple(round(one * 3.6 / speed_kmh) for one in row) for row in distances_m)


def quickest(drive_s: Sequence[Sequence[int]]) -> Matrix:
    """Return the quickest way between all pairs, over other places where that is quicker (Floyd, 1962)."""
    best = np.array(drive_s, dtype=np.int64)
    for via in range(len(best)):
        best = np.minimum(best, best[:, [via]] + best[[via], :])
    return tuple(tuple(row) for row in best.tolist())
