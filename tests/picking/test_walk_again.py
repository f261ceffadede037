"""The rest of a walk, ordered again when stops are added on the way; units of deep bays from the front."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise, permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from sqlalchemy import select
from sqlmodel import col

from builders.databases import NOW
from builders.floor import Floor
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from rimekeep.picking.core.again import Left, ordered_again
from rimekeep.picking.core.walk import Layout, rest_of_walk, shortest_walk
from rimekeep.stock.tables import Unit

Place = tuple[int, int]


def all_ways(layout: Layout) -> tuple[dict[Place, int], Any]:
    """Every way between two places by scipy's Dijkstra over a graph of slots and crossings, one by one."""
    nodes: dict[Place, int] = {}
    edges: list[tuple[int, int, float]] = []

    def node(aisle: int, what: int) -> int:
        return nodes.setdefault((aisle, what), len(nodes))

    def join(one: int, other: int, way_m: float, *, back: bool = True) -> None:
        edges.append((one, other, way_m))
        if back:
            edges.append((other, one, way_m))

    bounds = layout.bounds
    for aisle in range(1, layout.aisles + 1):
        for cross in range(len(bounds)):
            if aisle > 1:
                join(node(aisle - 1, -cross - 1), node(aisle, -cross - 1), layout.aisle_pitch_m)
        for cross, (front, back) in enumerate(pairwise(bounds)):
            chain = [
                node(aisle, -cross - 1),
                *(node(aisle, slot) for slot in range(front + 1, back + 1)),
                node(aisle, -cross - 2),
            ]
            end_m = layout.cross_aisle_offset_m + layout.slot_pitch_m / 2
            for number, (one, other) in enumerate(pairwise(chain)):
                way_m = end_m if number in (0, len(chain) - 2) else layout.slot_pitch_m
                if not layout.is_one_way:
                    join(one, other, way_m)
                else:
                    join(*((one, other) if aisle % 2 else (other, one)), way_m, back=False)
    one, other, length = zip(*edges, strict=True)
    graph = coo_array((length, (one, other)), shape=(len(nodes), len(nodes))).tocsr()
    return nodes, dijkstra(graph, directed=True)


LAYOUTS = [
    Layout(4, 6, 1.2, 3.5, 1.0),
    Layout(4, 6, 1.2, 3.5, 1.0, slots_front_block=3),
    Layout(4, 6, 1.2, 3.5, 1.0, cross_aisles_after=(2,), is_one_way=True),
]
PLACE = st.tuples(st.integers(1, 4), st.integers(1, 6))


@pytest.mark.parametrize("layout", LAYOUTS)
@given(start=st.one_of(st.none(), PLACE), places=st.lists(PLACE, min_size=1, max_size=5, unique=True))
@settings(max_examples=40, deadline=None)
def test_the_rest_of_a_walk_is_the_shortest_of_all_orders(
    layout: Layout, start: Place | None, places: list[Place]
) -> None:
    """Against every order of the places, by ways of scipy's Dijkstra."""
    nodes, ways = all_ways(layout)
    dock = nodes[1, -1]

    def way_m(order: list[Place]) -> float:
        path = [dock if start is None else nodes[start], *(nodes[place] for place in order), dock]
        return float(sum(ways[one, other] for one, other in pairwise(path)))

    length_m, stops = rest_of_walk(layout, start, places)
    assert sorted(stops) == sorted(places)
    assert length_m == pytest.approx(way_m(stops))
    assert length_m == pytest.approx(min(way_m(list(order)) for order in permutations(places)))


@given(st.lists(st.tuples(st.integers(1, 12), st.integers(1, 20)), min_size=1, max_size=40, unique=True))
@settings(max_examples=25, deadline=None)
def test_from_the_dock_the_rest_is_no_longer_than_the_proven_tour(places: list[Place]) -> None:
    layout = Layout(12, 20, 1.2, 3.5, 1.0, slots_front_block=8)
    assert rest_of_walk(layout, None, places)[0] == pytest.approx(shortest_walk(layout, places).length_m)


def test_stacking_counts_against_walking_and_the_front_of_a_lane_comes_first() -> None:
    """By hand: 20 cases lie on tier 2, so going 4 m farther is better than lifting one of them."""
    layout = Layout(1, 30, 1.0, 4.0, 1.0)
    below, above = Left(1, (1, 9), 8, pallet=5, tier=1), Left(2, (1, 8), 20, pallet=5, tier=2)
    # Past slot 8 and back to it costs nothing: the way leads there and back anyway.
    assert ordered_again(layout, None, [above, below], {})[1] == [1, 2]
    front, back = Left(3, (1, 5), 48, bay=1, in_front=0), Left(4, (1, 5), 48, bay=1, in_front=1)
    assert ordered_again(layout, None, [back, front], {})[1] == [3, 4]
    assert ordered_again(None, None, [back, front], {})[1] == [3, 4]


