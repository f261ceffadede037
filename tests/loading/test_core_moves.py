"""What a move makes better or worse, held against the axles' own equations and the separate checker."""

from __future__ import annotations

import time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.moves import judge, margins
from rimekeep.loading.core.plan import Placement, vehicle_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest

# Plate figures invented.
SEMI: dict[str, Any] = {
    "kind": "semi", "d_k_mm": 900, "L_s_mm": 7700, "WB_mm": 3800, "e_mm": 600, "F0_kg": 5200, "D0_kg": 4200,
    "B0_kg": 5600, "front_max_kg": 8000, "drive_max_kg": 11500, "bogie_max_kg": 24000, "K_max_kg": 15000,
    "payload_max_kg": 25000, "gross_max_kg": 40000, "drive_min_share_pct": 20, "steer_min_share_pct": 10,
    "rows": [{"x_mm": 600 + 1220 * row, "lanes": 3} for row in range(11)],
}  # fmt: skip
RIGID: dict[str, Any] = {
    "kind": "rigid", "front_axle_x_mm": -900, "wheelbase_mm": 4900, "front_tare_kg": 4900,
    "rear_tare_kg": 4600, "front_max_kg": 7500, "rear_max_kg": 11500, "gross_max_kg": 18000,
    "payload_max_kg": 8300, "drive_min_share_pct": 25,
    "rows": [{"x_mm": 500 + 1000 * row, "lanes": 2} for row in range(6)],
}  # fmt: skip
Deck = list[tuple[str, int, int]]


def request_of(truck: dict[str, Any], masses: list[float], stops: list[int], classes: str) -> LoadRequest:
    used = sorted(set(stops))
    return load_request(
        {
            "truck": truck,
            "rules": {},
            "temperature_classes": {"c": {"min_c": 2, "max_c": 6}, "w": {"min_c": 4, "max_c": 12}},
            "stops": [{"id": f"S{one}", "seq": one} for one in used],
            "pallets": [
                {"id": f"P{k}", "stop": f"S{stop}", "class": classes[k % len(classes)], "weight_kg": mass}
                for k, (mass, stop) in enumerate(zip(masses, stops, strict=True))
            ],
        }
    )


