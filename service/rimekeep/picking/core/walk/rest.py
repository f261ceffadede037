"""
The rest of a walk: from where a picker stands through what is left, and to the dock.

Up to `EXACT_PLACES` different places the way is the shortest there is. Beyond, heuristic: it is begun with
each place put where it adds least, with the order as it was, and with the shortest closed walk through all
places either way round; runs of up to three are moved while that shortens the way, and the best is taken.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence

from rimekeep.picking.core.walk.exact import shortest_walk
from rimekeep.picking.core.walk.layout import Layout, Place, places_of
from rimekeep.picking.core.walk.one_way import crossing_ways
from rimekeep.picking.core.walk.tours import Ways, improved, inserted, length_m, shortest

# The exact way takes some ten milliseconds for twelve places, and twice that with each one more.
EXACT_PLACES = 12


def ways_between(layout: Layout, start: Place | None, places: Sequence[Place]) -> Ways:
    """
    Return the shortest ways from ``start`` (None: the dock) and each place to each other. [m]

    The first row is from the start, the first column to the dock.
    """
    points: list[Place | None] = [start, *places]
    measure = _one_way if layout.is_one_way else _both_ways
    between = measure(layout, points, [None, *places])
    between[0][0] = 0.0
    return between


def _at_m(layout: Layout, point: Place | None, starts: Sequence[float]) -> tuple[int, float]:
    """Return the aisle of a point (None: the dock) and how far from the front cross aisle it lies. [m]"""
    if point is None:
        return 1, 0.0
    bounds = layout.bounds
    block = bisect_left(bounds, point[1]) - 1
    return point[0], starts[block] + layout.reach_m(point[1] - bounds[block])


def _crosses_m(layout: Layout) -> list[float]:
    """Return how far from the front each cross aisle lies. [m]"""
    found = [0.0]
    for block in range(len(layout.blocks)):
        found.append(found[-1] + layout.depth_m(block))
    return found


def _both_ways(layout: Layout, sources: Sequence[Place | None], ends: Sequence[Place | None]) -> Ways:
    crosses = _crosses_m(layout)
    to = [_at_m(layout, point, crosses) for point in ends]
    rows = []
    for aisle, depth_m in (_at_m(layout, point, crosses) for point in sources):
        rows.append(
            [
                abs(depth_m - other_m)
                if aisle == other
                else abs(aisle - other) * layout.aisle_pitch_m
                + min(abs(depth_m - cross) + abs(other_m - cross) for cross in crosses)
                for other, other_m in to
            ]
        )
    return rows


def _one_way(layout: Layout, sources: Sequence[Place | None], ends: Sequence[Place | None]) -> Ways:
    crosses, bounds = _crosses_m(layout), layout.bounds
    ways = crossing_ways(layout)

    def crossing(point: Place | None, *, is_left: bool) -> tuple[int, float]:
        """Return the crossing a point is left or entered by, and how far it is from there. [m]"""
        if point is None:
            return 0, 0.0
        aisle, depth_m = _at_m(layout, point, crosses)
        cross = bisect_left(bounds, point[1]) - 1 + (is_left == bool(aisle % 2))
        return (aisle - 1) * len(bounds) + cross, abs(crosses[cross] - depth_m)

    def between_m(one: Place | None, other: Place | None) -> float:
        if one is not None and other is not None and one[0] == other[0]:
            (aisle, here_m), (_, there_m) = _at_m(layout, one, crosses), _at_m(layout, other, crosses)
            ahead_m = there_m - here_m if aisle % 2 else here_m - there_m
            if ahead_m >= 0:
                return ahead_m
        (left, left_m), (entered, entered_m) = crossing(one, is_left=True), crossing(other, is_left=False)
        return float(left_m + ways[left, entered] + entered_m)

    return [[between_m(one, other) for other in ends] for one in sources]


def rest_of_walk(layout: Layout, start: Place | None, places: Iterable[Place]) -> tuple[float, list[Place]]:
    """
    Return a way from ``start`` (None: the dock) through all places to the dock: its length and the places.

    Parameters
    ----------
    layout
        The store; the dock is the front end of aisle 1.
    start
        The (aisle, slot) the picker stands at.
    places
        What is left, in the order it was to be walked; a repeated place counts once.

    Returns
    -------
    length_m, stops
        Shortest for up to `EXACT_PLACES` places. [m]

    Raises
    ------
    PickOutsideLayout
        A place is not in the layout.

    Examples
    --------
    >>> layout = Layout(2, 10, slot_pitch_m=1.4, aisle_pitch_m=4, cross_aisle_offset_m=1)
    >>> length_m, stops = rest_of_walk(layout, (2, 9), [(1, 3), (2, 4), (1, 10)])
    >>> round(length_m, 1), stops
    (37.1, [(2, 4), (1, 10), (1, 3)])
    """
    left = list(dict.fromkeys(places))
    places_of(layout, [*left, *([] if start is None else [start])])
    between = ways_between(layout, start, left)
    if len(left) <= EXACT_PLACES:
        tour = shortest(between)
    else:
        number = {place: one for one, place in enumerate(left, 1)}
        closed = shortest_walk(layout, [*left, *([] if start is None else [start])]).stops
        place = 0 if start is None else closed.index(start)
        around = [number[one] for one in closed[place:] + closed[:place] if one in number]
        tries = [inserted(between), list(range(1, len(left) + 1)), around, around[::-1]]
        tour = min((improved(between, one) for one in tries), key=lambda one: length_m(between, one))
    return length_m(between, tour), [left[number - 1] for number in tour]
