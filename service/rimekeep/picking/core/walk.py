"""
The shortest walk of a picker through parallel aisles.

Exact dynamic program from aisle to aisle over the state of the cross-aisle ends: even, odd or untouched, and
which of them hang together. One block: H. D. Ratliff and A. S. Rosenthal, "Order-picking in a rectangular
warehouse: a solvable case of the traveling salesman problem", Operations Research 31, 1983; with a middle
cross aisle: K. J. Roodbergen and R. de Koster, "Routing order pickers in a warehouse with a middle aisle",
European Journal of Operational Research 133, 2001. The states are derived here rather than listed, so more
blocks would need no more code.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise, product
from math import inf

from rimekeep.errors import Fault, Invalid, invalid

Pick = tuple[int, int]
Node = tuple[int, int, int]  # (aisle, cross aisle, 0) or (aisle, block, slot)
Trail = tuple[float, "State", tuple[int, ...]]  # length so far, state before, way taken from it
State = tuple[int, ...]  # per cross aisle: 0 untouched, else 2 × component + (1 if the degree is odd)

NOT, ONCE, TWICE, FROM_FRONT, FROM_BACK, FROM_BOTH = range(6)


class PickOutsideLayout(Invalid):
    """A pick names an aisle or slot the layout does not have; ``data`` carries the pick."""


@dataclass(frozen=True, slots=True)
class Layout:
    """
    Parallel aisles between cross aisles.

    Attributes
    ----------
    aisles, slots_per_aisle
        Counts, >= 1. Aisles and slots are numbered from 1, slots from the front.
    slot_pitch_m, aisle_pitch_m
        Distance between neighbouring slots and between neighbouring aisles, > 0. [m]
    cross_aisle_offset_m
        From a cross aisle's centre line to the edge of the first slot, >= 0. [m]
    slots_front_block
        Slots before the middle cross aisle; None: there is none.
    """

    aisles: int
    slots_per_aisle: int
    slot_pitch_m: float
    aisle_pitch_m: float
    cross_aisle_offset_m: float
    slots_front_block: int | None = None

    def __post_init__(self) -> None:
        """Refuse a layout that cannot be built."""
        if self.aisles < 1 or self.slots_per_aisle < 1:
            raise invalid("layout", "It has no aisle or no slot.", "Give at least one of each.")
        if not (self.slot_pitch_m > 0 and self.aisle_pitch_m > 0 and self.cross_aisle_offset_m >= 0):
            raise invalid(
                "layout", "A pitch is not positive or the offset is negative.", "Give metres as built."
            )
        if self.slots_front_block is not None and not 0 < self.slots_front_block < self.slots_per_aisle:
            raise invalid(
                "slots_front_block",
                f"{self.slots_front_block} of {self.slots_per_aisle} slots leave one block empty.",
                "Give the slots before the middle cross aisle, or none.",
            )

    @property
    def blocks(self) -> list[tuple[int, int]]:
        """Return (slots before the block, slots in it), front first."""
        if self.slots_front_block is None:
            return [(0, self.slots_per_aisle)]
        return [
            (0, self.slots_front_block),
            (self.slots_front_block, self.slots_per_aisle - self.slots_front_block),
        ]

    def depth_m(self, block: int) -> float:
        """Return the way from one cross aisle of a block to the other. [m]"""
        return self.blocks[block][1] * self.slot_pitch_m + 2 * self.cross_aisle_offset_m


@dataclass(frozen=True, slots=True)
class Walk:
    """A closed tour from the dock and back: its length [m] and the (aisle, slot) stops in walking order."""

    length_m: float
    stops: list[Pick]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One aisle within one block: its picks from the front, and the length of every way to serve them."""

    slots: tuple[int, ...]
    lengths: tuple[tuple[int, float], ...]
    gap: int  # FROM_BOTH leaves out the way behind this many picks


def shortest_walk(layout: Layout, picks: Iterable[Pick]) -> Walk:
    """
    Return a shortest closed tour through all picks.

    Parameters
    ----------
    layout
        The store. The dock is the front end of aisle 1; both sides of an aisle are served from its centre
        line.
    picks
        (aisle, slot) of each; a repeated place counts once.

    Returns
    -------
    Walk
        Proven shortest. Walking the stops in order, each leg by its shortest way, has exactly ``length_m``.

    Raises
    ------
    PickOutsideLayout
        An aisle or slot is not in the layout.

    Notes
    -----
    Time grows linearly with aisles and picks.

    Examples
    --------
    >>> layout = Layout(2, 10, slot_pitch_m=1.4, aisle_pitch_m=4, cross_aisle_offset_m=1)
    >>> round(shortest_walk(layout, [(2, 4), (2, 2), (1, 6)]).length_m, 3)
    37.2
    """
    places = sorted({(aisle, slot) for aisle, slot in picks})
    for aisle, slot in places:
        if not (1 <= aisle <= layout.aisles and 1 <= slot <= layout.slots_per_aisle):
            raise PickOutsideLayout(
                "pick-outside-layout",
                f"Aisle {aisle}, slot {slot} is not in the store.",
                (
                    Fault(
                        "picks",
                        f"There are aisles 1 to {layout.aisles} with slots 1 to {layout.slots_per_aisle}.",
                        "Correct the bay's address or the layout.",
                    ),
                ),
                {"aisle": aisle, "slot": slot},
            )
    if not places:
        return Walk(0.0, [])
    stretches = _stretches(layout, places)
    length_m, ways = _best_ways(layout, stretches)
    return Walk(length_m, _stops(_edges(layout, stretches, ways)))


