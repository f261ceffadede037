"""
Decks by their moments: a quick yes with places, a quick and exact no, or neither.

When every limit is linear in the distance from the front wall, a state of the load is legal exactly when its
moment about the front wall lies in an interval that its weight sets. Drops stand behind each other, so one
pass from the front wall to the doors reaches every state in turn. Kept moments are whole numbers (grams times
micrometres), so neither answer rests on rounding.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import lcm
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rimekeep.loading.core.deck import Counts, Deck, DeckGroup
from rimekeep.loading.core.statics import exact

# Moments kept per number of places taken; more finds a few decks more and costs time.
_BINS = 48
_NONE = np.int64(-1)
# Sums of moments stay below this in every deck that is looked at here.
_MOST = 1 << 61

Moments = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Line:
    """``weight * a + moment * b <= c`` in grams and micrometres, all of it times ``scale``."""

    a: int
    b: int
    c: int
    scale: int


class MomentDeck:
    """A deck whose limits are intervals on the moment; ``is_apt`` tells whether it is one."""

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._x = np.array(
            [int(exact(row.x_mm) * 1000) for row in deck.rows for _ in range(row.lanes)], dtype=np.int64
        )
        self._row_of = [r for r, row in enumerate(deck.rows) for _ in range(row.lanes)]
        lines = _lines(deck)
        self._lines = lines or []
        is_ordered = bool(np.all(np.diff(self._x) >= 0)) and bool(np.all(self._x >= 0))
        is_ordered = is_ordered and not any(row.body for row in deck.rows) and not deck.is_choice
        self.is_apt = lines is not None and is_ordered and deck.rules.has_drop_order

    @property
    def places_m(self) -> NDArray[np.float64]:
        """Distance of every place from the front wall, nearest first. [m]"""
        return self._x / 1e6

    @property
    def limits(self) -> list[tuple[float, float, float]]:
        """Every limit as factors of weight [kg] and moment [kg m], and what they may come to [kg]."""
        return [
            (float(line.a / line.scale), float(line.b * 1e6 / line.scale), float(line.c / line.scale / 1e3))
            for line in self._lines
        ]

    def arrange(self, groups: Sequence[DeckGroup]) -> Counts | Literal["unknown"] | None:
        """Return counts per row and group, None when no deck is legal, "unknown" when neither is seen."""
        drops = _drops(groups)
        pieces = sum(len(masses) for _, masses in drops)
        places = len(self._x)
        if pieces > places:
            return None
        if sum(sum(masses) for _, masses in drops) * int(self._x[-1]) >= _MOST:
            return "unknown"
        ranges = self._ranges(drops)
        if ranges is None or not self._may_be(drops, ranges):
            return None
        return self._search(groups, drops, ranges)

    def _ranges(self, drops: Sequence[tuple[int, list[int]]]) -> list[tuple[int, int]] | None:
        """Return the moments allowed once each drop, later ones first, is on board."""
        ranges, weight = [], 0
        farthest = int(self._x[-1])
        for k, (_, masses) in enumerate(drops):
            weight += sum(masses)
            low, high = 0, weight * farthest
            if self._deck.rules.has_weights_after_drops or k == len(drops) - 1:
                for line in self._lines:
                    left = line.c - line.a * weight
                    if line.b > 0:
                        high = min(high, left // line.b)
                    elif line.b < 0:
                        low = max(low, -(left // -line.b))
                    elif left < 0:
                        return None
            if low > high:
                return None
            ranges.append((low, high))
        return ranges

    def _zones(self, masses: Sequence[int]) -> Moments:
        """Return the moment of a drop from every first place on, its masses in the order given."""
        return np.correlate(self._x, np.array(masses, dtype=np.int64), mode="valid")

    def _may_be(self, drops: Sequence[tuple[int, list[int]]], ranges: Sequence[tuple[int, int]]) -> bool:
        """Return False when even the hull of the moments each drop can reach misses a range."""
        places, has_gaps = len(self._x), self._deck.rules.is_gap_allowed
        low = np.full(places + 1, _MOST, dtype=np.int64)
        high = np.full(places + 1, -_MOST, dtype=np.int64)
        low[0] = high[0] = 0
        left = sum(len(masses) for _, masses in drops)
        for (_, masses), (least, most) in zip(drops, ranges, strict=True):
            n = len(masses)
            left -= n
            if has_gaps:
                low, high = np.minimum.accumulate(low), np.maximum.accumulate(high)
            nearest, farthest = self._zones(masses[::-1]), self._zones(masses)
            is_open = low[: places + 1 - n] <= high[: places + 1 - n]
            new_low = np.full(places + 1, _MOST, dtype=np.int64)
            new_high = np.full(places + 1, -_MOST, dtype=np.int64)
            new_low[n:] = np.where(is_open, low[: places + 1 - n] + nearest, _MOST)
            new_high[n:] = np.where(is_open, high[: places + 1 - n] + farthest, -_MOST)
            if has_gaps:
                new_low, new_high = np.minimum.accumulate(new_low), np.maximum.accumulate(new_high)
            low, high = np.maximum(new_low, least), np.minimum(new_high, most)
            is_shut = low > high
            is_shut[places + 1 - left :] = True
            low[is_shut], high[is_shut] = _MOST, -_MOST
            if bool(is_shut.all()):
                return False
        return True

    def _search(
        self,
        groups: Sequence[DeckGroup],
        drops: Sequence[tuple[int, list[int]]],
        ranges: Sequence[tuple[int, int]],
    ) -> Counts | Literal["unknown"]:
        places, has_gaps = len(self._x), self._deck.rules.is_gap_allowed
        state = np.full((places + 1, _BINS), _NONE, dtype=np.int64)
        state[0, 0] = 0
        left = sum(len(masses) for _, masses in drops)
        steps: list[tuple[Moments, list[tuple[list[int], Moments]]]] = []
        for (_, masses), (least, most) in zip(drops, ranges, strict=True):
            n = len(masses)
            left -= n
            if has_gaps:
                state = np.maximum.accumulate(state, axis=0)
            ways = [(order, self._zones(order)) for order in _orders(masses)]
            steps.append((state, ways))
            state = np.full((places + 1, _BINS), _NONE, dtype=np.int64)
            last = places + 1 - n - left
            before = steps[-1][0][:last]
            width = (most - least) // _BINS + 1
            for _, zone in ways:
                moment = before + zone[:last, None]
                row, column = np.nonzero((before != _NONE) & (moment >= least) & (moment <= most))
                reached = moment[row, column]
                state[row + n, (reached - least) // width] = reached
            if not (state != _NONE).any():
                return "unknown"
        row, column = np.argwhere(state != _NONE)[0]
        return self._trace(groups, drops, steps, int(row), int(state[row, column]))

    def _trace(
        self,
        groups: Sequence[DeckGroup],
        drops: Sequence[tuple[int, list[int]]],
        steps: Sequence[tuple[Moments, list[tuple[list[int], Moments]]]],
        end: int,
        moment: int,
    ) -> Counts:
        counts = [[0] * len(groups) for _ in self._deck.rows]
        alike: dict[tuple[int, int], list[int]] = {}
        for i, g in enumerate(groups):
            alike.setdefault((g.seq, _grams(g.mass_kg)), []).extend([i] * g.count)
        for k in range(len(drops) - 1, -1, -1):
            before, ways = steps[k]
            seq, masses = drops[k]
            # The place taken last may lie ahead of ``end``: gaps move a state towards the doors.
            order, start = next(
                (order, start)
                for start in range(end - len(masses), -1, -1)
                for order, zone in ways
                if (before[start] == moment - zone[start]).any()
                and (before[start] != _NONE).any()
                and moment - zone[start] >= 0
            )
            for place, mass in enumerate(order, start):
                counts[self._row_of[place]][alike[seq, mass].pop()] += 1
            moment -= int(np.dot(self._x[start : start + len(order)], np.array(order, dtype=np.int64)))
            end = start
        return tuple(tuple(row) for row in counts)


@cache
def _grams(mass_kg: float) -> int:
    return int(exact(mass_kg) * 1000)


def _drops(groups: Sequence[DeckGroup]) -> list[tuple[int, list[int]]]:
    """Return drops, the last one first, with their masses in grams, light ones first."""
    found: dict[int, list[int]] = {}
    for group in groups:
        found.setdefault(group.seq, []).extend([_grams(group.mass_kg)] * group.count)
    return [(seq, sorted(found[seq])) for seq in sorted(found, reverse=True)]


def _orders(masses: list[int]) -> list[list[int]]:
    """Return ways to line a drop up: light ahead, heavy ahead, and between."""
    if masses[0] == masses[-1]:
        return [masses]
    half = masses[::2] + masses[1::2][::-1]
    return [masses, masses[::-1], half, half[::-1]][: 2 if len(masses) == 2 else 4]


def _lines(deck: Deck) -> list[_Line] | None:
    """Return the limits as lines in weight and moment, None when one is not linear in the distance."""
    x = [exact(row.x_mm) * 1000 for row in deck.rows]
    found = []
    for rule in deck.weight_rules:
        per_gram = rule.factors
        other = next((r for r in range(len(x)) if x[r] != x[0]), None)
        slope = Fraction(0) if other is None else (per_gram[other] - per_gram[0]) / (x[other] - x[0])
        base = per_gram[0] - slope * x[0]
        if any(base + slope * at != factor for at, factor in zip(x, per_gram, strict=True)):
            return None
        room = rule.room_kg * 1000
        scale = lcm(slope.denominator, base.denominator, room.denominator)
        found.append(_Line(int(base * scale), int(slope * scale), int(room * scale), scale))
    return found
