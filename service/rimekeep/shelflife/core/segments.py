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

from rimekeep.errors import invalid
from rimekeep.shelflife.core.kinetics import FloatArray, arrhenius_rate, check_activation, check_reference
from rimekeep.shelflife.core.thermal import lengths_in_tau, mean_decay
from rimekeep.units import GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET

# Four nodes leave a relative error below 1e-12 while a piece's difficulty (see _difficulty) stays under the
# first bound; eight nodes under the second. Both measured against adaptive quadrature in the tests.
FEW_NODES, MANY_NODES = 4, 8
FEW_LIMIT, MANY_LIMIT = 0.45, 1.0
NODES = {nodes: np.polynomial.legendre.leggauss(nodes) for nodes in (FEW_NODES, MANY_NODES)}
# A transient this small, in units of the exponent, no longer shows in the last digit of the integral.
SPENT_TRANSIENT = 1e-15
# Keeps the slope of the air per τ finite when a segment is next to nothing in units of τ.
SHORTEST_TAU = 1e-300
# A linear stretch is easier for eight nodes than a decaying one.
LINEAR_EASE = 3.0


@dataclass(frozen=True, slots=True)
class Route:
    """One way the beer goes off: a life held at ``reference_c``, and its activation energy."""

    name: str
    reference_c: float
    reference_life_days: float
    activation_kj_mol: float

    def __post_init__(self) -> None:
        """Refuse parameters no beer has."""
        if not self.name:
            raise invalid("name", "A route of ageing needs a name.", "Name it, as in staling or haze.")
        check_reference(self.reference_c, self.reference_life_days)
        check_activation(self.activation_kj_mol)

    @property
    def activation_over_r_k(self) -> float:
        """Return E/R. [K]"""
        return self.activation_kj_mol * 1000 / GAS_CONSTANT_J_MOL_K

    def rate_per_day(self, temp_c: float) -> float:
        """Return the share of this route's life used per day at a constant temperature."""
        return arrhenius_rate(
            temp_c,
            reference_c=self.reference_c,
            reference_life_days=self.reference_life_days,
            activation_kj_mol=self.activation_kj_mol,
        )


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


def segment_life(segments: Segments, *, routes: Sequence[Route], tau_h: float) -> FloatArray:
    """
    Return the share of life each route loses in each segment.

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
        Shape (routes, n), relative error of each entry below 1e-11. [-]
    """
    used = np.zeros((len(routes), segments.length_h.size))
    steepest_k = max(route.activation_over_r_k for route in routes)
    real = np.flatnonzero(segments.length_h > 0)
    if real.size == 0:
        return used
    some = segments.only(real)
    whole = _Pieces(np.arange(real.size), np.zeros(real.size), np.ones(real.size))
    easy = (
        _difficulty(some, whole, steepest_k=steepest_k, tau_h=tau_h, linear_ease=1.0, margin=2.0) <= FEW_LIMIT
    )
    used[:, real[easy]] = _quadrature(some, whole.only(easy), FEW_NODES, routes, tau_h)
    hard = whole.only(~easy)
    while hard.segment.size:
        fits = (
            _difficulty(some, hard, steepest_k=steepest_k, tau_h=tau_h, linear_ease=LINEAR_EASE, margin=None)
            <= MANY_LIMIT
        )
        done = hard.only(fits)
        parts = _quadrature(some, done, MANY_NODES, routes, tau_h)
        for row, part in zip(used, parts, strict=True):
            row[real] += np.bincount(done.segment, weights=part, minlength=real.size)
        hard = hard.only(~fits).halved()
    return used


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


def _difficulty(
    segments: Segments,
    pieces: _Pieces,
    *,
    steepest_k: float,
    tau_h: float,
    linear_ease: float,
    margin: float | None,
) -> FloatArray:
    """
    Return how hard each piece is to integrate, 1 being about the limit of eight nodes.

    With exponent g = E/RT, a piece moves g along a line by ``moved`` and along a decaying exponential of
    height ``transient`` over ``x`` units of τ. Derivatives of exp(d·exp(−x·u)) grow like those of a Poisson
    moment of mean d, which ``x·√(1+d)`` bounds well for eight nodes and ``x·(d + margin)`` safely for four.
    Pieces are halved until they fit, so steps are met by a geometric ladder of pieces, and none is spent on
    the calm tail.
    """
    own = segments.only(pieces.segment)
    coldest_k = np.minimum(np.minimum(own.air_start_c, own.air_end_c), own.core_start_c) + KELVIN_OFFSET
    if tau_h == 0:
        coldest_k = np.minimum(own.air_start_c, own.air_end_c) + KELVIN_OFFSET
    per_kelvin = steepest_k / coldest_k**2
    share = pieces.end - pieces.start
    rise_c = own.air_end_c - own.air_start_c
    moved = per_kelvin * np.abs(rise_c) * share / linear_ease
    if tau_h == 0:
        return moved
    length = np.maximum(lengths_in_tau(own.length_h, tau_h), SHORTEST_TAU)
    x = length * share
    height_c = np.abs(own.core_start_c - own.air_start_c + rise_c / length)
    transient = per_kelvin * height_c * np.exp(-length * pieces.start)
    steep = np.sqrt(1 + transient) if margin is None else transient + margin
    return np.where(transient > SPENT_TRANSIENT, moved + x * steep, moved)


def _quadrature(
    segments: Segments, pieces: _Pieces, nodes: int, routes: Sequence[Route], tau_h: float
) -> FloatArray:
    """Return the share of life used in each piece, shape (routes, pieces), with ``nodes`` nodes."""
    own = segments.only(pieces.segment)
    at, weights = NODES[nodes]
    width = pieces.end - pieces.start
    share = pieces.start[:, None] + width[:, None] * (at + 1) / 2
    rise = (own.air_end_c - own.air_start_c)[:, None] * share
    temp_c = own.air_start_c[:, None] + rise
    if tau_h > 0:
        x = lengths_in_tau(own.length_h, tau_h)[:, None] * share
        temp_c += (own.core_start_c - own.air_start_c)[:, None] * np.exp(-x) - rise * mean_decay(x)
    inverse_k = 1 / (temp_c + KELVIN_OFFSET)
    days = own.length_h * width / 24
    used = np.empty((len(routes), days.size))
    for row, route in zip(used, routes, strict=True):
        exponent = route.activation_over_r_k * (1 / (route.reference_c + KELVIN_OFFSET) - inverse_k)
        row[:] = np.exp(exponent) @ (weights / 2) * days / route.reference_life_days
    return used