def _stretches(layout: Layout, places: list[Pick]) -> list[list[_Stretch]]:
    """Return the stretches of every aisle up to the last one with a pick, front block first."""
    slots: dict[tuple[int, int], list[int]] = {}
    front = layout.blocks[0][1]
    for aisle, slot in places:
        block = 0 if slot <= front else 1
        slots.setdefault((aisle, block), []).append(slot - layout.blocks[block][0])
    return [
        [_stretch(layout, block, slots.get((aisle, block), [])) for block in range(len(layout.blocks))]
        for aisle in range(1, places[-1][0] + 1)
    ]


def _stretch(layout: Layout, block: int, slots: list[int]) -> _Stretch:
    depth = layout.depth_m(block)
    lengths = [(ONCE, depth), (TWICE, 2 * depth)]
    gap = 0
    if slots:
        reach = [layout.cross_aisle_offset_m + (slot - 0.5) * layout.slot_pitch_m for slot in slots]
        lengths += [(FROM_FRONT, 2 * reach[-1]), (FROM_BACK, 2 * (depth - reach[0]))]
        if len(slots) > 1:
            gap = max(range(1, len(slots)), key=lambda place: reach[place] - reach[place - 1])
            lengths.append((FROM_BOTH, 2 * (depth - reach[gap] + reach[gap - 1])))
    else:
        lengths.append((NOT, 0.0))
    return _Stretch(tuple(slots), tuple(lengths), gap)


def _numbered(codes: list[int]) -> State:
    """Return the state with its components numbered from 1 by first appearance."""
    names: dict[int, int] = {}
    return tuple(code and 2 * names.setdefault(code >> 1, len(names) + 1) + (code & 1) for code in codes)


@cache
def _after_stretch(state: State, block: int, way: int) -> State:
    """Return the state once a stretch between cross aisles ``block`` and ``block + 1`` is walked that way."""
    codes = list(state)
    touched = {
        NOT: (),
        FROM_FRONT: (block,),
        FROM_BACK: (block + 1,),
    }.get(way, (block, block + 1))
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


@cache
def _across(state: State) -> tuple[tuple[State, tuple[int, ...]], ...]:
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
    return tuple(found)


def _best_ways(layout: Layout, stretches: list[list[_Stretch]]) -> tuple[float, list[tuple[int, ...]]]:
    """Return the least length and, aisle by aisle, the way per block and the counts of each cross aisle."""
    now: dict[State, float] = {(2,) + (0,) * len(layout.blocks): 0.0}  # the dock alone is touched
    trails: list[dict[State, Trail]] = []
    for number, aisle in enumerate(stretches):
        for block, stretch in enumerate(aisle):
            reached: dict[State, Trail] = {}
            for state, length in now.items():
                for way, extra in stretch.lengths:
                    after, total = _after_stretch(state, block, way), length + extra
                    known = reached.get(after)
                    if known is None or total < known[0]:
                        reached[after] = (total, state, (way,))
            trails.append(reached)
            now = {state: trail[0] for state, trail in reached.items()}
        if number + 1 < len(stretches):
            reached = {}
            for state, length in now.items():
                for after, times in _across(state):
                    total = length + sum(times) * layout.aisle_pitch_m
                    known = reached.get(after)
                    if known is None or total < known[0]:
                        reached[after] = (total, state, times)
            trails.append(reached)
            now = {state: trail[0] for state, trail in reached.items()}

    best = inf
    end: State = ()
    for state, length in now.items():
        if length < best and all(code in (0, 2) for code in state):  # one component, all even
            best, end = length, state
    ways: list[tuple[int, ...]] = []
    for reached in reversed(trails):
        _, end, taken = reached[end]
        ways.append(taken)
    ways.reverse()
    return best, ways


def _edges(
    layout: Layout, stretches: list[list[_Stretch]], ways: list[tuple[int, ...]]
) -> list[tuple[Node, Node]]:
    """Return every stretch between neighbouring places, as often as it is walked."""
    edges: list[tuple[Node, Node]] = []

    def chain(nodes: list[Node], times: int) -> None:
        edges.extend(pair for pair in pairwise(nodes) for _ in range(times))

    steps = iter(ways)
    for number, aisle in enumerate(stretches, start=1):
        for block, stretch in enumerate(aisle):
            way = next(steps)[0]
            first = layout.blocks[block][0]
            picks: list[Node] = [(number, block, first + slot) for slot in stretch.slots]
            front, back = (number, block, 0), (number, block + 1, 0)
            if way in (ONCE, TWICE):
                chain([front, *picks, back], way)
            elif way == FROM_FRONT:
                chain([front, *picks], 2)
            elif way == FROM_BACK:
                chain([*picks, back], 2)
            elif way == FROM_BOTH:
                chain([front, *picks[: stretch.gap]], 2)
                chain([*picks[stretch.gap :], back], 2)
        if number < len(stretches):
            for cross, times in enumerate(next(steps)):
                chain([(number, cross, 0), (number + 1, cross, 0)], times)
    return edges


def _stops(edges: list[tuple[Node, Node]]) -> list[Pick]:
    """Return the picks in the order a closed walk over all edges first meets them (Hierholzer's method)."""
    at: dict[Node, list[int]] = {}
    for number, (one, other) in enumerate(edges):
        at.setdefault(one, []).append(number)
        at.setdefault(other, []).append(number)
    walked = [False] * len(edges)
    path: list[Node] = [(1, 0, 0)]
    tour: list[Node] = []
    while path:
        open_edges = at[path[-1]]
        while open_edges and walked[open_edges[-1]]:
            open_edges.pop()
        if open_edges:
            number = open_edges.pop()
            walked[number] = True
            one, other = edges[number]
            path.append(other if path[-1] == one else one)
        else:
            tour.append(path.pop())
    return list(dict.fromkeys((aisle, slot) for aisle, _, slot in tour if slot))
