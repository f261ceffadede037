"""
The integral of the ageing rate over single segments of an air history.

Within a segment the air is linear, so the core is a line plus one decaying exponential, and the rate of
ageing an exponential of its reciprocal: no closed form, but very smooth. Gauss-Legendre quadrature gets it
to the last digits once a piece is short enough, measured in units of τ and in how far the exponent of the
rate moves.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.routes import AnyRoute
from rimekeep.shelflife.core.thermal import lengths_in_tau, mean_decay

# Four nodes leave a relative error below 1e-12 while a piece's difficulty (see _difficulty) stays under the
# first bound; eight nodes under the second. Both measured against adaptive quadrature in the tests.
FEW_NODES, MANY_NODES = 4, 8
FEW_LIMIT, MANY_LIMIT = 0.45, 1.0
NODES = {nodes: np.polynomial.legendre.leggauss(nodes) for nodes in (FEW_NODES, MANY_NODES)}
# A transient this small, in units of the exponent, no longer shows in the last digit of the integral.
SPENT_TRANSIENT = 1e-15
# Segments integrated in one go: their nodes stay within a core's cache, which is several times as fast.
AT_ONCE = 16_000
# Keeps the slope of the air per τ finite when a segment is next to nothing in units of τ.
SHORTEST_TAU = 1e-300
# A linear stretch is easier for eight nodes than a decaying one.
LINEAR_EASE = 3.0
# What is summed up for each route: life used, and how that moves with the route's parameter and
# with the temperature itself (as if all had been measured a kelvin too low).
USED, BY_PARAMETER, BY_WARMTH = 0, 1, 2
MEASURES = 3
# A piece with the bend of a rate in it is halved to this share of its segment: the error falls with the
# cube of its length.
BENT_SHARE = 2.0**-13


@dataclass(frozen=True, slots=True)
class Segments:
    """Stretches of linear air, each with the core it begins with; arrays of one shape (n,). [h, °C]"""

    length_h: FloatArray
    air_start_c: FloatArray
    air_end_c: FloatArray
    core_start_c: FloatArray

    def only(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> "Segments":
        """Return the segments picked by a mask or by index."""
        return Segments(
            self.length_h[which], self.air_start_c[which], self.air_end_c[which], self.core_start_c[which]
        )


def segment_life(segments: Segments, *, routes: Sequence[AnyRoute], tau_h: float) -> FloatArray:
    """Return the share of life each route loses in each segment, shape (routes, n); as `segment_sums`. [-]"""
    return _integrate(segments, routes=routes, tau_h=tau_h, measures=1)[:, USED]


def segment_sums(segments: Segments, *, routes: Sequence[AnyRoute], tau_h: float) -> FloatArray:
    """
    Return what each segment adds to the life used, and how that moves with what is not known exactly.

    Parameters
    ----------
    segments
        n stretches of linear air; lengths ≥ 0.
    routes
        The ways of going off.
    tau_h
        Time constant of the pack, ≥ 0; 0: the core is the air and ``core_start_c`` is not looked at. [h]

    Returns
    -------
    array
        Shape (routes, 3, n): life used, its slope by the route's parameter of temperature (E, Q10 or T_min),
        and its slope by the temperature. The relative error of each entry of the first is below 1e-11.
        [-, 1/parameter, 1/K]
    """
    return _integrate(segments, routes=routes, tau_h=tau_h, measures=MEASURES)


def _integrate(segments: Segments, *, routes: Sequence[AnyRoute], tau_h: float, measures: int) -> FloatArray:
    count = segments.length_h.size
    sums = np.zeros((len(routes), measures, count))
    if count > AT_ONCE:
        for start in range(0, count, AT_ONCE):
            part = slice(start, start + AT_ONCE)
            own = segments.only(np.arange(count)[part])
            sums[:, :, part] = _integrate(own, routes=routes, tau_h=tau_h, measures=measures)
        return sums
    real = np.flatnonzero(segments.length_h > 0)
    if real.size == 0:
        return sums
    some = segments.only(real)
    whole = _Pieces(np.arange(real.size), np.zeros(real.size), np.ones(real.size))
    judge = _Judge(some, routes, tau_h)
    easy = judge.difficulty(whole, linear_ease=1.0, margin=2.0) <= FEW_LIMIT
    easy &= ~judge.is_bent(whole)
    sums[:, :, real[easy]] = _quadrature(some, whole.only(easy), FEW_NODES, routes, tau_h, measures)
    hard = whole.only(~easy)
    while hard.segment.size:
        fits = judge.difficulty(hard, linear_ease=LINEAR_EASE, margin=None) <= MANY_LIMIT
        fits &= ~judge.is_bent(hard) | (hard.end - hard.start <= BENT_SHARE)
        done = hard.only(fits)
        found = _quadrature(some, done, MANY_NODES, routes, tau_h, measures)
        for route, measure in np.ndindex(len(routes), measures):
            parts = found[route, measure]
            sums[route, measure, real] += np.bincount(done.segment, weights=parts, minlength=real.size)
        hard = hard.only(~fits).halved()
    return sums


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Parts of segments: which segment, and from which to which share of its length."""

    segment: NDArray[np.intp]
    start: FloatArray
    end: FloatArray

    def only(self, mask: NDArray[np.bool_]) -> "_Pieces":
        return _Pieces(self.segment[mask], self.start[mask], self.end[mask])

    def halved(self) -> "_Pieces":
        middle = (self.start + self.end) / 2
        return _Pieces(
            np.concatenate([self.segment, self.segment]),
            np.concatenate([self.start, middle]),
            np.concatenate([middle, self.end]),
        )


