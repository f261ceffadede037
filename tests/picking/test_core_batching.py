"""Units shared among walks, against all ways of sharing on small instances."""

from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.picking.core.batching import Load, batch, bound_m, close_bound_m
from rimekeep.picking.core.walk import Layout, PickOutsideLayout, shortest_walk

LAYOUT = Layout(6, 12, 1.2, 4.0, 1.5, cross_aisles_after=(6,))


def walk_m(loads):
    return shortest_walk(LAYOUT, [place for load in loads for place in load.places]).length_m


def least_m(loads, most_units):
    """Return the least total of any sharing, by a recursion over all sets."""

    @cache
    def least(left):
        if not left:
            return 0.0
        first, *rest = left
        best = float("inf")
        for mask in range(1 << len(rest)):
            mates = tuple(one for place, one in enumerate(rest) if mask >> place & 1)
            if len(mates) < most_units:
                others = tuple(one for one in rest if one not in mates)
                best = min(best, walk_m([loads[one] for one in (first, *mates)]) + least(others))
        return best

    return least(tuple(range(len(loads))))


places = st.tuples(st.integers(1, 6), st.integers(1, 12))
some_loads = st.lists(
    st.lists(places, min_size=1, max_size=3, unique=True).map(tuple), min_size=1, max_size=6
).map(lambda found: [Load(number, places) for number, places in enumerate(found)])


@settings(deadline=None, max_examples=15)
@given(some_loads, st.integers(1, 4), st.randoms())
def test_every_unit_is_on_one_walk_and_the_length_lies_between_bound_and_small_excess(
    loads, most_units, random
):
    found = batch(LAYOUT, loads, most_units=most_units)
    assert sorted(one for ids in found.walks for one in ids) == [load.id for load in loads]
    assert all(1 <= len(ids) <= most_units for ids in found.walks)
    assert found.length_m == pytest.approx(sum(walk_m([loads[one] for one in ids]) for ids in found.walks))
    least = least_m(loads, most_units)
    close_m = close_bound_m(LAYOUT, loads, most_units)
    assert bound_m(LAYOUT, loads, most_units) <= close_m <= least + 1e-6
    assert batch(LAYOUT, loads, most_units=most_units, is_bound_close=True).bound_m == close_m
    # A heuristic without a proven ratio; with at most six units it stays close to the best sharing.
    assert least - 1e-9 <= found.length_m <= 1.25 * least + 1e-9
    assert batch(LAYOUT, random.sample(loads, len(loads)), most_units=most_units) == found


def test_units_of_one_corner_are_walked_together():
    # Aisles 1 and 6, four units, two a walk. Each corner's pair lies at one place, so a walk serves both.
    loads = [Load(1, ((1, 2),)), Load(2, ((6, 2),)), Load(3, ((1, 2),)), Load(4, ((6, 2),))]
    found = batch(LAYOUT, loads, most_units=2)
    assert found.walks == ((1, 3), (2, 4))
    # 1.5 + 1.5 × 1.2 = 3.3 m into the aisle; 5 × 4 m to aisle 6: 6.6 + (40 + 6.6) = 53.2 m, and no less will do:
    # across, the sorted 40, 40, 0, 0 in pairs cost 40; along, each aisle's 6.6 m is walked at least once.
    assert found.length_m == pytest.approx(53.2)
    assert found.bound_m == pytest.approx(53.2)
    assert found.gap == pytest.approx(0)


def test_the_close_bound_meets_the_best_sharing_where_prices_can_tell():
    """By hand: three units in three aisles, two a walk. Any two share the way to the nearer one, so none is free."""
    loads = [Load(1, ((2, 6),)), Load(2, ((4, 6),)), Load(3, ((6, 6),))]
    least = least_m(loads, 2)
    assert bound_m(LAYOUT, loads, 2) < close_bound_m(LAYOUT, loads, 2) <= least + 1e-6
    # One unit a walk: the prices are the walks themselves.
    assert close_bound_m(LAYOUT, loads, 1) == pytest.approx(least_m(loads, 1))


def test_a_bound_cut_short_still_holds(monkeypatch):
    loads = [Load(n, ((1 + n % 6, 1 + 5 * n % 12), (1 + (n + 2) % 6, 1 + 7 * n % 12))) for n in range(7)]
    least = least_m(loads, 3)
    for walked, rounds in ((0, 1), (5, 3), (3_000, 40)):
        monkeypatch.setattr("rimekeep.picking.core.sharing.MOST_WALKED", walked)
        monkeypatch.setattr("rimekeep.picking.core.sharing.ROUNDS", rounds)
        assert 0 < close_bound_m(LAYOUT, loads, 3) <= least + 1e-6


def test_one_unit_a_walk_leaves_nothing_to_choose():
    loads = [Load(number, ((number, 5),)) for number in range(1, 7)]
    found = batch(LAYOUT, loads, most_units=1)
    assert found.length_m == pytest.approx(sum(walk_m([load]) for load in loads))
    assert found.gap == pytest.approx(0)


def test_bad_questions_are_refused_and_no_units_need_no_walk():
    assert batch(LAYOUT, [], most_units=3).walks == ()
    with pytest.raises(Invalid, match="most_units"):
        batch(LAYOUT, [], most_units=0)
    with pytest.raises(Invalid, match="id"):
        batch(LAYOUT, [Load(1, ((1, 1),)), Load(1, ((2, 1),))], most_units=2)
    with pytest.raises(PickOutsideLayout):
        batch(LAYOUT, [Load(1, ((7, 1),))], most_units=2)
