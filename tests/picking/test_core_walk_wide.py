"""Walks with many cross aisles, levels and one-way aisles, against solvers that know nothing of aisles."""

import json
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from rimekeep.errors import Invalid
from rimekeep.picking.core.walk import Layout, shortest_walk, walk_length_m
from rimekeep.picking.core.walk.textbook import textbook_lengths

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"
INSTANCES = [
    pytest.param(one, id=one["id"])
    for name in ("routing_one_block", "routing_two_block")
    for one in json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["instances"]
]


@cache
def street_map(layout):
    """Return the node of a place (slot 0: the dock's cross aisle) and all shortest ways, built from the ground."""
    cuts = sorted({*(layout.cross_aisles_after or ()), layout.slots_front_block or layout.slots_per_aisle})
    cuts = [cut for cut in cuts if cut < layout.slots_per_aisle] + [layout.slots_per_aisle]
    nodes, y, row = {("cross", 0): (0, 0.0)}, 0.0, 1
    for number, cut in enumerate(cuts, start=1):
        for slot in range(row, cut + 1):
            at = y + layout.cross_aisle_offset_m + (slot - row + 0.5) * layout.slot_pitch_m
            nodes["slot", slot] = (len(nodes), at)
        y += (cut - row + 1) * layout.slot_pitch_m + 2 * layout.cross_aisle_offset_m
        nodes["cross", number] = (len(nodes), y)
        row = cut + 1
    size = len(nodes)
    along = sorted(nodes.values(), key=lambda one: one[1])
    edges = []
    for aisle in range(layout.aisles):
        for (one, low), (other, high) in pairwise(along):
            if not layout.is_one_way or aisle % 2 == 0:
                edges.append((aisle * size + one, aisle * size + other, high - low))
            if not layout.is_one_way or aisle % 2 == 1:
                edges.append((aisle * size + other, aisle * size + one, high - low))
        if aisle:
            for (kind, _), (node, _) in nodes.items():
                if kind == "cross":
                    pair = (aisle - 1) * size + node, aisle * size + node
                    edges += [(*pair, layout.aisle_pitch_m), (*pair[::-1], layout.aisle_pitch_m)]
    one, other, length = map(np.array, zip(*edges, strict=True))
    graph = coo_array((length, (one, other)), shape=(layout.aisles * size,) * 2).tocsr()

    def node_of(stop):
        return (stop[0] - 1) * size + nodes["slot" if stop[1] else "cross", stop[1]][0]

    return node_of, dijkstra(graph, directed=True)


def table_of(layout, places):
    node_of, ways = street_map(layout)
    nodes = [node_of((1, 0)), *map(node_of, places)]
    return ways[np.ix_(nodes, nodes)]


def tour_length(layout, stops):
    node_of, ways = street_map(layout)
    return sum(ways[node_of(one), node_of(other)] for one, other in pairwise([(1, 0), *stops, (1, 0)]))


def held_karp(table):
    """Return the least length of a tour from 0 through all (Held and Karp 1962), directed or not."""
    count = len(table) - 1
    best = {(1 << last, last): table[0, last + 1] for last in range(count)}
    for mask in range(1, 1 << count):
        for last in range(count):
            length = best.get((mask, last))
            if length is None:
                continue
            for after in range(count):
                if not mask >> after & 1:
                    key, total = (mask | 1 << after, after), length + table[last + 1, after + 1]
                    if total < best.get(key, np.inf):
                        best[key] = total
    return min(best[(1 << count) - 1, last] + table[last + 1, 0] for last in range(count))


def circuit(table):
    """Return the same by CP-SAT's circuit constraint, in millimetres rounded."""
    model = cp_model.CpModel()
    arcs, cost = [], []
    for one in range(len(table)):
        for other in range(len(table)):
            if one != other:
                taken = model.new_bool_var("")
                arcs.append((one, other, taken))
                cost.append(round(table[one, other] * 1000) * taken)
    model.add_circuit(arcs)
    model.minimize(sum(cost))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / 1000


