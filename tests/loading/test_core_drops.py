"""Orders of drops: exact ones against enumeration and published round trips, the library's against both."""

from itertools import permutations
from math import acos, cos, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.ways import BURMA14, BURMA14_KM, ULYSSES16, ULYSSES16_KM, plain_roads, tsplib_km
from rimekeep.loading.core.drop_order import MOST_EXACT, TooHard, best_orders
from rimekeep.loading.core.drop_routing import Piece, Room, least_drive_s, order_by_library, share_drops
from rimekeep.loading.core.roads import (
    EARTH_RADIUS_M,
    Call,
    Roads,
    drive_matrix,
    great_circle_m,
    quickest,
    road_matrix,
    run,
)


@st.composite
def roads(draw: st.DrawFn, most: int = 6) -> Roads:
    """Return invented one-way roads whose opening times bind about as often as not."""
    n = draw(st.integers(1, most))
    legs = st.lists(
        st.lists(st.integers(1, 50), min_size=n + 1, max_size=n + 1), min_size=n + 1, max_size=n + 1
    )
    calls = []
    for k in range(n):
        opens_s = draw(st.integers(0, 120))
        until_s = draw(st.one_of(st.none(), st.integers(opens_s, opens_s + 60)))
        calls.append(Call(f"S{k}", draw(st.integers(0, 10)), opens_s, until_s))
    return Roads(
        tuple(calls),
        tuple(map(tuple, draw(legs))),
        tuple(map(tuple, draw(legs))),
        draw(st.integers(0, 20)),
        draw(st.booleans()),
    )


@given(roads())
@settings(max_examples=150, deadline=None)
def test_the_best_orders_are_those_of_plain_enumeration(some: Roads) -> None:
    every = sorted(run(some, order).cost for order in permutations(range(len(some.calls))))
    (best,) = best_orders(some)
    assert run(some, best).cost == every[0]
    several = list(best_orders(some, most=8))
    assert len(set(several)) == len(several)
    assert [run(some, order).cost for order in several] == every[: len(several)]
    assert len(several) == min(8, len(every))


@given(roads(), st.data())
@settings(max_examples=60, deadline=None)
def test_drops_that_must_come_first_do(some: Roads, data: st.DataObject) -> None:
    n = len(some.calls)
    first = data.draw(st.permutations(range(n)))
    before = data.draw(
        st.sets(st.sampled_from([(first[a], first[b]) for b in range(n) for a in range(b)] or [(0, 0)]))
    ) - {(0, 0)}
    allowed = [
        run(some, order).cost
        for order in permutations(range(n))
        if all(order.index(a) < order.index(b) for a, b in before)
    ]
    (best,) = best_orders(some, before=before)
    assert all(best.index(a) < best.index(b) for a, b in before)
    assert run(some, best).cost == min(allowed)


@given(roads(most=5))
@settings(max_examples=15, deadline=None)
def test_the_library_is_never_better_than_proof_and_no_order_drives_less_than_the_bound(some: Roads) -> None:
    (best,) = best_orders(some)
    found = order_by_library(some)
    assert sorted(found) == list(range(len(some.calls)))
    assert run(some, found).cost >= run(some, best).cost
    assert min(run(some, o).drive_s for o in permutations(range(len(some.calls)))) >= least_drive_s(some)


@pytest.mark.parametrize("seed", range(4))
def test_without_opening_times_the_library_comes_within_a_twentieth_of_proof(seed: int) -> None:
    # Common practice, no source: how good a search is on small round trips.
    places = [(50 + (37 * (k + seed) % 101) / 100, 8 + (53 * (k + 3 * seed) % 97) / 100) for k in range(12)]
    some = plain_roads(drive_matrix(road_matrix(places, detour=1.3), speed_kmh=50))
    (best,) = best_orders(some)
    proven, found = run(some, best).drive_s, run(some, order_by_library(some)).drive_s
    assert proven <= found <= 1.05 * proven


def test_burma14_has_its_published_length() -> None:
    some = plain_roads(tsplib_km(BURMA14))
    (best,) = best_orders(some)
    assert run(some, best).drive_s == BURMA14_KM
    assert run(some, order_by_library(some)).drive_s == BURMA14_KM
    assert least_drive_s(some) <= BURMA14_KM


def test_ulysses16_by_the_library_has_its_published_length() -> None:
    some = plain_roads(tsplib_km(ULYSSES16))
    assert len(some.calls) > MOST_EXACT
    with pytest.raises(TooHard):
        next(best_orders(some))
    order = order_by_library(some)
    assert run(some, order).drive_s == ULYSSES16_KM
    assert order == order_by_library(some)
    assert least_drive_s(some) <= ULYSSES16_KM


