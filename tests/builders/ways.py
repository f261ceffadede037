"""Invented roads, and two published round trips with their proven lengths."""

from __future__ import annotations

from collections.abc import Sequence
from math import acos, cos

from rimekeep.loading.core.roads import Call, Matrix, Roads

# TSPLIB's burma14 and ulysses16 (G. Reinelt, "TSPLIB, a traveling salesman problem library," ORSA Journal on
# Computing 3 (1991) 376), degrees and minutes as DDD.MM, and their proven optima. From memory: a digit that is
# wrong would show as another length.
BURMA14_KM = 3323
BURMA14 = (
    (16.47, 96.10), (16.47, 94.44), (20.09, 92.54), (22.39, 93.37), (25.23, 97.24), (22.00, 96.05),
    (20.47, 97.02), (17.20, 96.29), (16.30, 97.38), (14.05, 98.12), (16.53, 97.38), (21.52, 95.59),
    (19.41, 97.13), (20.09, 94.55),
)  # fmt: skip
ULYSSES16_KM = 6859
ULYSSES16 = (
    (38.24, 20.42), (39.57, 26.15), (40.56, 25.32), (36.26, 23.12), (33.48, 10.54), (37.56, 12.19),
    (38.42, 13.11), (37.52, 20.44), (41.23, 9.10), (41.17, 13.05), (36.08, -5.21), (38.47, 15.13),
    (38.15, 15.35), (37.51, 15.17), (35.49, 14.32), (39.36, 19.56),
)  # fmt: skip


def tsplib_km(places: Sequence[tuple[float, float]]) -> Matrix:
    """Return the distances TSPLIB defines for geographical instances, its short pi included."""

    def radians(value: float) -> float:
        degrees = int(value)
        return 3.141592 * (degrees + 5 * (value - degrees) / 3) / 180

    def km(a: tuple[float, float], b: tuple[float, float]) -> int:
        (north_a, east_a), (north_b, east_b) = map(radians, a), map(radians, b)
        q1, q2, q3 = cos(east_a - east_b), cos(north_a - north_b), cos(north_a + north_b)
        return int(6378.388 * acos(0.5 * ((1 + q1) * q2 - (1 - q1) * q3)) + 1)

    return tuple(tuple(0 if a == b else km(a, b) for b in places) for a in places)


def plain_roads(legs: Matrix, **changes: object) -> Roads:
    """Return roads whose seconds and metres are one matrix, with a call for every place but the first."""
    calls = tuple(Call(f"S{k}") for k in range(1, len(legs)))
    return Roads(**({"calls": calls, "distances_m": legs, "drive_s": legs} | changes))  # type: ignore[arg-type]
