"""
The states a walk can be in between two aisles, and how they follow one another.

A state tells of each cross aisle whether the walk so far has touched it, an even or an odd number of times,
and which of them hang together. The states are derived here rather than listed, for any number of cross
aisles: 5 for two of them, 23 for three, 3,031 for six.
"""

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimekeep.picking.core.walk.stretches import FROM_BACK, FROM_FRONT, NOT, ONCE, TWICE, WAYS

State = tuple[int, ...]  # per cross aisle: 0 untouched, else 2 × component + (1 if the degree is odd)
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Moves:
    """
    All steps from one state to the next, sorted by the state reached.

    ``source`` and ``what`` tell from where and by which way (index); ``reached`` names the states reached,
    ``starts`` where each one's steps begin.
    """

    source: Ints
    what: Ints
    reached: Ints
    starts: Ints


@dataclass(frozen=True, slots=True)
class Machine:
    """States by number, the ways through a stretch of each block, and the ways across to the next aisle."""

    count: int
    first: int
    is_end: NDArray[np.bool_]
    through: tuple[Moves, ...]
    across: Moves
    times: tuple[tuple[int, ...], ...]  # ``across.what`` is an index of these
    total_times: NDArray[np.float64]


@cache
def machine(crosses: int) -> Machine:
    """Return the states and steps for a number of cross aisles, from the dock's own one touched."""
    first: State = (2,) + (0,) * (crosses - 1)
    number = {first: 0}
    todo = [first]
    through: list[list[tuple[int, int, int]]] = [[] for _ in range(crosses - 1)]
    across: list[tuple[int, int, int]] = []
    times: dict[tuple[int, ...], int] = {}

    def number_of(state: State) -> int:
        if state not in number:
            number[state] = len(number)
            todo.append(state)
        return number[state]

    while todo:
        state = todo.pop()
        source = number[state]
        for block in range(crosses - 1):
            through[block] += [
                (number_of(_after_stretch(state, block, way)), source, way) for way in range(WAYS)
            ]
        across += [
            (number_of(after), source, times.setdefault(how, len(times))) for after, how in _across(state)
        ]
    ends = np.zeros(len(number), dtype=bool)
    for state, place in number.items():
        ends[place] = all(code in (0, 2) for code in state)  # one component, all even
    return Machine(
        count=len(number),
        first=0,
        is_end=ends,
        through=tuple(_moves(steps) for steps in through),
        across=_moves(across),
        times=tuple(times),
        total_times=np.array([sum(how) for how in times], dtype=float),
    )


def _moves(steps: list[tuple[int, int, int]]) -> Moves:
    table: NDArray[Any] = np.array(sorted(steps), dtype=np.intp)
    reached, starts = np.unique(table[:, 0], return_index=True)
    return Moves(table[:, 1].copy(), table[:, 2].copy(), reached, starts)


def _numbered(codes: list[int]) -> State:
    """Return the state with its components numbered from 1 by first appearance."""
    names: dict[int, int] = {}
    return tuple(code and 2 * names.setdefault(code >> 1, len(names) + 1) + (code & 1) for code in codes)


def _after_stretch(state: State, block: int, way: int) -> State:
    """Return the state once a stretch between cross aisles ``block`` and ``block + 1`` is walked that way."""
    codes = list(state)
    touched = {NOT: (), FROM_FRONT: (block,), FROM_BACK: (block + 1,)}.get(way, (block, block + 1))
    for place in touched:
        if not codes[place]:
            codes[place] = 2 * (len(codes) + 1 + place)  # a component of its own, numbered below
    if way in (ONCE, TWICE):
        kept, merged = codes[block] >> 1, codes[block + 1] >> 1
        codes = [2 * kept + (code & 1) if code and code >> 1 == merged else code for code in codes]
        if way == ONCE:
            codes[block] ^= 1
            codes[block + 1] ^= 1
    return _numbered(codes)


def _across(state: State) -> list[tuple[State, tuple[int, ...]]]:
    """Return every way on to the next aisle: the state there, and how often each cross aisle is walked."""
    found = []
    components = {code >> 1 for code in state if code}
    for times in product(*[(0,) if not code else (1,) if code & 1 else (0, 2) for code in state]):
        if {code >> 1 for code, count in zip(state, times, strict=True) if count} == components:
            codes = [
                (code >> 1 << 1) + (count & 1) if count else 0
                for code, count in zip(state, times, strict=True)
            ]
            found.append((_numbered(codes), times))
    return found
