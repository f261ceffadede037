"""The graph of a flow: who got what from where, with cases on every edge; what concerns one place of it."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from rimekeep.tracing.core.flows import BACK, Flow, Kind, Place, Story, Way

# Against the way of the goods: drawn backwards, and never followed to find what a unit was made from.
RETURNS = BACK | {Way.CAME_BACK}
# What put cases onto a unit that were on none, or on another one.
PUT_ON = BACK | {Way.RECEIVED, Way.FOUND, Way.PICKED, Way.MOVED, Way.PUT_BACK, Way.SET_ASIDE}


@dataclass(frozen=True, slots=True)
class Node:
    """A place and what went in and out of it. [cases]"""

    place: Place
    name: str
    first_at: datetime
    cases_in: int
    cases_out: int

    @property
    def cases(self) -> int:
        """Return what stayed there; of a lot what came from it, negative."""
        return self.cases_in - self.cases_out


@dataclass(frozen=True, slots=True)
class Edge:
    """Cases of one lot that went one way between two places; on the road, on one trip."""

    source: Place
    target: Place
    way: Way
    lot_id: int
    trip_id: int | None
    order: str | None
    cases: int
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Graph:
    """Places and edges, each in the order the ledger first tells of it."""

    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]


def graph_of(flows: Iterable[Flow], names: Mapping[Place, str]) -> Graph:
    """Return the graph of flows: those of one lot, one way and one trip between two places are one edge."""
    edges: dict[tuple[object, ...], Edge] = {}
    first: dict[Place, datetime] = {}
    went_in: dict[Place, int] = defaultdict(int)
    went_out: dict[Place, int] = defaultdict(int)
    for flow in flows:
        for place in (flow.source, flow.target):
            first.setdefault(place, flow.at)
        went_out[flow.source] += flow.cases
        went_in[flow.target] += flow.cases
        key = (flow.source, flow.target, flow.way, flow.lot_id, flow.trip_id, flow.order)
        old = edges.get(key)
        edges[key] = Edge(
            flow.source,
            flow.target,
            flow.way,
            flow.lot_id,
            flow.trip_id,
            flow.order,
            flow.cases + (old.cases if old else 0),
            min(flow.at, old.first_at) if old else flow.at,
            max(flow.at, old.last_at) if old else flow.at,
        )
    nodes = tuple(
        Node(place, names.get(place, place.key), at, went_in[place], went_out[place])
        for place, at in first.items()
    )
    return Graph(nodes, tuple(edges.values()))


def lots_at_customers(flows: Iterable[Flow]) -> dict[tuple[Place, int], int]:
    """Return the cases of each lot that each customer got and that did not come back, by (customer, lot)."""
    found: dict[tuple[Place, int], int] = defaultdict(int)
    for flow in flows:
        if flow.target.kind == Kind.CUSTOMER:
            found[flow.target, flow.lot_id] += flow.cases
        if flow.source.kind == Kind.CUSTOMER:
            found[flow.source, flow.lot_id] -= flow.cases
    return {key: cases for key, cases in found.items() if cases}


def contents_on(story: Story, units: Collection[Place]) -> set[int]:
    """Return the contents that ever stood on units."""
    return {
        flow.content_id
        for flow in story.flows
        if flow.target in units or (flow.source in units and flow.from_content_id is None)
    }


def _parents(story: Story) -> dict[int, int]:
    """Return the content each content was taken off. A content is taken off one only: a forest."""
    return {flow.content_id: flow.from_content_id for flow in story.flows if flow.from_content_id is not None}


def upstream(story: Story, contents: Collection[int]) -> tuple[Flow, ...]:
    """Return the flows by which the cases of contents came to be where they are, from their lots on."""
    parents = _parents(story)
    kept: set[int] = set()
    waiting = list(contents)
    while waiting:
        content = waiting.pop()
        if content in kept:
            continue
        kept.add(content)
        if content in parents:
            waiting.append(parents[content])
    found = [flow for flow in story.flows if flow.content_id in kept and flow.way in PUT_ON]
    # What a customer gave back came from there; the unit it was sent on is where it came from before.
    sent_on = {
        flow.from_content_id for flow in found if flow.way in BACK and flow.from_content_id is not None
    }
    found += [flow for flow in story.flows if flow.content_id in sent_on and flow.way == Way.SENT]
    return tuple(sorted(found, key=lambda flow: flow.seq))


def downstream(story: Story, contents: Collection[int]) -> tuple[Flow, ...]:
    """Return the flows by which the cases of contents, and of what was taken off them, went on."""
    children: dict[int, list[int]] = defaultdict(list)
    for child, parent in _parents(story).items():
        children[parent].append(child)
    kept: set[int] = set()
    waiting = list(contents)
    while waiting:
        content = waiting.pop()
        if content not in kept:
            kept.add(content)
            waiting += children[content]
    start = set(contents)
    onward = {Way.SENT, Way.CAME_BACK, Way.ADJUSTED, Way.FOUND, Way.DESTROYED}
    return tuple(
        flow
        for flow in story.flows
        if (flow.content_id in kept and flow.way in onward)
        or (flow.from_content_id in kept and flow.content_id not in start)
        or (flow.from_content_id in start)
    )


@dataclass(frozen=True, slots=True)
class Origin:
    """Cases of a lot on a unit, and the unit they came into the store on."""

    unit: Place
    lot_id: int
    cases: int
    came_on: Place
    came_at: datetime


def origins(story: Story, units: Collection[Place]) -> tuple[Origin, ...]:
    """Return for what was put onto units from where it came into the store, with the cases of each way."""
    parents = _parents(story)
    arrived = _arrivals(story)
    found: list[Origin] = []
    for flow in story.flows:
        if flow.target not in units or flow.way not in PUT_ON:
            continue
        root = flow.content_id
        while root in parents:
            root = parents[root]
        first = arrived.get(root)
        if first is not None:
            found.append(Origin(flow.target, flow.lot_id, flow.cases, first.target, first.at))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Got:
    """Cases of one lot that a customer got and that did not come back, by the unit they came in on."""

    lot_id: int
    came_on: Place
    came_at: datetime
    cases: int


def got_by(story: Story, with_them: Iterable[Flow]) -> tuple[Got, ...]:
    """
    Return what a customer got, followed back from what was sent to the units it came in on.

    ``with_them`` are the flows to the customer and back from there.
    """
    parents = _parents(story)
    arrived = _arrivals(story)
    found: dict[int, int] = defaultdict(int)
    for flow in with_them:
        # What is given back is taken off the content that was sent.
        root = flow.from_content_id if flow.way in BACK else flow.content_id
        assert root is not None
        while root in parents:
            root = parents[root]
        found[root] += flow.cases if flow.target.kind == Kind.CUSTOMER else -flow.cases
    return tuple(
        Got(arrived[root].lot_id, arrived[root].target, arrived[root].at, cases)
        for root, cases in found.items()
        if cases and root in arrived
    )


def _arrivals(story: Story) -> dict[int, Flow]:
    """Return how each content that was not taken off another one came to be."""
    return {flow.content_id: flow for flow in reversed(story.flows) if flow.way in (Way.RECEIVED, Way.FOUND)}
