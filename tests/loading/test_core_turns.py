"""Trips of one truck after the other: against every way there is, the words of refusals, and the judge."""

import json
from dataclasses import replace
from itertools import permutations, product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from builders.fleets import SEMI
from rimekeep.cli import make_app
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.drop_planner import DrivenPlan, plan_drives
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.roads import Call, Roads, run
from rimekeep.loading.core.turn_sharing import Yard, share_turns
from rimekeep.loading.core.turns import job_of
from rimekeep.loading.core.vehicle import Shift, Turn

HOUR = 3600
SHIFT = {"trips": 2, "shift_starts_s": 6 * HOUR, "shift_ends_s": 18 * HOUR, "turn_round_s": HOUR}


def day(stops: list[dict[str, Any]], each: int = 8, **truck: Any) -> dict[str, Any]:
    """One truck full per stop, unless fewer pallets go to each."""
    pallets = [
        {"id": f"{stop['id']}-{k}", "stop": stop["id"], "class": "cool", "weight_kg": 700}
        for stop in stops
        for k in range(each)
    ]
    classes = {"cool": {"min_c": 1, "max_c": 4}}
    return {
        "truck": SEMI | truck,
        "rules": {},
        "temperature_classes": classes,
        "stops": stops,
        "pallets": pallets,
    }


def in_order(*names: str) -> list[dict[str, Any]]:
    return [{"id": name, "seq": seq} for seq, name in enumerate(names, 1)]


def is_legal(found: DrivenPlan) -> bool:
    plan = found.plan
    return check_plan(found.request, plan.placed, plan.trucks, turns=plan.turns) == []


# --- against every way there is ---


@st.composite
def yards(draw: st.DrawFn) -> tuple[Roads | None, list[list[str]], list[Yard]]:
    """A few trips of one to two stops, by small roads with opening times or as long as is said; two kinds of truck."""
    loads = [[f"s{v}{k}" for k in range(draw(st.integers(1, 2)))] for v in range(draw(st.integers(1, 4)))]
    names = [name for load in loads for name in load]
    times = st.integers(1, 6)
    roads = None
    if draw(st.booleans()):
        size = len(names) + 1
        matrix = tuple(tuple(0 if a == b else draw(times) for b in range(size)) for a in range(size))
        calls = []
        for name in names:
            opens = draw(st.integers(0, 12))
            until = draw(st.none() | st.integers(opens, 20))
            calls.append(Call(name, draw(st.integers(0, 2)), opens, until))
        roads = Roads(tuple(calls), matrix, matrix, leaves_s=draw(st.integers(0, 4)))
    found = []
    for kind in range(draw(st.integers(1, 2))):
        starts = draw(st.integers(0, 4))
        shift = Shift(
            draw(st.integers(1, 3)), starts, starts + draw(st.integers(6, 40)), draw(st.integers(0, 3)),
            None if roads else draw(st.integers(1, 9)),
        )  # fmt: skip
        found.append(Yard(kind, draw(st.integers(0, 2)), shift if draw(st.integers(0, 4)) else None))
    return roads, loads, found


def fewest_by_every_way(roads: Roads | None, loads: list[list[str]], found: list[Yard]) -> int | None:
    """Put each load on each truck, in every order; each trip driven as soon as it may, by `run`."""
    fleet = [yard for yard in found for _ in range(yard.trucks)]
    best = None
    for chosen in product(range(len(fleet)), repeat=len(loads)):
        used = set(chosen)
        if best is not None and len(used) >= best:
            continue
        if all(
            can_follow(roads, [loads[v] for v in range(len(loads)) if chosen[v] == i], fleet[i]) for i in used
        ):
            best = len(used)
    return best


def can_follow(roads: Roads | None, own: list[list[str]], yard: Yard) -> bool:
    if yard.shift is None:
        return len(own) == 1
    return len(own) <= yard.shift.trips and any(
        is_kept(roads, order, yard.shift) for order in permutations(own)
    )


