"""
Loads worth much at given prices: a beam over the drops, the last drop first.

Drops stand behind each other from the front wall, so a load grows drop by drop and every state of the road is
passed on the way. Of states alike in places taken, weight and mean distance the one worth most is kept.
Reckoned in floating point and without proof: a deck is asked for every load before it travels.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rimekeep.loading.core.deck import Deck
from rimekeep.loading.core.loader import QuickLoader
from rimekeep.loading.core.moments import MomentDeck
from rimekeep.loading.core.problem import Load, Problem, vehicles_bound

Prices = NDArray[np.float64]
"""What one pallet of every group is worth, in vehicles."""

# Steps of weight and of mean distance states are told apart by, coarse to fine.
FINENESS = ((12, 6), (24, 12), (48, 24))
# What a kilogram costs against its price when pallets of a drop are ranked: value, balance, lightness.
_MASS_WORTHS = (0.0, 0.7, 2.0)
# What a visit costs: of loads nearly alike the one with fewer stops. [vehicles]
_VISIT = 0.0003
# States tried that take about a second of one processor, and loads handed out per search.
_TRIED_PER_EFFORT = 3_000_000
_LOADS = 8
# Axle limits are kept by so much here, for rounding. [kg]
_SLACK_KG = 1e-6


@dataclass(frozen=True, slots=True)
class _Ways:
    """What may be taken of one drop: pallets per group, and each way's pieces, weight, worth and moments."""

    groups: list[int]
    counts: list[tuple[int, ...]]
    pieces: NDArray[np.int64]
    weight_kg: Prices
    worth: Prices
    moments: Prices
    """By way and first place; infinite where it does not fit. [kg m]"""


@dataclass(frozen=True, slots=True)
class _Beam:
    places: NDArray[np.int64]
    weight_kg: Prices
    moment: Prices
    worth: Prices
    stops: NDArray[np.int64]

    def kept(self, some: NDArray[np.int64]) -> "_Beam":
        return _Beam(
            self.places[some], self.weight_kg[some], self.moment[some], self.worth[some], self.stops[some]
        )


def is_apt(problem: Problem, loader: QuickLoader) -> bool:
    """Tell whether moments decide every deck, after every drop too, and drops are more than vehicles."""
    rules = problem.rules
    return (
        rules.is_split_allowed
        and rules.has_weights_after_drops
        and len(problem.stops_of(problem.demand)) > vehicles_bound(problem)
        and not any(group.back for group in problem.groups)
        and loader.is_apt(problem.deck_groups(problem.demand))
    )


