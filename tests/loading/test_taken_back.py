"""Empties taken back that nobody announced, or others than announced: their places, and how many may ride."""

from __future__ import annotations

from datetime import timedelta
from itertools import product
from typing import Any

import pytest

from builders.api import Api
from builders.grounds import Clock
from builders.journeys import Journey, confirmed_trip
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rest import Aboard, as_request, rest_of_trip, standing_of
from rimekeep.loading.core.taken_back import SECURE, Back, TakenBack, taken_back
from rimekeep.loading.core.vehicle import LoadRequest, Riding
from rimekeep.platform.database import Database

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Clock, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


def day(truck: dict[str, Any] | None = None, **empties: Any) -> LoadRequest:
    """
    Return two stops on an invented rigid truck, its rear axle below the third of three rows.

    Rows are 2, 3 and 4 m behind the front axle, and so is the rear axle 4 m.
    """
    return load_request(
        {
            "truck": {
                "kind": "rigid",
                "front_axle_x_mm": -1000,
                "wheelbase_mm": 4000,
                "front_tare_kg": 3000,
                "rear_tare_kg": 2000,
                "front_max_kg": 6000,
                "rear_max_kg": 6000,
                "payload_max_kg": 5000,
                "gross_max_kg": 10_000,
                "rows": [{"x_mm": 1000 * (r + 1), "lanes": 2} for r in range(3)],
                **(truck or {}),
            },
            "rules": {},
            "temperature_classes": {"chilled": {"min_c": 2, "max_c": 6}},
            "stops": [
                {"id": stop, "seq": seq, **({"empties": [empties[stop]]} if stop in empties else {})}
                for seq, stop in enumerate("AB", 1)
            ],
            "pallets": [
                {"id": f"P{k}", "stop": stop, "class": "chilled", "weight_kg": 800}
                for k, stop in enumerate("AABB", 1)
            ],
        }
    )


# What is left after the drop at A: both pallets for B in the row at the front wall.
LEFT = [Aboard("P3", "P3", 2, 0, 0, 800, False), Aboard("P4", "P4", 2, 0, 1, 800, False)]


def taken(request: LoadRequest, *reported: Back, riding: tuple[Riding, ...] = ()) -> TakenBack:
    left = as_request(request, LEFT)
    return taken_back(left, 0, standing_of(left, 0, LEFT), riding, request.stops[0], reported)


def test_empties_nobody_announced_weigh_on_the_rear_axle_and_the_most_that_may_ride_is_told() -> None:
    """
    A case by hand, moments about the front axle; common practice, no source.

    B's 1600 kg stand 2 m behind it: the rear axle, 4 m behind, bears 2000 + 800 kg. Empties stand best in the
    second row, 3 m behind: ten of 40 kg add 300 kg, more than the 200 kg left to 3000 kg; six add 180 kg.
    """
    found = taken(day({"rear_max_kg": 3000}), Back("keg", 10, 400, 1))
    (put,) = found.put
    assert put.riding == (Riding(1, 1, 400),)
    assert put.most == 6
    assert "Rear now, empties on board: 3100.0 kg, at most 3000 kg allowed." in found.lines
    assert any(
        line.startswith("At A take at most 6 of 10 (keg). Leave what is too much") for line in found.lines
    )
    assert found.lines[-1] == SECURE
    (most,) = taken(day({"rear_max_kg": 3000}), Back("keg", 6, 240, 1)).put
    assert most.most is None


def test_a_later_drop_that_breaks_is_named() -> None:
    """B gives 2000 kg back as announced: with 400 kg from A that is 2400 kg, and 2300 kg may be carried."""
    back = {"kind": "crate", "pieces": 50, "mass_kg": 2000, "places": 2}
    found = taken(day({"payload_max_kg": 2300}, B=back), Back("keg", 10, 400, 1))
    assert any(
        "Payload after the drop at B, empties on board: 2400.0 kg, at most 2300" in line
        for line in found.lines
    )
    # 2000 + 40 n <= 2300
    assert found.put[0].most == 7


def test_what_was_announced_stands_for_what_nobody_says_now() -> None:
    announced = {"kind": "keg", "pieces": 20, "mass_kg": 300, "places": 2}
    (put,) = taken(day(A=announced), Back("keg", 10)).put
    assert (put.mass_kg, put.places, put.is_weighed, put.most) == (150, 1, True, None)
    found = taken(day(), Back("keg", 10))
    assert (found.put[0].mass_kg, found.put[0].places, found.put[0].is_weighed) == (0, 1, False)
    assert "NOBODY SAID WHAT THEY WEIGH" in found.lines[0]


def test_what_finds_no_room_beside_the_way_is_left() -> None:
    """Two rows of two lanes are behind the goods, and one lane stays clear: two places."""
    found = taken(day(), Back("crate", 30, 90, 3))
    assert found.put[0].most == 20
    assert any("no room for them behind the goods" in line for line in found.lines)
    # One place of the two is taken already.
    found = taken(day(), Back("crate", 30, 90, 3), riding=(Riding(1, 1, 100),))
    assert (found.put[0].most, found.put[0].riding) == (10, (Riding(2, 3, 90),))