def is_kept(roads: Roads | None, order: Any, shift: Shift) -> bool:
    free_s = shift.starts_s
    for stops in order:
        if roads is None:
            back_s = free_s + (shift.trip_s or 0)
        else:
            numbers = [roads.number(stop) for stop in stops]
            soonest = replace(roads, leaves_s=max(shift.starts_s, roads.leaves_s))
            here = run(replace(roads, leaves_s=max(free_s, roads.leaves_s)), numbers)
            least = [one.late_s for one in run(soonest, numbers).arrivals]
            if any(one.late_s > late for one, late in zip(here.arrivals, least, strict=True)):
                return False
            back_s = here.ends_s
        if back_s > shift.ends_s:
            return False
        free_s = back_s + shift.turn_round_s
    return True


@settings(max_examples=60)
@given(yards())
def test_trips_take_as_few_trucks_as_any_way_of_sharing_them_out(
    case: tuple[Roads | None, list[list[str]], list[Yard]],
) -> None:
    roads, loads, found = case
    jobs = [
        {yard.kind: None if yard.shift is None else job_of(roads, stops, yard.shift) for yard in found}
        for stops in loads
    ]
    shared = share_turns(jobs, found, Budget(5.0, 0), 5.0)
    expected = fewest_by_every_way(roads, loads, found)
    assert shared.is_settled
    assert (len({number for _, number, _ in shared.loads}) or None) == expected
    if expected is not None:
        assert shared.trucks_bound == expected
        assert share_turns(jobs, found, Budget(5.0, 0), 5.0) == shared
        for number in {number for _, number, _ in shared.loads}:
            own = sorted((trip, v, kind) for v, (kind, n, trip) in enumerate(shared.loads) if n == number)
            assert [trip for trip, _, _ in own] == list(range(1, len(own) + 1))
            (yard,) = [yard for yard in found if yard.kind == own[0][2]]
            assert {kind for _, _, kind in own} == {yard.kind}
            assert yard.shift is None or is_kept(roads, [loads[v] for _, v, _ in own], yard.shift)


# --- whole plans ---


def test_a_truck_that_is_back_in_time_goes_out_again_and_spares_another_one() -> None:
    deck = day(in_order("A", "B", "C"), available=3, **SHIFT, trip_s=4 * HOUR)
    found = plan_drives(load_request(deck))
    assert (found.plan.status, len(found.plan.vehicles), found.plan.trucks_needed) == ("optimal", 3, 2)
    assert is_legal(found)
    times = {(turn.vehicle, turn.trip): (turn.leaves_s, turn.back_s) for turn in found.plan.turns}
    first, second = (6 * HOUR, 10 * HOUR), (11 * HOUR, 15 * HOUR)
    assert times == {(0, 1): first, (0, 2): second, (1, 1): first}
    assert plan_drives(load_request(deck)) == found


def test_without_time_for_a_second_trip_it_says_so_and_what_would_do() -> None:
    deck = day(in_order("A", "B", "C"), available=2, **SHIFT, trip_s=4 * HOUR)
    deck["truck"]["shift_ends_s"] = 14 * HOUR
    refused = plan_drives(load_request(deck)).plan
    assert (refused.status, refused.vehicles, refused.lower_bound) == ("infeasible", (), 3)
    assert "shift: 3 trips are needed and 2 trucks are there" in refused.reasons[0]
    assert refused.reasons[1:] == (
        "With one truck more of each kind they fit.",
        "With shifts that end 60 min later they fit.",
    )
    deck["truck"]["shift_ends_s"] = 15 * HOUR
    assert plan_drives(load_request(deck)).plan.trucks_needed == 2


def test_a_trip_longer_than_the_shift_is_named() -> None:
    deck = day(in_order("A"), **(SHIFT | {"shift_ends_s": 9 * HOUR}), trip_s=4 * HOUR)
    (reason,) = plan_drives(load_request(deck)).plan.reasons
    assert reason == (
        "shift: the trip to A leaves at 06:00 at the soonest and is back at 10:00, and the shift ends at 09:00; "
        "let the truck out longer"
    )