def full_semi() -> tuple[LoadRequest, Deck]:
    """33 places, 12 drops, the last one at the front wall."""
    request = request_of(SEMI, [600.0 + k for k in range(33)], [12 - k * 12 // 33 for k in range(33)], "c")
    return request, [(f"P{k}", k // 3, k % 3) for k in range(33)]


def moved(deck: Deck, pallet: str, row: int, lane: int) -> Deck:
    place = {name: (r, k) for name, r, k in deck}
    other = next((name for name, at in place.items() if at == (row, lane)), None)
    if other is not None:
        place[other] = place[pallet]
    place[pallet] = (row, lane)
    return [(name, *at) for name, at in place.items()]


@settings(max_examples=60)
@given(data=st.data(), truck=st.sampled_from([SEMI, RIGID]))
def test_margins_are_those_of_the_axle_equations_in_every_state(data, truck):
    places = [(r, k) for r, row in enumerate(truck["rows"]) for k in range(row["lanes"])]
    count = data.draw(st.integers(1, len(places)))
    masses = data.draw(st.lists(st.integers(100, 1200).map(float), min_size=count, max_size=count))
    stops = data.draw(st.lists(st.integers(1, 12), min_size=count, max_size=count))
    request = request_of(truck, masses, stops, "c")
    at = data.draw(st.permutations(places))[:count]
    deck = [(f"P{k}", *place) for k, place in enumerate(at)]
    known = {pallet.id: pallet for pallet in request.pallets}
    found = margins(request, known, request.truck, deck)
    states = vehicle_plan(request, [Placement(*place) for place in deck]).states
    for name in {axle.name for axle in states[0].axles}:
        slack = [
            (axle.max_kg - axle.load_kg, state.after_stop)
            for state in states
            for axle in state.axles
            if axle.name == name
        ]
        least = min(kg for kg, _ in slack)
        assert found[name].kg == pytest.approx(least, abs=1e-6)
        assert {stop: kg for kg, stop in slack}[found[name].after_stop] == pytest.approx(least, abs=1e-6)
    # The law's share of the laden weight: load on the driven axle against its share of gross, in kg.
    driven = "drive" if truck is SEMI else "rear"
    share = truck["drive_min_share_pct"] / 100
    slack_kg = min(s.load_kg(driven) - share * s.gross_kg for s in states if s.payload_kg > 0)
    assert found["drive_share"].kg == pytest.approx(slack_kg, abs=1e-6)
    is_broken = any(margin.kg < -1e-6 for margin in found.values())
    kinds = {one.kind for one in check_plan(request, [deck])} - {"drop_order"}
    assert is_broken == bool(kinds)


def test_a_move_tells_every_limit_before_and_after_and_which_way_it_went():
    request, deck = full_semi()
    # The heaviest pallet of the last row changes with one of the same drop's: nothing else moves.
    after = moved(deck, "P32", 9, 2)
    judged = judge(request, [deck], [after])
    (change,) = judged.decks
    by_name = {one.limit: one for one in change.limits}
    assert by_name["payload"].verdict == by_name["gross"].verdict == "same"
    assert by_name["bogie"].verdict == "better"
    # The kingpin is heaviest after the first drops have left the rear, when neither pallet is on board.
    assert by_name["kingpin"].after.after_stop is not None
    assert by_name["kingpin"].verdict == "same"
    # P32 (632 kg) goes one row of 1,220 mm forward, P29 (629 kg) back: 3 kg · 1220 / 7700 off the bogie.
    gained = by_name["bogie"].after.kg - by_name["bogie"].before.kg
    assert gained == pytest.approx(3 * 1220 / 7700)
    assert by_name["front"].words == "front axle"
    assert change.temperature_verdict == "same"


def test_a_pallet_put_in_anothers_way_is_worse_and_taken_out_of_it_better():
    request, deck = full_semi()
    wrong = moved(deck, "P0", 10, 0)
    judged = judge(request, [deck], [wrong])
    assert judged.decks[0].order_verdict == "worse"
    assert judged.decks[0].blocked_before == ()
    assert any("P0" in text for text in judged.decks[0].blocked_after)
    assert {one.kind for one in judged.broken} >= {"drop_order"}
    back = judge(request, [wrong], [deck])
    assert back.decks[0].order_verdict == "better"
    assert {one.kind for one in back.mended} >= {"drop_order"}


def test_a_pallet_of_another_class_narrows_the_air_of_the_vehicle_it_goes_to():
    request = request_of(RIGID, [500.0, 500.0, 500.0], [1, 1, 1], "cw")
    before = [[("P0", 0, 0), ("P2", 0, 1)], [("P1", 0, 0)]]
    after = [[("P0", 0, 0), ("P2", 0, 1), ("P1", 1, 0)], []]
    first, second = judge(request, before, after).decks
    assert (first.range_before_c, first.range_after_c) == ((2, 6), (4, 6))
    assert first.temperature_verdict == "worse"
    assert (second.range_before_c, second.range_after_c) == ((4, 12), None)
    assert second.temperature_verdict == "better"
    assert {one.verdict for one in second.limits} <= {"better", "same"}


def test_one_move_on_33_places_with_12_drops_is_judged_within_5_ms_of_processor_time():
    request, deck = full_semi()
    after = moved(deck, "P32", 9, 2)
    judge(request, [deck], [after])
    taken_ms = []
    for _ in range(15):
        began = time.thread_time()
        judge(request, [deck], [after])
        taken_ms.append((time.thread_time() - began) * 1e3)
    assert sorted(taken_ms)[len(taken_ms) // 2] < 5
