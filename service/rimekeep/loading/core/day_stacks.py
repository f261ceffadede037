"""Which units of a day may go on top of each other, by what is known of their products and of the trucks."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from rimekeep.loading.core.cargo import PLACE_MM, Cargo


class _Kind(NamedTuple):
    """What decides whether one unit may go on another."""

    footprint: str
    height_mm: float
    mass_kg: float
    top_max_kg: float


def stack_facts(cargo: Sequence[Cargo], trucks: Sequence[Mapping[str, Any]]) -> dict[int, dict[str, Any]]:
    """
    Return by unit what a load request says of its height, and of stacks.

    A unit is said to bear others, or to go on top, only where there is another for it under the highest roof:
    a day on which nothing can be stacked is planned as if nobody had asked. Only whole pallets of one
    footprint are stacked; half ones share a place as it is.
    """
    room_mm = max((_room_mm(truck) for truck in trucks), default=0.0)
    if not room_mm:
        return {}
    kind_of = {
        unit.unit_id: _Kind(unit.footprint, unit.height_mm, unit.mass_kg, unit.top_max_kg)
        for unit in cargo
        if unit.height_mm
    }
    count = Counter(kind_of.values())
    bases, tops = set(), set()
    for base in count:
        for top in count:
            if _bears(base, top, room_mm) and (base != top or count[base] > 1):
                bases.add(base)
                tops.add(top)
    return {
        unit_id: {"height_mm": kind.height_mm}
        | ({"top_max_kg": kind.top_max_kg} if kind in bases else {})
        | ({"stackable": True} if kind in tops else {})
        for unit_id, kind in kind_of.items()
    }


def _bears(base: _Kind, top: _Kind, room_mm: float) -> bool:
    return (
        base.footprint == top.footprint
        and base.footprint in PLACE_MM
        and base.height_mm + top.height_mm <= room_mm
        and top.mass_kg <= base.top_max_kg
    )


def _room_mm(truck: Mapping[str, Any]) -> float:
    """Return how high a load may be in a truck, 0 where nobody said."""
    body_mm = float(truck.get("body_height_mm") or 0)
    known = [body_mm - float(truck.get("roof_gap_mm") or 0)] if body_mm else []
    known += [float(truck["door_height_mm"])] if truck.get("door_height_mm") else []
    return min(known, default=0.0)