@st.composite
def wide_layouts(draw, **fixed):
    slots = draw(st.integers(3, 12))
    cuts = draw(st.sets(st.integers(1, slots - 1), max_size=3))
    return Layout(
        draw(st.integers(2, 5)),
        slots,
        draw(st.sampled_from([0.8, 1.4])),
        draw(st.sampled_from([0.5, 3.0, 8.0])),
        draw(st.sampled_from([0.0, 1.5])),
        cross_aisles_after=tuple(cuts) or None,
        **fixed,
    )


def picks_of(data, layout, most):
    places = st.tuples(st.integers(1, layout.aisles), st.integers(1, layout.slots_per_aisle))
    return sorted(data.draw(st.sets(places, min_size=1, max_size=most)))


@settings(deadline=None, max_examples=40)
@given(st.data(), wide_layouts())
def test_no_tour_is_shorter_with_any_number_of_cross_aisles(data, layout):
    picks = picks_of(data, layout, 8)
    walk = shortest_walk(layout, picks)
    assert walk.length_m == pytest.approx(held_karp(table_of(layout, picks)), abs=1e-9)
    assert walk.length_m == pytest.approx(walk_length_m(layout, picks), abs=1e-9)
    assert sorted(walk.stops) == picks
    assert tour_length(layout, walk.stops) == pytest.approx(walk.length_m, abs=1e-9)


@pytest.mark.parametrize("middles", [(), (10,), (7, 13), (5, 10, 15), (4, 8, 12, 16)])
def test_a_general_exact_solver_finds_the_same_up_to_six_cross_aisles(middles):
    random = np.random.default_rng(len(middles))
    layout = Layout(6, 20, 1.2, 4.0, 1.5, cross_aisles_after=middles)
    picks = sorted({(int(random.integers(1, 7)), int(random.integers(1, 21))) for _ in range(14)})
    walk = shortest_walk(layout, picks)
    assert walk.length_m == pytest.approx(circuit(table_of(layout, picks)), abs=0.05)
    assert tour_length(layout, walk.stops) == pytest.approx(walk.length_m, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.data(), wide_layouts())
def test_one_more_cross_aisle_of_no_width_never_lengthens_the_walk(data, layout):
    narrow = Layout(layout.aisles, layout.slots_per_aisle, 1.0, layout.aisle_pitch_m, 0.0)
    cut = data.draw(st.integers(1, layout.slots_per_aisle - 1))
    crossed = Layout(
        layout.aisles, layout.slots_per_aisle, 1.0, layout.aisle_pitch_m, 0.0, cross_aisles_after=(cut,)
    )
    picks = picks_of(data, layout, 12)
    assert walk_length_m(crossed, picks) <= walk_length_m(narrow, picks) + 1e-9


def test_one_middle_cross_aisle_may_be_said_in_two_ways():
    picks = [(1, 3), (2, 9), (3, 1), (4, 12), (4, 6)]
    old, new = Layout(4, 12, 1, 4, 1, 5), Layout(4, 12, 1, 4, 1, cross_aisles_after=(5,))
    assert shortest_walk(old, picks) == shortest_walk(new, picks)


@pytest.mark.parametrize("one", INSTANCES)
def test_the_rules_of_thumb_have_their_stated_lengths_and_none_beats_the_walk(one):
    layout = Layout(
        one["aisles"], one["slots_per_aisle"], one["slot_pitch_m"], one["aisle_pitch_m"],
        one["cross_aisle_offset_m"], one.get("slots_front_block"),
    )  # fmt: skip
    lengths = textbook_lengths(layout, [tuple(pick) for pick in one["picks"]])
    stated = {name[:-9]: one[name] for name in one if name.endswith("_length_m") and "optimal" not in name}
    assert lengths == pytest.approx(stated, abs=0.001)
    assert min(lengths.values()) >= one["optimal_length_m"] - 0.001


