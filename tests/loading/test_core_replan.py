"""Late pallets and pins on decks that stand: fewest moves, against trying every way on small decks."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.cli.bench.loads.days import invented_day
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.replan import replan
from rimekeep.loading.core.replan_model import Former, Place
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest

TRUCK: dict[str, Any] = {
    "kind": "rigid",
    "front_axle_x_mm": -800,
    "wheelbase_mm": 3000,
    "front_tare_kg": 4000,
    "rear_tare_kg": 3000,
    "front_max_kg": 5600,
    "rear_max_kg": 5200,
    "payload_max_kg": 4000,
    "gross_max_kg": 12_000,
    "rows": [{"x_mm": 600, "lanes": 2}, {"x_mm": 1800, "lanes": 1}, {"x_mm": 3000, "lanes": 2}],
}


def _request(pallets: list[tuple[int, int]], available: int = 1) -> LoadRequest:
    """Pallets as (stop 0 to 2, mass in kg)."""
    return load_request(
        {
            "truck": {**TRUCK, "available": available},
            "temperature_classes": {"any": {"min_c": 2, "max_c": 6}},
            "stops": [{"id": "ABC"[s], "seq": s + 1} for s in range(3)],
            "pallets": [
                {"id": f"P{k}", "stop": "ABC"[s], "class": "any", "weight_kg": kg}
                for k, (s, kg) in enumerate(pallets)
            ],
        }
    )


def _places() -> list[tuple[int, int]]:
    return [(r, lane) for r, row in enumerate(TRUCK["rows"]) for lane in range(row["lanes"])]


def _legal(request: LoadRequest) -> Iterator[dict[str, tuple[int, int]]]:
    """Yield every legal way to put the pallets on one deck, judged by the separate checker."""
    names = [pallet.id for pallet in request.pallets]
    for chosen in permutations(_places(), len(names)):
        at = dict(zip(names, chosen, strict=True))
        if not check_plan(request, [[(name, *place) for name, place in at.items()]]):
            yield at


pallets_of = st.lists(st.tuples(st.integers(0, 2), st.sampled_from([300, 600, 900])), min_size=2, max_size=4)


@settings(max_examples=60, deadline=None)
@given(pallets_of, st.tuples(st.integers(0, 2), st.sampled_from([300, 900])), st.data())
def test_late_pallet_moves_as_few_as_enumeration_finds(
    pallets: list[tuple[int, int]], late: tuple[int, int], data: st.DataObject
) -> None:
    before, after = _request(pallets), _request([*pallets, late])
    ways = list(_legal(before))
    if not ways:
        return
    stood = data.draw(st.sampled_from(ways))
    aboard = frozenset(data.draw(st.lists(st.sampled_from(sorted(stood)), max_size=2)))
    former = Former({name: (0, *place) for name, place in stood.items()}, (0,), aboard)
    counts = [
        sum(at[name] != place for name, place in stood.items())
        for at in _legal(after)
        if all(at[name] == stood[name] for name in aboard)
    ]
    found = replan(after, former)
    if not counts:
        assert found.placed == ()
        assert found.reasons
        return
    assert check_plan(after, found.placed) == []
    assert (len(found.moved), found.moved_bound, found.is_proven) == (min(counts), min(counts), True)
    assert not aboard & set(found.moved)


@settings(max_examples=40, deadline=None)
@given(pallets_of, st.data())
def test_pinned_pallet_stands_where_it_is_pinned_and_few_make_way(
    pallets: list[tuple[int, int]], data: st.DataObject
) -> None:
    request = _request(pallets)
    ways = list(_legal(request))
    if not ways:
        return
    stood = data.draw(st.sampled_from(ways))
    name, place = data.draw(st.sampled_from(sorted(stood))), data.draw(st.sampled_from(_places()))
    pinned: dict[str, Place] = {name: (0, *place)}
    found = replan(request, Former({n: (0, *at) for n, at in stood.items()}, (0,), pinned=pinned))
    counts = [sum(at[n] != stood[n] for n in stood) for at in ways if at[name] == place]
    if not counts:
        assert found.placed == ()
        return
    assert check_plan(request, found.placed) == []
    assert (name, *place) in found.placed[0]
    assert (len(found.moved), found.moved_bound) == (min(counts), min(counts))


def test_pallet_on_board_moves_only_where_that_is_allowed() -> None:
    """The late pallet is for the last stop; the only deck that takes it turns the two around."""
    request = _request([(0, 600), (0, 600), (2, 900)])
    before = {"P0": (0, 0, 0), "P1": (0, 0, 1)}
    held = replan(request, Former(before, (0,), frozenset(before)))
    assert held.placed == ()
    assert "on board" in held.reasons[0]
    free = replan(request, Former(before, (0,), frozenset(before), may_move_aboard=True))
    assert check_plan(request, free.placed) == []
    assert set(free.moved) <= set(before)
    assert free.moved


def test_second_vehicle_is_taken_only_when_the_first_is_full() -> None:
    request = _request([(0, 300)] * 6, available=2)
    places = {f"P{k}": (0, *place) for k, place in enumerate(_places())}
    found = replan(request, Former(places, (0,)))
    assert found.moved == ()
    assert found.trucks == (0, 0)
    assert [deck[0][0] for deck in found.placed][1] == "P5"
    assert check_plan(request, found.placed) == []
    alone = replace(request, trucks=tuple(replace(truck, available=1) for truck in request.trucks))
    assert replan(alone, Former(places, (0,))).placed == ()


def test_two_pins_on_one_place_are_refused_in_words() -> None:
    request = _request([(0, 300), (1, 300)])
    pins: dict[str, Place] = {"P0": (0, 0, 0), "P1": (0, 0, 0)}
    found = replan(request, Former({}, (0,), pinned=pins))
    assert found.placed == ()
    assert "pinned" in found.reasons[0]


def test_pin_beyond_the_deck_is_refused() -> None:
    request = _request([(0, 300)])
    assert replan(request, Former({}, (0,), pinned={"P0": (0, 7, 0)})).placed == ()
    assert replan(request, Former({}, (0,), pinned={"P0": (3, 0, 0)})).placed == ()


@pytest.mark.parametrize("seed", [1, 2])
def test_late_pallet_of_a_whole_day_disturbs_little(seed: int) -> None:
    day = invented_day(seed, units=60, drops=12)
    plan = plan_loads(replace(day, pallets=day.pallets[:-1]), effort=4.0)
    places = {name: (v, r, lane) for v, deck in enumerate(plan.placed) for name, r, lane in deck}
    found = replan(day, Former(places, tuple(vehicle.truck for vehicle in plan.vehicles)), effort=4.0)
    assert check_plan(day, found.placed) == []
    assert found.moved_bound <= len(found.moved) <= 6
    stayed = set(places) - set(found.moved)
    now = {name: (v, r, lane) for v, deck in enumerate(found.placed) for name, r, lane in deck}
    assert all(now[name] == places[name] for name in stayed)