def hall(floor: Floor, slots: dict[str, tuple[int, int, int]]) -> tuple[int, dict[str, str]]:
    """A room of its own with pallets of one new lot at (aisle, slot); cases each. Returns product and SSCCs."""
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        zone = make_zone(session, NOW, caller)
        product = make_product(session, NOW, caller)
        ssccs = {}
        for number, (name, (aisle, slot, cases)) in enumerate(slots.items()):
            lot = make_lot(
                session, NOW, caller, product, code=f"{name}-{number}",
                best_before_on=(NOW + timedelta(days=100 + number)).date(),
            )  # fmt: skip
            bay = make_bay(session, NOW, caller, zone, aisle=aisle, slot=slot)
            floor.codes[bay.code] = bay.check_code
            ssccs[name] = make_unit(session, NOW, caller, lot, bay=bay, cases=cases).sscc
        return product.id, ssccs


def test_a_stop_that_comes_in_place_of_another_joins_the_walk_where_it_lies(floor: Floor) -> None:
    """Four pallets go by date, one after the other down aisle 1; the next one lies between the last two."""
    floor.product_id, ssccs = hall(
        floor, {"A": (1, 2, 10), "B": (1, 10, 10), "C": (1, 30, 10), "D": (1, 5, 10), "E": (1, 20, 48)}
    )
    [made] = floor.lists(floor.order(40))
    task = floor.picker.made("/v1/pick-lists/next")
    assert [pick["stop"] for pick in task["picks"]] == [1, 2, 3, 4]
    by_sscc = {pick["sscc"]: pick for pick in task["picks"]}
    first, second = task["picks"][:2]
    body = {"cases_found": 0, "reason": "nothing there"}
    told = floor.picker.made(f"/v1/picks/{first['id']}/short", body)
    [added] = told["added"]
    assert (added["sscc"], added["stop"], added["cases"]) == (ssccs["E"], 5, 10)
    shown = floor.picker.ok("GET", f"/v1/pick-lists/{made['id']}")["picks"]
    open_ = [pick for pick in shown if pick["state"] == "open"]
    assert told["order"] == [pick["id"] for pick in open_]
    # What came next on the device still does, and every stop has the number it had.
    assert open_[0]["id"] == second["id"]
    assert {pick["id"]: pick["stop"] for pick in shown} == {
        **{pick["id"]: pick["stop"] for pick in task["picks"]}, added["pick_id"]: 5,
    }  # fmt: skip
    # By hand: in a single aisle the way out and back passes every bay, so any order without a turn is shortest.
    slots = [pick["slot"] for pick in open_]
    turns = sum(
        (two - one) * (three - two) < 0 for one, two, three in zip(slots, slots[1:], slots[2:], strict=False)
    )
    assert turns <= 1, slots
    assert slots != [by_sscc[pick["sscc"]]["slot"] for pick in task["picks"][1:]] + [20]
    for pick in open_:
        assert floor.picker.made(f"/v1/picks/{pick['id']}/confirm", floor.right(pick))["outcome"] == "done"
    assert floor.picker.ok("GET", f"/v1/orders/{made['order_id']}")["state"] == "picked"
    assert floor.total() == 78 + 88


def test_units_of_a_deep_bay_are_chosen_and_walked_to_from_the_front(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        zone = make_zone(session, NOW, caller)
        product = make_product(session, NOW, caller)
        lot = make_lot(session, NOW, caller, product)
        # Code and aisle speak for the lane, so nothing but its depth sends anybody elsewhere.
        lane = make_bay(session, NOW, caller, zone, aisle=1, slot=1, depth=3, capacity_units=3)
        single = make_bay(session, NOW, caller, zone, aisle=3, slot=40)
        stood = [
            make_unit(session, NOW, caller, lot, bay=lane, received_at=NOW - timedelta(hours=9 - n)).sscc
            for n in range(3)
        ]
        alone = make_unit(session, NOW, caller, lot, bay=single).sscc
        floor.product_id = product.id
        floor.codes |= {lane.code: lane.check_code, single.code: single.check_code}
    [first] = floor.lists(floor.order(48))
    assert [pick["sscc"] for pick in first["picks"]] == [stood[2]]
    # The front one is promised: behind it there are two, but one stands free.
    [second] = floor.lists(floor.order(48))
    assert [pick["sscc"] for pick in second["picks"]] == [alone]
    [third] = floor.lists(floor.order(96))
    assert [pick["sscc"] for pick in third["picks"]] == [stood[1], stood[0]]
    with floor.database.transaction(readonly=True) as session:
        assert len(session.scalars(select(Unit).where(col(Unit.sscc).in_(stood))).all()) == 3
