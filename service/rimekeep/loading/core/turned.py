"""
Where units stand when some of them are turned by 90° against the way their row has them.

Every unit of a row stands against the row's front edge. A row longer than planned pushes those behind it
back; one that is shorter leaves a gap. Weights follow the true positions.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

from rimekeep.loading.core.vehicle import Pallet, Row, Truck


def as_it_stands(truck: Truck, units: Sequence[tuple[Pallet, int, bool]]) -> tuple[Truck, list[int]]:
    """
    Return a truck and, unit by unit, the row whose centre is the unit's own.

    Parameters
    ----------
    truck
        The vehicle as it is laid out.
    units
        Pallet, row it stands in, and whether it is turned there.

    Returns
    -------
    tuple of Truck and list of int
        The truck's own rows keep their numbers; places of units that stand elsewhere follow after them.
    """
    rows = [row for _, row, _ in units]
    if not any(is_turned for _, _, is_turned in units):
        return truck, rows
    lengths = _lengths_mm(truck, units)
    pushed_mm = _pushed_mm(truck, rows, lengths)
    made: dict[Row, int] = {}
    stands = []
    for r, length in zip(rows, lengths, strict=True):
        row = truck.rows[r]
        x_mm = row.x_mm + pushed_mm[r] + (length - row.along_mm) / 2
        own_place = replace(row, x_mm=round(x_mm, 3), lanes=1, along_mm=length)
        stands.append(r if x_mm == row.x_mm else made.setdefault(own_place, len(truck.rows) + len(made)))
    return replace(truck, rows=(*truck.rows, *made)), stands


def still_pushed(truck: Truck, units: Sequence[tuple[Pallet, int, bool]], rows: Collection[int]) -> Truck:
    """
    Return a truck on which some rows are where its load pushed them as it left.

    What stays on board does not move to the front when a turned unit ahead of it is handed over. ``units``
    are all of the load, ``rows`` those on which something is left.
    """
    if not any(is_turned for _, _, is_turned in units):
        return truck
    pushed_mm = _pushed_mm(truck, [row for _, row, _ in units], _lengths_mm(truck, units))
    moved = tuple(
        replace(row, x_mm=round(row.x_mm + pushed_mm[r], 3)) if r in rows and pushed_mm[r] else row
        for r, row in enumerate(truck.rows)
    )
    return replace(truck, rows=moved)


def _pushed_mm(truck: Truck, rows: Sequence[int], lengths_mm: Sequence[float]) -> list[float]:
    """Return how far longer rows ahead push each row back."""
    pushed_mm = [0.0] * len(truck.rows)
    reach_mm: dict[int, float] = {}
    for r, row in enumerate(truck.rows):
        front_mm = row.x_mm - row.along_mm / 2
        pushed_mm[r] = max(0.0, reach_mm.get(row.body, front_mm) - front_mm)
        own = [length for length, at in zip(lengths_mm, rows, strict=True) if at == r]
        if own:
            reach_mm[row.body] = front_mm + pushed_mm[r] + max(own)
    return pushed_mm


def _lengths_mm(truck: Truck, units: Sequence[tuple[Pallet, int, bool]]) -> list[float]:
    return [_length_mm(pallet, truck.rows[row], is_turned=turned) for pallet, row, turned in units]


def _length_mm(pallet: Pallet, row: Row, *, is_turned: bool) -> float:
    """Return what a unit takes along the deck; of unknown size, it is as large as its place."""
    if not is_turned or not row.along_mm:
        return row.along_mm
    shorter, longer = sorted((row.along_mm, row.across_mm))
    if row.along_mm == longer:
        return pallet.short_mm or shorter
    return pallet.long_mm or longer