class PricedLoads:
    """Finds loads of one problem by price; ``spent`` is the effort gone so far."""

    def __init__(self, problem: Problem) -> None:
        moments = MomentDeck(problem.deck)
        self._problem = problem
        self._x_m = moments.places_m
        self._limits = moments.limits
        self._mass_kg = np.array([float(mass) for mass in problem.masses])
        self._payload_kg = float(problem.payload_kg)
        self._mixes = _mixes(problem)
        self._starts = _starts(problem.deck, self._x_m)
        self._by_drop: dict[int, list[int]] = {}
        for g, group in enumerate(problem.groups):
            self._by_drop.setdefault(group.seq, []).append(g)
        self._zones: dict[tuple[tuple[int, ...], tuple[int, ...]], list[Prices]] = {}
        self.spent = 0.0

    def best(self, prices: Prices, demand: Sequence[int], *, level: int = 0) -> list[tuple[float, Load]]:
        """Return loads of no more than a demand with their worth, by every mix of temperatures."""
        found = [one for mix in self._mixes for one in self._best(prices, demand, mix, FINENESS[level])]
        return sorted(found, key=lambda one: (-one[0], one[1]))

    def _best(
        self, prices: Prices, demand: Sequence[int], mix: frozenset[str], fineness: tuple[int, int]
    ) -> list[tuple[float, Load]]:
        empty = np.zeros(len(self._starts))
        beam = _Beam(self._starts, empty, empty, empty, np.zeros_like(self._starts))
        steps: list[tuple[_Ways, NDArray[np.int64], NDArray[np.int64]]] = []
        for seq in sorted(self._by_drop, reverse=True):
            groups = [
                g
                for g in self._by_drop[seq]
                if demand[g] and prices[g] > 0 and self._problem.groups[g].temperature_class in mix
            ]
            if groups:
                ways = self._ways(groups, prices, demand)
                beam, before, taken = self._grown(beam, ways, fineness)
                steps.append((ways, before, taken))
        loads = []
        for end in np.argsort(-beam.worth, kind="stable")[:_LOADS]:
            load, at = [0] * len(demand), int(end)
            for ways, before, taken in reversed(steps):
                if taken[at] >= 0:
                    for g, n in zip(ways.groups, ways.counts[taken[at]], strict=True):
                        load[g] = n
                at = int(before[at])
            loads.append((float(beam.worth[end]), tuple(load)))
        return loads

    def _ways(self, groups: list[int], prices: Prices, demand: Sequence[int]) -> _Ways:
        """Return the parts of a drop worth taking: by each ranking, the first so many pallets."""
        per_kg = float(np.median(prices[groups] / self._mass_kg[groups]))
        parts: dict[tuple[int, ...], None] = {}
        for factor in _MASS_WORTHS:
            rank = prices[groups] - factor * per_kg * self._mass_kg[groups]
            counts = [0] * len(groups)
            for i in np.argsort(-rank, kind="stable"):
                for _ in range(min(demand[groups[i]], len(self._x_m) - sum(counts))):
                    counts[i] += 1
                    parts.setdefault(tuple(counts))
        each = [(part, zone) for part in parts for zone in self._zone(groups, part)]
        counts_of = np.array([part for part, _ in each])
        return _Ways(
            groups,
            [part for part, _ in each],
            counts_of.sum(axis=1),
            counts_of @ self._mass_kg[groups],
            counts_of @ prices[groups] - _VISIT,
            np.array([zone for _, zone in each]),
        )

    def _zone(self, groups: list[int], counts: tuple[int, ...]) -> list[Prices]:
        """Return the moment of part of a drop from every first place on, heavy or light pallets ahead."""
        key = (tuple(groups), counts)
        if key not in self._zones:
            masses = np.sort(np.repeat(self._mass_kg[groups], counts))
            orders = [masses] if masses[0] == masses[-1] else [masses[::-1], masses]
            self._zones[key] = []
            for order in orders:
                zone = np.full(len(self._x_m) + 1, np.inf)
                reached = np.correlate(self._x_m, order, mode="valid")
                zone[: len(reached)] = reached
                self._zones[key].append(zone)
        return self._zones[key]

    def _grown(
        self, beam: _Beam, ways: _Ways, fineness: tuple[int, int]
    ) -> tuple[_Beam, NDArray[np.int64], NDArray[np.int64]]:
        """Return the beam with part of a drop or none of it, whence each state came, and the way taken."""
        weight = beam.weight_kg[:, None] + ways.weight_kg
        moment = beam.moment[:, None] + ways.moments[:, beam.places].T
        self.spent += weight.size / _TRIED_PER_EFFORT
        is_legal = np.isfinite(moment) & (weight <= self._payload_kg)
        moment = np.where(is_legal, moment, 0.0)
        for per_kg, per_kgm, room_kg in self._limits:
            is_legal &= per_kg * weight + per_kgm * moment <= room_kg - _SLACK_KG
        most = self._problem.rules.max_stops_per_truck
        if most is not None:
            is_legal &= (beam.stops < most)[:, None]
        state, way = np.nonzero(is_legal)
        whole = _Beam(
            np.concatenate([beam.places, beam.places[state] + ways.pieces[way]]),
            np.concatenate([beam.weight_kg, weight[state, way]]),
            np.concatenate([beam.moment, moment[state, way]]),
            np.concatenate([beam.worth, beam.worth[state] + ways.worth[way]]),
            np.concatenate([beam.stops, beam.stops[state] + 1]),
        )
        some = self._best_of_each(whole, fineness)
        before = np.concatenate([np.arange(len(beam.places)), state])[some]
        taken = np.concatenate([np.full(len(beam.places), -1), way])[some]
        return whole.kept(some), before, taken

    def _best_of_each(self, beam: _Beam, fineness: tuple[int, int]) -> NDArray[np.int64]:
        weights, distances = fineness
        heavy = np.minimum(weights - 1, beam.weight_kg / self._payload_kg * weights).astype(np.int64)
        mean = beam.moment / np.maximum(beam.weight_kg, 1e-9) / max(1e-9, float(self._x_m[-1]))
        far = np.minimum(distances - 1, mean * distances).astype(np.int64)
        alike = (beam.places * weights + heavy) * distances + far
        # The last one written to a place stays there: the one worth most.
        order = np.argsort(beam.worth, kind="stable")
        kept = np.full((len(self._x_m) + 1) * weights * distances, -1, dtype=np.int64)
        kept[alike[order]] = order
        return kept[kept >= 0]


def _mixes(problem: Problem) -> list[frozenset[str]]:
    """Return the largest sets of temperature classes that share a setpoint."""
    names = sorted({group.temperature_class for group in problem.groups})
    found: list[frozenset[str]] = []
    for size in range(len(names), 0, -1):
        for some in combinations(names, size):
            is_one = not any(pair in problem.clashes for pair in combinations(some, 2))
            if is_one and not any(frozenset(some) <= other for other in found):
                found.append(frozenset(some))
    return found


def _starts(deck: Deck, x_m: Prices) -> NDArray[np.int64]:
    """Return the places the first pallet may take: of each row ahead of the middle, where gaps may be."""
    if not deck.rules.is_gap_allowed:
        return np.zeros(1, dtype=np.int64)
    rows = np.searchsorted(x_m, np.unique(x_m)).astype(np.int64)
    return rows[: max(1, len(rows) // 2)]