def around(**truck: Any) -> dict[str, Any]:
    """Two stops north of the depot and two south; a truck takes two of them."""
    north = {"A": 50.9, "B": 50.1, "C": 50.95, "D": 50.05}
    stops = [{"id": name, "latitude_deg": at, "longitude_deg": 8.5} for name, at in north.items()]
    depot = {"latitude_deg": 50.5, "longitude_deg": 8.5, "leaves_s": 6 * HOUR}
    return day(stops, each=4, **truck) | {"depot": depot}


def test_by_roads_the_second_trip_leaves_after_the_first_is_back_and_the_dock_was_left() -> None:
    found = plan_drives(load_request(around(available=2, **SHIFT)))
    assert (found.plan.status, found.plan.trucks_needed) == ("optimal", 1)
    assert is_legal(found)
    first, second = sorted(found.plan.turns, key=lambda turn: turn.trip)
    assert (first.back_s, second.back_s) == tuple(
        drive.run.ends_s
        for _, drive in sorted(zip([t.trip for t in found.plan.turns], found.drives, strict=True))
    )
    assert first.back_s is not None
    assert second.leaves_s == first.back_s + HOUR


def test_what_must_be_delivered_early_is_on_the_first_trip() -> None:
    deck = around(available=1, **SHIFT)
    # Both in the south shut at nine: only the first trip is there in time.
    for stop in deck["stops"]:
        if stop["id"] in ("B", "D"):
            stop |= {"open_from_s": 6 * HOUR, "open_until_s": 9 * HOUR}
    found = plan_drives(load_request(deck))
    assert is_legal(found)
    trips = {
        turn.trip: set(one.stops) for turn, one in zip(found.plan.turns, found.plan.vehicles, strict=True)
    }
    assert trips == {1: {"B", "D"}, 2: {"A", "C"}}
    assert [drive.run.late_s for drive in found.drives] == [0, 0]


def test_a_round_too_long_for_the_shift_becomes_shorter_trips() -> None:
    deck = around(available=2, **SHIFT)
    for pallet in deck["pallets"]:
        pallet["weight_kg"] = 300
    deck["pallets"] = [pallet for pallet in deck["pallets"] if pallet["id"].endswith("-0")]
    # All four in one round take five and a half hours; out and back one way, three.
    deck["truck"]["shift_ends_s"] = 11 * HOUR
    found = plan_drives(load_request(deck))
    assert (found.plan.status, found.plan.lower_bound, len(found.plan.vehicles)) == ("feasible", 1, 2)
    assert is_legal(found)
    assert found.request.rules.max_stops_per_truck is None
    assert any("none was found that fits the shifts" in reason for reason in found.plan.reasons)


def test_a_truck_without_a_shift_makes_one_trip_beside_one_that_makes_two() -> None:
    deck = day(in_order("A", "B", "C"), trip_s=4 * HOUR)
    plain, shifted = SEMI | {"name": "plain", "available": 1}, SEMI | {"name": "two", "available": 1}
    deck["trucks"] = [plain, shifted | SHIFT | {"trip_s": 4 * HOUR}]
    del deck["truck"]
    found = plan_drives(load_request(deck))
    assert (found.plan.status, found.plan.trucks_needed) == ("optimal", 2)
    assert is_legal(found)
    kinds = {
        (found.request.trucks[one.truck].name, turn.trip, turn.leaves_s)
        for one, turn in zip(found.plan.vehicles, found.plan.turns, strict=True)
    }
    assert kinds == {("plain", 1, None), ("two", 1, 6 * HOUR), ("two", 2, 11 * HOUR)}


# --- the judge ---


def broken(found: DrivenPlan, turns: list[Turn]) -> set[str]:
    plan = found.plan
    return {one.kind for one in check_plan(found.request, plan.placed, plan.trucks, turns=turns)}


