"""How a vehicle's body is divided on a trip: from rows and bulkheads to shares of walls and evaporators."""

from collections.abc import Mapping, Sequence
from typing import Any

from rimekeep.loading.core.division import Division, Part
from rimekeep.loading.core.plan import Compartment
from rimekeep.loading.core.vehicle import Row, Truck


def division_of(truck: Truck, rooms: Sequence[Compartment], cold: Mapping[str, Any]) -> Division:
    """
    Return a divided body as the balance takes it.

    Walls, roof, floor and inside are shared by length (own convention: ends and doors are not told apart);
    the first evaporator is the front compartment's. A side door counts where all of it is in one compartment.

    Parameters
    ----------
    truck
        Whose deck has the rows.
    rooms
        Its compartments, front first, two or more.
    cold
        Its cold data: ``bulkhead_w_k``, and ``evaporators`` for as many compartments at least.
    """
    ends = [0.0, *(bulkhead_mm(truck, room.last_row) for room in rooms[:-1]), _length_mm(truck)]
    parts = []
    for k, room in enumerate(rooms):
        beside = any(room.first_row <= door.first and door.last <= room.last_row for door in truck.side_doors)
        parts.append(
            Part(
                share=(ends[k + 1] - ends[k]) / ends[-1],
                setpoint_c=room.setpoint_c,
                low_c=room.setpoint_min_c,
                high_c=room.setpoint_max_c,
                evaporator_w=float(cold["evaporators"][k]["watts"]),
                has_side_door=beside,
            )
        )
    return Division(tuple(parts), float(cold["bulkhead_w_k"]))


def bulkhead_mm(truck: Truck, row: int) -> float:
    """Return where a bulkhead behind a row stands: halfway between it and the next one. [mm]"""
    ahead, behind = truck.rows[row], truck.rows[row + 1]
    return (_rear_mm(ahead) + behind.x_mm - behind.along_mm / 2) / 2


def _rear_mm(row: Row) -> float:
    return row.x_mm + row.along_mm / 2


def _length_mm(truck: Truck) -> float:
    """Return where the deck ends; where nobody said it, half a row behind the last one."""
    known = [end_mm for body, end_mm, _ in truck.decks_mm if body == 0]
    last = truck.rows[-1]
    if known:
        return max(known[0], _rear_mm(last))
    if last.along_mm:
        return _rear_mm(last)
    before = truck.rows[-2].x_mm if len(truck.rows) > 1 else 0.0
    return last.x_mm + (last.x_mm - before) / 2


def room_of(rooms: Sequence[Compartment], row: int) -> int:
    """Return the number, from 0, of the compartment a row is in; 0 where there is one air."""
    return next((k for k, room in enumerate(rooms) if room.first_row <= row <= room.last_row), 0)
