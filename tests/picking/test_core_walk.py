"""Walks against proven optima, and against every order of stops on a street map built separately here."""

import json
from functools import cache
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from rimekeep.errors import Invalid
from rimekeep.picking.core.walk import Layout, PickOutsideLayout, shortest_walk

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"
INSTANCES = [
    pytest.param(one, id=one["id"])
    for name in ("routing_one_block", "routing_two_block")
    for one in json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["instances"]
]


@cache
def street_map(layout):
    """Return all shortest distances: every slot and crossing a node, neighbours along an aisle or cross aisle joined."""
    rows, front = layout.slots_per_aisle, layout.slots_front_block or layout.slots_per_aisle
    crossings = 2 if layout.slots_front_block is None else 3
    y = {0: 0.0}
    block_start, first = 0.0, 1
    for cross in range(1, crossings):
        last = front if cross == 1 else rows
        for slot in range(first, last + 1):
            y[crossings + slot] = (
                block_start + layout.cross_aisle_offset_m + (slot - first + 0.5) * layout.slot_pitch_m
            )
        block_start += (last - first + 1) * layout.slot_pitch_m + 2 * layout.cross_aisle_offset_m
        y[cross], first = block_start, last + 1
    size = crossings + rows + 1
    along = sorted(y, key=y.get)
    edges = [
        (aisle * size + one, aisle * size + other, y[other] - y[one])
        for aisle in range(layout.aisles)
        for one, other in pairwise(along)
    ]
    edges += [
        (aisle * size + cross, (aisle + 1) * size + cross, layout.aisle_pitch_m)
        for aisle in range(layout.aisles - 1)
        for cross in range(crossings)
    ]
    one, other, length = map(np.array, zip(*edges, strict=True))
    graph = coo_array((length, (one, other)), shape=(layout.aisles * size,) * 2).tocsr()
    distances = dijkstra(graph, directed=False)
    return lambda stop: (stop[0] - 1) * size + (crossings + stop[1] if stop[1] else 0), distances


def tour_length(layout, stops):
    node, distances = street_map(layout)
    tour = [(1, 0), *stops, (1, 0)]
    return sum(distances[node(one), node(other)] for one, other in pairwise(tour))


def layout_of(one):
    return Layout(
        one["aisles"],
        one["slots_per_aisle"],
        one["slot_pitch_m"],
        one["aisle_pitch_m"],
        one["cross_aisle_offset_m"],
        one.get("slots_front_block"),
    )


@pytest.mark.parametrize("one", INSTANCES)
def test_the_walk_has_the_proven_length_and_its_stops_walk_it(one):
    layout, picks = layout_of(one), [tuple(pick) for pick in one["picks"]]
    walk = shortest_walk(layout, picks)
    assert walk.length_m == pytest.approx(one["optimal_length_m"], abs=0.001)
    assert sorted(walk.stops) == sorted(set(picks))
    assert tour_length(layout, walk.stops) == pytest.approx(walk.length_m, abs=1e-6)


layouts = st.builds(
    lambda aisles, slots, pitch, wide, offset, front: Layout(
        aisles, slots, pitch, wide, offset, None if front is None else 1 + front % (slots - 1)
    ),
    st.integers(1, 6),
    st.integers(2, 8),
    st.sampled_from([0.8, 1.0, 1.4]),
    st.sampled_from([0.5, 3.0, 5.2, 20.0]),
    st.sampled_from([0.0, 1.0, 2.5]),
    st.none() | st.integers(0, 6),
)


@settings(deadline=None, max_examples=150)
@given(st.data(), layouts)
def test_no_order_of_stops_is_shorter(data, layout):
    places = st.tuples(st.integers(1, layout.aisles), st.integers(1, layout.slots_per_aisle))
    picks = sorted(data.draw(st.sets(places, min_size=1, max_size=6)))
    node, distances = street_map(layout)
    nodes = np.array([node((1, 0)), *map(node, picks)])
    table = distances[np.ix_(nodes, nodes)]
    orders = np.array(list(permutations(range(1, len(nodes)))))
    lengths = (
        table[0, orders[:, 0]] + table[orders[:, :-1], orders[:, 1:]].sum(axis=1) + table[orders[:, -1], 0]
    )
    walk = shortest_walk(layout, picks)
    assert walk.length_m == pytest.approx(lengths.min(), abs=1e-9)
    assert sorted(walk.stops) == picks
    assert tour_length(layout, walk.stops) == pytest.approx(walk.length_m, abs=1e-9)


def test_seven_stops_are_checked_against_all_5040_orders():
    layout = Layout(5, 12, 1.2, 4.0, 1.5, 6)
    picks = [(1, 11), (2, 3), (2, 9), (3, 6), (4, 1), (4, 12), (5, 7)]
    best = min(tour_length(layout, order) for order in permutations(picks))
    assert shortest_walk(layout, picks).length_m == pytest.approx(best, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(st.data(), layouts)
def test_one_more_pick_never_shortens_the_walk(data, layout):
    places = st.tuples(st.integers(1, layout.aisles), st.integers(1, layout.slots_per_aisle))
    picks = data.draw(st.lists(places, min_size=1, max_size=25))
    assert shortest_walk(layout, picks[:-1]).length_m <= shortest_walk(layout, picks).length_m + 1e-9


def test_repeated_places_count_once_and_no_picks_need_no_walk():
    layout = Layout(3, 15, 1.0, 3.5, 1.0)
    assert shortest_walk(layout, [(1, 8), (1, 8)]) == shortest_walk(layout, [(1, 8)])
    assert shortest_walk(layout, []).length_m == 0


@pytest.mark.parametrize("pick", [(0, 1), (4, 1), (1, 0), (1, 16)])
def test_a_pick_outside_the_store_is_named(pick):
    with pytest.raises(
        PickOutsideLayout, match=rf"Aisle {pick[0]}, slot {pick[1]} .* aisles 1 to 3 with slots 1 to 15"
    ):
        shortest_walk(Layout(3, 15, 1.0, 3.5, 1.0), [(1, 1), pick])


@pytest.mark.parametrize(
    "wrong", [(0, 5, 1, 1, 1), (2, 0, 1, 1, 1), (2, 5, 0, 1, 1), (2, 5, 1, 1, -1), (2, 5, 1, 1, 1, 5)]
)
def test_a_layout_that_cannot_be_built_is_refused(wrong):
    with pytest.raises(Invalid):
        Layout(*wrong)
