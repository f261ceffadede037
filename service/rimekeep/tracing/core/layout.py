"""
Where the boxes of a flow stand on the sheet: in columns, lots on the left and customers on the right.

A place stands one column behind the last one that feeds it (longest path); returns are drawn against that and
count for nothing. In a column, places are ordered by the mean place of their neighbours (barycentre method of
K. Sugiyama, S. Tagawa, M. Toda, 1981, from memory). The same flow always gives the same picture.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.tracing.core.flows import Kind, Place
from rimekeep.tracing.core.graph import RETURNS, Edge, Graph, Node

WIDTH, HEIGHT = 176.0, 40.0
COLUMN_GAP, ROW_GAP, MARGIN = 110.0, 12.0, 16.0
SWEEPS = 4


@dataclass(frozen=True, slots=True)
class Box:
    """A node and its upper left corner. [px]"""

    node: Node
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """All boxes, and how large a sheet they need. [px]"""

    boxes: tuple[Box, ...]
    width: float
    height: float


def laid_out(graph: Graph) -> Sheet:
    """Return the boxes of a flow."""
    onward = [edge for edge in graph.edges if edge.way not in RETURNS and edge.source != edge.target]
    ranks = _ranks(graph.nodes, onward)
    columns: dict[int, list[Place]] = defaultdict(list)
    for node in graph.nodes:
        columns[ranks[node.place]].append(node.place)
    ordered = _ordered([columns[rank] for rank in sorted(columns)], graph.edges)
    by_place = {node.place: node for node in graph.nodes}
    tallest = max((len(column) for column in ordered), default=0)
    height = 2 * MARGIN + tallest * (HEIGHT + ROW_GAP) - ROW_GAP
    boxes = []
    for number, column in enumerate(ordered):
        used = len(column) * (HEIGHT + ROW_GAP) - ROW_GAP
        for row, place in enumerate(column):
            x = MARGIN + number * (WIDTH + COLUMN_GAP)
            y = (height - used) / 2 + row * (HEIGHT + ROW_GAP)
            boxes.append(Box(by_place[place], x, y))
    width = 2 * MARGIN + len(ordered) * (WIDTH + COLUMN_GAP) - COLUMN_GAP
    return Sheet(tuple(boxes), max(width, 2 * MARGIN), max(height, 2 * MARGIN))


def _ranks(nodes: Sequence[Node], edges: Sequence[Edge]) -> dict[Place, int]:
    """Return each place's column: the longest way to it from a place that nothing feeds."""
    feeds: dict[Place, set[Place]] = defaultdict(set)
    waits: dict[Place, int] = {node.place: 0 for node in nodes}
    for edge in edges:
        if edge.target not in feeds[edge.source]:
            feeds[edge.source].add(edge.target)
            waits[edge.target] += 1
    ranks: dict[Place, int] = {}
    best: dict[Place, int] = defaultdict(int)
    open_ones = dict.fromkeys(node.place for node in nodes)
    ready = [place for place in open_ones if waits[place] == 0]
    while open_ones:
        # Two units that were each filled from the other: the one the ledger tells of first stands first.
        place = ready.pop(0) if ready else next(iter(open_ones))
        if place not in open_ones:
            continue
        del open_ones[place]
        ranks[place] = best[place]
        for target in sorted(feeds[place] & open_ones.keys()):
            best[target] = max(best[target], ranks[place] + 1)
            waits[target] -= 1
            if waits[target] == 0:
                ready.append(target)
    last = max(
        (rank for place, rank in ranks.items() if place.kind in (Kind.LOT, Kind.UNIT)),
        default=0,
    )
    return {place: rank if place.kind in (Kind.LOT, Kind.UNIT) else last + 1 for place, rank in ranks.items()}


def _ordered(columns: list[list[Place]], edges: Sequence[Edge]) -> list[list[Place]]:
    near: dict[Place, set[Place]] = defaultdict(set)
    for edge in edges:
        near[edge.source].add(edge.target)
        near[edge.target].add(edge.source)
    found = [list(column) for column in columns]
    for sweep in range(SWEEPS):
        for column in found if sweep % 2 == 0 else reversed(found):
            at = {place: row / len(one) for one in found for row, place in enumerate(one)}
            own = {place: row for row, place in enumerate(column)}
            means = {
                place: sum(at[other] for other in near[place]) / len(near[place])
                if near[place]
                else at[place]
                for place in column
            }
            # Losses stand below everything else, whoever feeds them.
            column.sort(key=lambda place: (place.kind == Kind.LOSS, means[place], own[place]))
    return found
