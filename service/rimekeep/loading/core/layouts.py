"""
Layouts of a deck from its length and width, for the pallets it is to carry.

A row is a pattern: pallets of one footprint, all turned the same way. A layout is one pattern over the whole
deck, or two of them, one ahead of the other. 13.6 m by 2.45 m takes 33 of 800 × 1200 mm in eleven rows of
three, or 26 of 1000 × 1200 mm in thirteen rows of two.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.loading.core.vehicle import Row

Footprint = tuple[float, float]
"""Longer and shorter side of a pallet. [mm]"""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One way to fill a row: its length along the deck, a place's width across, how many stand abreast."""

    along_mm: float
    across_mm: float
    lanes: int


def patterns(width_mm: float, footprint: Footprint) -> list[Pattern]:
    """Return the ways a row of one footprint may stand, without those that are only longer."""
    longer, shorter = footprint
    found = [
        Pattern(along, across, int(width_mm // across))
        for along, across in dict.fromkeys(((shorter, longer), (longer, shorter)))
        if width_mm >= across
    ]
    return [
        one
        for one in found
        if not any(other.lanes >= one.lanes and other.along_mm < one.along_mm for other in found)
    ]


def layouts(
    length_mm: float, width_mm: float, footprints: Sequence[Footprint], *, body: int = 0
) -> list[tuple[Row, ...]]:
    """
    Return layouts of a deck for pallets of some footprints, those with the most places first.

    Parameters
    ----------
    length_mm, width_mm
        What is usable between front wall and doors, air gaps taken off. [mm]
    footprints
        Those there are to carry.
    body
        Which body of the vehicle it is.

    Returns
    -------
    list of tuple of Row
        Empty when no footprint fits. A single footprint gives each way to turn it, and both ways one ahead of
        the other where that holds more; several footprints also give every split of the deck in two blocks of
        different footprints.
    """
    by_footprint = {one: patterns(width_mm, one) for one in sorted(set(footprints), reverse=True)}
    every = [pattern for some in by_footprint.values() for pattern in some]
    whole = [[(one, int(length_mm // one.along_mm))] for one in every if length_mm >= one.along_mm]
    most = max((blocks[0][0].lanes * blocks[0][1] for blocks in whole), default=0)
    found = list(whole)
    densest = [
        max(some, key=lambda one: (one.lanes / one.along_mm, one.along_mm))
        for some in by_footprint.values()
        if some
    ]
    for ahead in every:
        for behind in every:
            is_turned = any(ahead in some and behind in some for some in by_footprint.values())
            if ahead == behind or not (is_turned or (ahead in densest and behind in densest)):
                continue
            for count in range(1, int(length_mm // ahead.along_mm) + 1):
                rest = int((length_mm - count * ahead.along_mm) // behind.along_mm)
                places = count * ahead.lanes + rest * behind.lanes
                if rest and not (is_turned and places <= most):
                    found.append([(ahead, count), (behind, rest)])
    made = dict.fromkeys(_rows(blocks, body) for blocks in found)
    return sorted(made, key=lambda rows: -sum(row.lanes for row in rows))


def _rows(blocks: Sequence[tuple[Pattern, int]], body: int) -> tuple[Row, ...]:
    rows, at = [], 0.0
    for pattern, count in blocks:
        for _ in range(count):
            rows.append(
                Row(
                    round(at + pattern.along_mm / 2, 3),
                    pattern.lanes,
                    body,
                    pattern.along_mm,
                    pattern.across_mm,
                )
            )
            at += pattern.along_mm
    return tuple(rows)
