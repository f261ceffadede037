"""
Rules of thumb for walks, to be beaten: S-shape, return, largest gap, combined.

After R. W. Hall, "Distance approximations for routing manual pickers in a warehouse", IIE Transactions 25,
1993, and K. J. Roodbergen and R. de Koster, "Routing methods for warehouses with multiple cross aisles",
International Journal of Production Research 39, 2001 (both from memory). Variants differ in detail, with two
blocks above all; the ones here are stated where they stand. Only lengths are told: nobody is sent that way.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise

from rimekeep.errors import invalid
from rimekeep.picking.core.walk.layout import Layout, Pick, places_of

Point = tuple[int, float]  # (aisle, metres from the front cross aisle)
Aisles = dict[int, list[float]]  # metres from the front cross aisle of an aisle's picks, ascending


def textbook_lengths(layout: Layout, picks: Iterable[Pick]) -> Mapping[str, float]:
    """Return the length of every rule that is stated for this number of blocks, by its name. [m]"""
    if len(layout.blocks) > 2:
        raise invalid("layout", f"It has {len(layout.blocks)} blocks.", "Compare with one or two.")
    blocks = _by_block(layout, picks)
    rules: dict[str, Callable[[Layout, list[Aisles]], float]] = {"return": _return}
    if len(blocks) == 1:
        rules |= {"s_shape": _s_shape, "largest_gap": _largest_gap, "combined": _combined}
    else:
        rules |= {"s_shape": _s_shape_two, "largest_gap": _largest_gap_two}
    return {name: rule(layout, blocks) if any(blocks) else 0.0 for name, rule in rules.items()}


def _by_block(layout: Layout, picks: Iterable[Pick]) -> list[Aisles]:
    bounds = layout.bounds
    starts = [0.0]
    for block in range(len(bounds) - 1):
        starts.append(starts[-1] + layout.depth_m(block))
    blocks: list[Aisles] = [defaultdict(list) for _ in layout.blocks]
    for aisle, slot in places_of(layout, picks):
        block = bisect_left(bounds, slot) - 1
        blocks[block][aisle].append(starts[block] + layout.reach_m(slot - bounds[block]))
    return blocks


def _length_m(layout: Layout, points: list[Point]) -> float:
    """Return the length of a way of straight legs, each along one aisle or one cross aisle."""
    return sum(
        abs(one[0] - other[0]) * layout.aisle_pitch_m + abs(one[1] - other[1])
        for one, other in pairwise(points)
    )


def _return(layout: Layout, blocks: list[Aisles]) -> float:
    """Every pick aisle is entered and left at the front, up to its farthest pick."""
    farthest: dict[int, float] = {}
    for aisles in blocks:
        for aisle, reach in aisles.items():
            farthest[aisle] = max(farthest.get(aisle, 0.0), reach[-1])
    return 2 * (max(farthest) - 1) * layout.aisle_pitch_m + 2 * sum(farthest.values())


def _snake(aisles: Aisles, order: list[int], near: float, far: float) -> list[Point]:
    """Aisles walked through in turn from the ``near`` end; an odd last one is left where it was entered."""
    points: list[Point] = []
    end = near
    for place, aisle in enumerate(order):
        points.append((aisle, end))
        if place + 1 == len(order) and end == near:
            reach = aisles[aisle]
            points += [(aisle, reach[-1] if far > near else reach[0]), (aisle, near)]
        else:
            end = far if end == near else near
            points.append((aisle, end))
    return points


def _s_shape(layout: Layout, blocks: list[Aisles]) -> float:
    """Pick aisles left to right, each walked through, alternating."""
    aisles = blocks[0]
    way = _snake(aisles, sorted(aisles), 0.0, layout.depth_m(0))
    return _length_m(layout, [(1, 0.0), *way, (1, 0.0)])


def _around_gap(reach: list[float], low: float, high: float) -> tuple[float | None, float | None]:
    """Return how far an aisle is entered from its low and its high end, leaving out its widest gap."""
    ends = [low, *reach, high]
    gap = max(range(len(ends) - 1), key=lambda place: ends[place + 1] - ends[place])
    return (ends[gap] if gap else None), (ends[gap + 1] if gap + 2 < len(ends) else None)


def _largest_gap(layout: Layout, blocks: list[Aisles]) -> float:
    """First and last pick aisle walked through; between them all but the widest gap, from either end."""
    aisles, depth = blocks[0], layout.depth_m(0)
    order = sorted(aisles)
    if len(order) == 1:
        return _return(layout, blocks)
    points: list[Point] = [(1, 0.0), (order[0], 0.0), (order[0], depth)]
    parts = {aisle: _around_gap(aisles[aisle], 0.0, depth) for aisle in order[1:-1]}
    points += _dips(depth, [(aisle, parts[aisle][1]) for aisle in order[1:-1]])
    points += [(order[-1], depth), (order[-1], 0.0)]
    points += _dips(0.0, [(aisle, parts[aisle][0]) for aisle in reversed(order[1:-1])])
    return _length_m(layout, [*points, (1, 0.0)])


def _dips(cross: float, reached: Iterable[tuple[int, float | None]]) -> list[Point]:
    """Return the way along a cross aisle with a step into each aisle that has something from this end."""
    return [
        point
        for aisle, depth in reached
        if depth is not None
        for point in ((aisle, cross), (aisle, depth), (aisle, cross))
    ]


def _combined(layout: Layout, blocks: list[Aisles]) -> float:
    """Left to right, each pick aisle walked through or left where it was entered, as is best."""
    aisles, depth = blocks[0], layout.depth_m(0)
    front, back, at = 0.0, float("inf"), 1
    for aisle in sorted(aisles):
        reach, step = aisles[aisle], (aisle - at) * layout.aisle_pitch_m
        front, back = (
            step + min(front + 2 * reach[-1], back + depth),
            step + min(front + depth, back + 2 * (depth - reach[0])),
        )
        at = aisle
    return front + (at - 1) * layout.aisle_pitch_m


def _s_shape_two(layout: Layout, blocks: list[Aisles]) -> float:
    """Up the leftmost pick aisle, the back block as one, then the rest in front from its nearer end."""
    low, high = blocks
    middle, depth = layout.depth_m(0), layout.depth_m(0) + layout.depth_m(1)
    if not high:
        return _s_shape(layout, [low])
    first = min([*low, *high])
    points: list[Point] = [(1, 0.0), (first, 0.0), (first, middle)]
    points += _snake(high, sorted(high), middle, depth)
    at = points[-1][0]
    rest = sorted(set(low) - {first})
    if rest and abs(at - rest[0]) >= abs(at - rest[-1]):
        rest.reverse()
    if rest:
        points += [(rest[0], middle), (rest[0], 0.0), *_snake(low, rest[1:], 0.0, middle)]
    else:
        points.append((at, 0.0))
    return _length_m(layout, [*points, (1, 0.0)])


def _largest_gap_two(layout: Layout, blocks: list[Aisles]) -> float:
    """Up the leftmost pick aisle, around the back block, then the upper and the lower ends in front."""
    low, high = blocks
    middle, depth = layout.depth_m(0), layout.depth_m(0) + layout.depth_m(1)
    if not high:
        return _largest_gap(layout, [low])
    first = min([*low, *high])
    points: list[Point] = [(1, 0.0), (first, 0.0), (first, middle)]
    order = sorted(high)
    if len(order) == 1:
        points += [(order[0], middle), (order[0], high[order[0]][-1]), (order[0], middle)]
    else:
        parts = {aisle: _around_gap(high[aisle], middle, depth) for aisle in order[1:-1]}
        points += [(order[0], middle), (order[0], depth)]
        points += _dips(depth, [(aisle, parts[aisle][1]) for aisle in order[1:-1]])
        points += [(order[-1], depth), (order[-1], middle)]
        points += _dips(middle, [(aisle, parts[aisle][0]) for aisle in reversed(order[1:-1])])
        points.append((order[0], middle))
    rest = sorted(set(low) - {first})
    if not rest:
        return _length_m(layout, [*points, (points[-1][0], 0.0), (1, 0.0)])
    gaps = {aisle: _around_gap(low[aisle], 0.0, middle) for aisle in rest[:-1]}
    points.append((rest[0], middle))
    points += _dips(middle, [(aisle, gaps[aisle][1]) for aisle in rest[:-1]])
    points += [(rest[-1], middle), (rest[-1], 0.0)]
    points += _dips(0.0, [(aisle, gaps[aisle][0]) for aisle in reversed(rest[:-1])])
    return _length_m(layout, [*points, (1, 0.0)])