@dataclass(frozen=True, slots=True)
class _Judge:
    """Tells how hard pieces of segments are to integrate."""

    segments: Segments
    routes: Sequence[AnyRoute]
    tau_h: float

    def difficulty(self, pieces: _Pieces, *, linear_ease: float, margin: float | None) -> FloatArray:
        """
        Return how hard each piece is to integrate, 1 being about the limit of eight nodes.

        With g the exponent of the rate, a piece moves g along a line by ``moved`` and along a decaying
        exponential of height ``transient`` over ``x`` units of τ. Derivatives of exp(d·exp(−x·u)) grow like
        those of a Poisson moment of mean d, which ``x·√(1+d)`` bounds well for eight nodes and
        ``x·(d + margin)`` safely for four. Pieces are halved until they fit, so steps are met by a geometric
        ladder of pieces, and none is spent on the calm tail.
        """
        own = self.segments.only(pieces.segment)
        coldest_c = np.minimum(own.air_start_c, own.air_end_c)
        if self.tau_h > 0:
            coldest_c = np.minimum(coldest_c, own.core_start_c)
        per_kelvin = self.routes[0].steepness(coldest_c)
        for route in self.routes[1:]:
            per_kelvin = np.maximum(per_kelvin, route.steepness(coldest_c))
        share = pieces.end - pieces.start
        rise_c = own.air_end_c - own.air_start_c
        moved = per_kelvin * np.abs(rise_c) * share / linear_ease
        if self.tau_h == 0:
            return moved
        length = np.maximum(lengths_in_tau(own.length_h, self.tau_h), SHORTEST_TAU)
        x = length * share
        height_c = np.abs(own.core_start_c - own.air_start_c + rise_c / length)
        transient = per_kelvin * height_c * np.exp(-length * pieces.start)
        steep = np.sqrt(1 + transient) if margin is None else transient + margin
        return np.where(transient > SPENT_TRANSIENT, moved + x * steep, moved)

    def is_bent(self, pieces: _Pieces) -> NDArray[np.bool_]:
        """Mark the pieces within which the rate of some route is not smooth."""
        bends = [route.bend_c for route in self.routes if route.bend_c is not None]
        bent = np.zeros(pieces.segment.size, dtype=bool)
        if not bends or not bent.size:
            return bent
        ends = np.stack([pieces.start, (pieces.start + pieces.end) / 2, pieces.end], axis=1)
        temp_c = _core_c(self.segments.only(pieces.segment), ends, self.tau_h)
        low, high = temp_c.min(axis=1), temp_c.max(axis=1)
        for bend_c in bends:
            bent |= (low < bend_c) & (high > bend_c)
        return bent


def _core_c(own: Segments, share: FloatArray, tau_h: float) -> FloatArray:
    """Return the core at shares, shape (n, m), of n segments. [°C]"""
    rise = (own.air_end_c - own.air_start_c)[:, None] * share
    temp_c = own.air_start_c[:, None] + rise
    if tau_h > 0:
        x = lengths_in_tau(own.length_h, tau_h)[:, None] * share
        temp_c += (own.core_start_c - own.air_start_c)[:, None] * np.exp(-x) - rise * mean_decay(x)
    return np.asarray(temp_c)


def _quadrature(
    segments: Segments,
    pieces: _Pieces,
    nodes: int,
    routes: Sequence[AnyRoute],
    tau_h: float,
    measures: int,
) -> FloatArray:
    """Return the integrals over each piece, shape (routes, measures, pieces), with ``nodes`` nodes."""
    own = segments.only(pieces.segment)
    at, weights = NODES[nodes]
    width = pieces.end - pieces.start
    temp_c = _core_c(own, pieces.start[:, None] + width[:, None] * (at + 1) / 2, tau_h)
    days = own.length_h * width / 24
    sums = np.empty((len(routes), measures, days.size))
    for found, route in zip(sums, routes, strict=True):
        rates = route.rates(temp_c)
        found[USED] = rates @ (weights / 2) * days
        if measures > 1:
            by_parameter, by_warmth = route.slopes(temp_c, rates)
            found[BY_PARAMETER] = by_parameter @ (weights / 2) * days
            found[BY_WARMTH] = by_warmth @ (weights / 2) * days
    return sums
