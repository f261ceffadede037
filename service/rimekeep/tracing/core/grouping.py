"""Make a large flow small enough to be read: units that went the same way become one node of the picture."""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace

from rimekeep.tracing.core.flows import BACK, Kind, Place, Way
from rimekeep.tracing.core.graph import Edge, Graph, Node

# More boxes than this nobody reads on one sheet.
MOST_NODES = 60
Key = tuple[str, ...]


def grouped(graph: Graph, *, most: int = MOST_NODES) -> Graph:
    """
    Return the graph with at most about ``most`` nodes, or itself if it has no more.

    Units are put together by how they came to be, the day and the customer they went to; by less of it where
    that leaves too many. Then the customers who got least become one.
    """
    ways: list[Callable[[Node], Key]] = []
    if len(graph.nodes) > most:
        made, went = _made_here(graph), _went_to(graph)

        def stage(node: Node) -> str:
            return "made here" if node.place in made else "came in"

        ways = [
            lambda node: (stage(node), f"{node.first_at:%Y-%m-%d}", went.get(node.place, "")),
            lambda node: (stage(node), went.get(node.place, "")),
            lambda node: (stage(node), f"{node.first_at:%Y-%m-%d}"),
            lambda node: (stage(node),),
        ]
    found = graph
    for way in ways:
        found = _merged(graph, _units_by(graph, way))
        if len(found.nodes) <= most:
            return found
    if len(found.nodes) > most:
        found = _merged(found, _least_customers(found, most))
    return found


def _made_here(graph: Graph) -> set[Place]:
    fed = BACK | {Way.PICKED, Way.MOVED, Way.PUT_BACK, Way.SET_ASIDE}
    return {edge.target for edge in graph.edges if edge.way in fed}


def _went_to(graph: Graph) -> dict[Place, str]:
    names = {node.place: node.name for node in graph.nodes}
    found: dict[Place, set[str]] = defaultdict(set)
    for edge in graph.edges:
        if edge.target.kind == Kind.CUSTOMER:
            found[edge.source].add(names[edge.target])
    return {
        place: next(iter(got)) if len(got) == 1 else f"{len(got)} customers" for place, got in found.items()
    }


def _units_by(graph: Graph, way: Callable[[Node], Key]) -> dict[Place, tuple[Place, str]]:
    """Return for each unit that is not alone its group and the group's name."""
    groups: dict[Key, list[Node]] = defaultdict(list)
    for node in graph.nodes:
        if node.place.kind == Kind.UNIT:
            groups[way(node)].append(node)
    found: dict[Place, tuple[Place, str]] = {}
    for key, nodes in groups.items():
        if len(nodes) == 1:
            continue
        group = Place(Kind.UNIT, "group " + " · ".join(key))
        name = f"{len(nodes)} units " + ", ".join(part for part in key if part)
        found |= {node.place: (group, name) for node in nodes}
    return found


def _least_customers(graph: Graph, most: int) -> dict[Place, tuple[Place, str]]:
    customers = [node for node in graph.nodes if node.place.kind == Kind.CUSTOMER]
    spare = len(graph.nodes) - most + 1
    if spare < 2 or len(customers) < 2:
        return {}
    least = sorted(customers, key=lambda node: (node.cases, node.name))[: min(spare, len(customers))]
    group = Place(Kind.CUSTOMER, "group others")
    return {node.place: (group, f"{len(least)} further customers") for node in least}


def _merged(graph: Graph, groups: dict[Place, tuple[Place, str]]) -> Graph:
    nodes: dict[Place, Node] = {}
    for node in graph.nodes:
        place, name = groups.get(node.place, (node.place, node.name))
        old = nodes.get(place)
        if old is None:
            nodes[place] = replace(node, place=place, name=name)
        else:
            nodes[place] = replace(
                old,
                first_at=min(old.first_at, node.first_at),
                cases_in=old.cases_in + node.cases_in,
                cases_out=old.cases_out + node.cases_out,
            )
    edges: dict[tuple[object, ...], Edge] = {}
    for edge in graph.edges:
        source = groups.get(edge.source, (edge.source, ""))[0]
        target = groups.get(edge.target, (edge.target, ""))[0]
        key = (source, target, edge.way, edge.lot_id)
        before = edges.get(key)
        if before is None:
            edges[key] = replace(edge, source=source, target=target, trip_id=None, order=None)
        else:
            edges[key] = replace(
                before,
                cases=before.cases + edge.cases,
                first_at=min(before.first_at, edge.first_at),
                last_at=max(before.last_at, edge.last_at),
            )
    return Graph(tuple(nodes.values()), tuple(edges.values()))