def test_opening_times_turn_the_order_round_and_the_truck_waits_where_it_is_early() -> None:
    # Reckoned by hand. On a line: depot, A after 10 min, B after 20, C after 30. Out and back is 60 min in any
    # order that goes out and comes back; A opens last, so it is taken on the way home.
    line = [0, 600, 1200, 1800]
    legs = tuple(tuple(abs(a - b) for b in line) for a in line)
    calls = (Call("A", 300, 9000), Call("B", 300, 0, 7500), Call("C", 300, 0, 7500))
    some = plain_roads(legs, calls=calls, leaves_s=5400)
    (best,) = best_orders(some)
    found = run(some, best)
    # B at 5400 + 1200, C at 6600 + 300 + 600, A at 7500 + 300 + 1200 = 9000, just as it opens.
    assert [(one.id, one.arrives_s, one.waits_s, one.late_s) for one in found.arrivals] == [
        ("B", 6600, 0, 0),
        ("C", 7500, 0, 0),
        ("A", 9000, 0, 0),
    ]
    assert (found.drive_s, found.ends_s) == (3600, 9900)
    # In the order given it waits 3000 s at A and is late at B and C: 9900 and 10800 against 7500.
    given = run(some, (0, 1, 2))
    assert [one.late_s for one in given.arrivals] == [0, 2400, 3300]
    # It leaves later instead of waiting at the first drop.
    assert (given.leaves_s, given.arrivals[0].waits_s) == (8400, 0)


def test_a_missed_opening_time_is_told_by_how_much_and_as_little_as_can_be_is_missed() -> None:
    legs = ((0, 600, 600), (600, 0, 1200), (600, 1200, 0))
    calls = (Call("A", 0, 0, 1000), Call("B", 0, 0, 1500))
    (best,) = best_orders(plain_roads(legs, calls=calls))
    found = run(plain_roads(legs, calls=calls), best)
    assert [(one.id, one.late_s) for one in found.arrivals] == [("A", 0), ("B", 300)]


def test_pieces_near_each_other_share_a_truck() -> None:
    places = [(50.0, 8.0), (50.4, 8.0), (49.6, 8.0), (50.41, 8.01), (49.61, 8.01), (50.42, 8.0), (49.62, 8.0)]
    some = plain_roads(drive_matrix(road_matrix(places, detour=1.3), speed_kmh=50))
    pieces = [Piece(k, 4, 2000.0) for k in range(6)]
    shared = share_drops(some, pieces, Room(2, 12, 6000.0))
    assert shared is not None
    assert sorted(map(sorted, shared)) == [[0, 2, 4], [1, 3, 5]]
    assert share_drops(some, pieces, Room(1, 12, 6000.0)) is None
    fewer = share_drops(some, pieces, Room(3, 24, 12_000.0, calls=2))
    assert fewer is not None
    assert max(map(len, fewer)) <= 2


def test_distances_are_great_circles() -> None:
    # Nashville (36.12 N, 86.67 W) to Los Angeles (33.94 N, 118.40 W), a worked example handed around with the
    # formula: 2887.26 km on a sphere of 6372.8 km. From memory.
    found_m = great_circle_m((36.12, -86.67), (33.94, -118.40)) * 6_372_800 / EARTH_RADIUS_M
    assert found_m == pytest.approx(2_887_260, abs=10)
    assert great_circle_m((12.5, 3.25), (12.5, 3.25)) == 0.0


@given(
    st.tuples(st.floats(-89, 89), st.floats(-180, 180)), st.tuples(st.floats(-89, 89), st.floats(-180, 180))
)
def test_great_circles_equal_the_spherical_law_of_cosines(
    a: tuple[float, float], b: tuple[float, float]
) -> None:
    # The law loses its digits for places close together, a metre or so at any distance.
    north_a, north_b, apart = radians(a[0]), radians(b[0]), radians(b[1] - a[1])
    cosine = sin(north_a) * sin(north_b) + cos(north_a) * cos(north_b) * cos(apart)
    other_m = EARTH_RADIUS_M * acos(max(-1.0, min(1.0, cosine)))
    assert great_circle_m(a, b) == pytest.approx(other_m, rel=1e-6, abs=2)


def test_the_quickest_way_may_lead_over_other_places() -> None:
    assert quickest(((0, 10, 99), (10, 0, 10), (99, 10, 0))) == ((0, 10, 20), (10, 0, 10), (20, 10, 0))