@settings(deadline=None, max_examples=60)
@given(st.data(), wide_layouts())
def test_no_rule_of_thumb_beats_the_walk(data, layout):
    picks = picks_of(data, layout, 20)
    if len(layout.blocks) > 2:
        with pytest.raises(Invalid, match="blocks"):
            textbook_lengths(layout, picks)
        return
    length_m = shortest_walk(layout, picks).length_m
    for name, rule_m in textbook_lengths(layout, picks).items():
        assert length_m <= rule_m + 1e-9, name


def test_levels_above_reach_cost_their_metres_and_leave_the_walk_as_it_is():
    layout = Layout(2, 10, 1.0, 4.0, 1.0, level_penalty_m=6.0)
    walk = shortest_walk(layout, [(1, 3, 0), (1, 3, 1), (2, 5, 2), (2, 5, 4), (2, 5, 4)])
    assert walk.lift_m == (2 - 1) * 6 + (4 - 1) * 6
    assert walk.length_m == shortest_walk(layout, [(1, 3), (2, 5)]).length_m
    assert walk.stops == shortest_walk(layout, [(1, 3), (2, 5)]).stops


@settings(deadline=None, max_examples=40)
@given(st.data(), wide_layouts(is_one_way=True))
def test_one_way_aisles_are_never_walked_against(data, layout):
    picks = picks_of(data, layout, 7)
    walk = shortest_walk(layout, picks)
    assert sorted(walk.stops) == picks
    assert not walk.is_proven
    assert tour_length(layout, walk.stops) == pytest.approx(walk.length_m, abs=1e-9)
    least = held_karp(table_of(layout, picks))
    # The heuristic has no proven ratio; on instances this small it stays close.
    assert least - 1e-9 <= walk.length_m <= 1.35 * least + 1e-9


def test_a_one_way_walk_by_hand():
    # Two aisles 10 + 2 = 12 m deep, 4 m apart: up the first, down the second, 2 × 12 + 2 × 4 = 32 m.
    walk = shortest_walk(Layout(2, 10, 1.0, 4.0, 1.0, is_one_way=True), [(2, 3), (1, 8), (2, 9)])
    assert (walk.length_m, walk.stops) == (32.0, [(1, 8), (2, 9), (2, 3)])


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"cross_aisles_after": (0, 3)}, "behind slot 0"),
        ({"cross_aisles_after": (10,)}, "behind slot 10"),
        ({"cross_aisles_after": (1, 2, 3, 4, 5, 6)}, "8 cross aisles"),
        ({"level_penalty_m": -1.0}, "negative"),
    ],
)
def test_a_wide_layout_that_cannot_be_built_is_refused(wrong, why):
    with pytest.raises(Invalid) as refused:
        Layout(3, 10, 1.0, 4.0, 1.0, **wrong)
    assert why in refused.value.faults[0].detail


def test_a_single_one_way_aisle_is_refused():
    with pytest.raises(Invalid):
        Layout(1, 10, 1.0, 4.0, 1.0, is_one_way=True)


@pytest.mark.parametrize(
    "picks", [[(1.0, 2)], [("1", "2")], [(1,)], [None]], ids=["fraction", "text", "no slot", "nothing"]
)
def test_a_pick_that_names_no_place_is_refused(picks):
    with pytest.raises(Invalid, match="aisle and slot"):
        shortest_walk(Layout(3, 10, 1.0, 4.0, 1.0), picks)


@pytest.mark.parametrize(
    "layout",
    [(1.5, 10, 1, 4, 1), ("3", 10, 1, 4, 1), (3, 10, float("inf"), 4, 1), (3, 10, 1, 4, float("nan")), (3, 10, 1, 4, 1, 2.5)],
)  # fmt: skip
def test_a_store_of_half_aisles_or_endless_metres_is_refused(layout):
    with pytest.raises(Invalid):
        Layout(*layout)