def test_what_was_taken_without_room_stays_told_until_there_is_some() -> None:
    """Three places in a row of two lanes, of which one stays clear while there are goods on board."""
    crowded = [Riding(2, 3, 90)]
    rest = rest_of_trip(day(), 0, LEFT, crowded)
    assert [(one.kind, one.figure, one.limit) for one in rest.violations] == [("empties", 3, 1)]
    assert "Empties on board take 3 places of row 3; 1 may be taken." in rest.lines
    assert rest_of_trip(day(), 0, LEFT, [Riding(1, 1, 90), Riding(2, 1, 90)]).violations == ()
    assert rest_of_trip(day(), 0, [], [Riding(2, 2, 90)]).violations == ()


def test_what_breaks_without_them_too_is_not_mended_by_leaving_them() -> None:
    found = taken(day({"payload_max_kg": 1500}), Back("keg", 10, 400, 1))
    assert found.put[0].most == 0
    assert any("does not mend it alone; call the dispatcher" in line for line in found.lines)


@pytest.mark.parametrize(("rear_kg", "payload_kg"), list(product((2900, 3010, 3200), (1700, 1900))))
def test_no_larger_number_would_do(rear_kg: int, payload_kg: int) -> None:
    """Against all numbers, one by one."""
    request = day({"rear_max_kg": rear_kg, "payload_max_kg": payload_kg})
    (put,) = taken(request, Back("keg", 12, 480, 2)).put
    legal = [
        n for n in range(1, 13) if taken(request, Back("keg", n, 40.0 * n, -(-n // 6))).put[0].most is None
    ]
    assert put.most == (None if 12 in legal else max(legal, default=0))


def test_the_rest_of_the_trip_is_judged_with_them_where_they_stand() -> None:
    """By hand as above: 400 kg above the rear axle beside 1600 kg, then alone."""
    rest = rest_of_trip(day({"rear_max_kg": 3199}), 0, LEFT, [Riding(2, 1, 400)])
    assert [(one.kind, one.after_stop, one.figure) for one in rest.violations] == [("rear", None, 3200)]
    assert [state.load_kg("rear") for state in rest.states] == [3200, 2400]
    assert rest.lines[0] == "Empties on board in row 3 along the right wall: 1 place, 400 kg."
    assert any("DO NOT DRIVE ON" in line for line in rest.lines)
    unweighed = rest_of_trip(day(), 0, LEFT, [Riding(2, 1, 0)])
    assert unweighed.lines[0].endswith("1 place, NOBODY SAID WHAT THEY WEIGH, taken as nothing.")
    alone = rest_of_trip(day(), 0, [], [Riding(2, 1, 400)])
    assert (alone.violations, [state.load_kg("rear") for state in alone.states]) == ((), [2400])


def test_the_answer_of_a_delivery_says_at_once_what_is_too_much(journey: Journey, clock: Clock) -> None:
    journey.leave()
    journey.pass_(hours=1)
    picker = journey.api.as_("picker")
    left_kg = sum(place["mass_kg"] for place in journey.trip["places"] if place["drop"] == 2)
    heavy = {"kind": "keg", "pieces": 10, "mass_kg": 9000, "places": 2}
    told = picker.made(f"{journey.path}/drops/1/deliver", {"empties": [heavy]}, key="once")
    assert picker.made(f"{journey.path}/drops/1/deliver", {"empties": [heavy]}, key="once") == told
    (put,) = told["empties"]
    assert (put["pieces"], put["mass_kg"], put["places"], put["is_weighed"]) == (10, 9000, 2, True)
    # The plate of deck_s1_basic allows a payload of 9000 kg; other limits may be stricter.
    assert 0 < put["most_pieces"] <= (9000 - left_kg) // 900
    assert any("DO NOT DRIVE ON with all of them" in line for line in told["to_do"])
    assert any(f"At A take at most {put['most_pieces']} of 10 (keg)" in line for line in told["to_do"])
    assert SECURE in told["to_do"]
    # Behind the goods still on board.
    goods = max(place["row"] for place in journey.trip["places"] if place["drop"] == 2)
    assert all(one["row"] > goods for one in put["riding"])
    rest = journey.api.ok("GET", f"{journey.path}/drops")["rest"]
    assert "payload" in {one["kind"] for one in rest["violations"]}
    assert rest["states"][0]["payload_kg"] == pytest.approx(left_kg + 9000)
    assert "Empties on board in row" in journey.api.get(f"{journey.path}/sheet").text
    clock.now += timedelta(hours=1)
    told = picker.made(
        f"{journey.path}/drops/2/deliver", {"empties": [{"kind": "pallet", "pieces": 2, "mass_kg": 50}]}
    )
    # The kegs are on board all the same, as recorded: two pallets more or less do not mend that.
    assert told["empties"][0]["most_pieces"] == 0
    assert any("call the dispatcher" in line for line in told["to_do"])
    journey.api.as_("dispatcher").made(f"{journey.path}/end", {})
    assert journey.api.ok("GET", f"{journey.path}/drops")["rest"]["lines"] == []