def test_the_judge_finds_every_rule_a_sequence_breaks() -> None:
    deck = day(in_order("A", "B", "C"), available=2, **SHIFT, trip_s=4 * HOUR)
    found = plan_drives(load_request(deck))
    one, other, two = sorted(found.plan.turns, key=lambda turn: (turn.trip, turn.vehicle))
    order = [found.plan.turns.index(turn) for turn in (one, other, two)]

    def said(*turns: Turn) -> set[str]:
        changed = list(found.plan.turns)
        for number, turn in zip(order, turns, strict=True):
            changed[number] = turn
        return broken(found, changed)

    assert said(one, other, two) == set()
    assert two.leaves_s is not None
    assert two.back_s is not None
    early = replace(two, leaves_s=two.leaves_s - 1, back_s=two.back_s - 1)
    assert said(one, other, early) == {"trip_overlap"}
    assert said(one, other, replace(two, back_s=two.back_s - 1)) == {"trip_time"}
    assert said(one, other, replace(two, leaves_s=two.leaves_s + 4 * HOUR, back_s=19 * HOUR)) == {"shift"}
    assert said(replace(one, leaves_s=5 * HOUR), other, two) == {"trip_overlap"}
    assert said(one, other, replace(two, trip=3)) == {"trip_number"}
    assert said(one, other, replace(two, leaves_s=None)) == {"trip_time"}
    assert said(one, replace(other, vehicle=0, trip=3), two) >= {"trips", "trip_overlap"}
    assert said(one, other, Turn(2, 1, 6 * HOUR, 10 * HOUR)) == {"fleet"}


def test_the_judge_finds_a_drop_that_a_later_trip_reaches_when_it_is_shut() -> None:
    deck = around(available=1, **SHIFT)
    for stop in deck["stops"]:
        if stop["id"] in ("B", "D"):
            stop |= {"open_from_s": 6 * HOUR, "open_until_s": 9 * HOUR}
    found = plan_drives(load_request(deck))
    swapped = [replace(turn, trip=3 - turn.trip, leaves_s=None, back_s=None) for turn in found.plan.turns]
    spans = [drive.run.ends_s - drive.run.leaves_s for drive in found.drives]
    first = next(v for v, turn in enumerate(swapped) if turn.trip == 1)
    back_s = 6 * HOUR + spans[first]
    swapped[first] = replace(swapped[first], leaves_s=6 * HOUR, back_s=back_s)
    later = back_s + HOUR
    swapped[1 - first] = replace(swapped[1 - first], leaves_s=later, back_s=later + spans[1 - first])
    assert broken(found, swapped) == {"opening"}


# --- reading ---


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"trips": 5}, "truck.trips"),
        ({"trips": 0}, "truck.trips"),
        ({"shift_ends_s": None}, "truck.shift_ends_s"),
        ({"shift_ends_s": 5 * HOUR}, "truck.shift_ends_s"),
        ({"turn_round_s": -1}, "truck.turn_round_s"),
        ({"trip_s": 0}, "truck.trip_s"),
        ({"trip_s": None}, "truck.trip_s"),
    ],
)
def test_a_shift_that_cannot_be_is_refused_by_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as raised:
        load_request(day(in_order("A"), **(SHIFT | {"trip_s": HOUR} | change)))
    assert field in {fault.field for fault in raised.value.faults}


def test_with_roads_the_time_of_a_trip_is_reckoned_and_the_way_back_counts() -> None:
    deck = around(**SHIFT, trip_s=HOUR) | {"roads": {"return_counted": False}}
    with pytest.raises(Invalid) as raised:
        load_request(deck)
    assert {fault.field for fault in raised.value.faults} == {"truck.trip_s", "truck.trips"}


def test_the_command_says_which_trip_of_which_truck(tmp_path: Path) -> None:
    path = tmp_path / "day.json"
    path.write_text(json.dumps(day(in_order("A", "B"), available=1, **SHIFT, trip_s=4 * HOUR)))
    result = CliRunner().invoke(make_app(), ["plan-load", str(path)])
    assert result.exit_code == 0, result.output
    assert "optimal: 2 trips with 1 truck," in result.output
    assert "truck 1, trip 2 of 2, leaves 11:00, back 15:00" in result.output
    shown = json.loads(CliRunner().invoke(make_app(), ["plan-load", str(path), "--json"]).output)
    assert shown["trucks"] == 1
    assert shown["trips"][1] == {"vehicle": 0, "trip": 2, "leaves_s": 11 * HOUR, "back_s": 15 * HOUR}
