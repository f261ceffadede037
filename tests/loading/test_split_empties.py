"""Empties of a customer two trips call at are told once: to the trip that comes there first."""

from __future__ import annotations

from typing import Any

import pytest

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, five_stops, make_day, register_fleet
from rimekeep.platform.database import Database

# Ten pallets for one customer, eight places on a truck.
_DECK = five_stops()
DECK = {
    **_DECK,
    "stops": _DECK["stops"][:1],
    "pallets": [{**_DECK["pallets"][0], "id": f"A-{k}"} for k in range(10)],
}
SHIFT = {
    "trips": 2, "starts_at_time": "06:00", "ends_at_time": "17:00", "turn_round_s": 3600, "trip_s": 14_400,
}  # fmt: skip
KEGS = "12 kegs, 120 kg"


def confirmed(api: Api, database: Database, clock: Clock) -> dict[str, Any]:
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    (order,) = day.drops
    back = [{"order_id": order, "kind": "keg", "pieces": 12, "mass_kg": 120, "places": 1}]
    desk, body = api.as_("dispatcher"), {"ship_on": DAY.isoformat(), "drops": [order], "empties": back}
    return {"body": body, "plan": desk.made("/v1/load-plans", body)}


GROUNDS = {"made": confirmed}


@pytest.fixture
def made(ground: Any) -> dict[str, Any]:
    return ground  # type: ignore[no-any-return]


def told(api: Api, trip: dict[str, Any]) -> str:
    """What a trip's sheet says of empties, the same as its delivery notes."""
    sheet = api.get(f"/v1/trips/{trip['id']}/sheet").text
    (said,) = [line.split(": ", 1)[1] for line in sheet.splitlines() if "empties announced: " in line]
    assert f"Empties announced: {said}" in api.get(f"/v1/trips/{trip['id']}/delivery-notes.html").text
    return said


def test_two_trucks_say_it_once_and_who_comes_first(api: Api, made: dict[str, Any]) -> None:
    desk, plan = api.as_("dispatcher"), made["plan"]
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    first, second = sorted(plan["trips"], key=lambda trip: trip["id"])
    assert first["vehicle_code"] != second["vehicle_code"]
    assert told(api, first) == f"{KEGS}; {second['vehicle_code']} calls here later, for what is left"
    later = f"{first['vehicle_code']} calls here before and takes them; take what was left"
    assert told(api, second) == later
    # Both decks have room for all of them, whoever comes first in the end.
    assert [sum(one["places"] for one in trip["stowed"]) for trip in plan["trips"]] == [1, 1]
    desk.made(f"/v1/trips/{first['id']}/give-up", {"reason": "its battery is flat (invented)"})
    assert told(api, second) == KEGS


def test_of_one_truck_the_trip_that_leaves_first_is_told(api: Api, made: dict[str, Any]) -> None:
    desk = api.as_("dispatcher")
    vehicle = made["plan"]["trips"][0]["vehicle_id"]
    shown = desk.made("/v1/load-plans", made["body"] | {"shifts": [SHIFT], "vehicle_ids": [vehicle]})
    first, second = sorted(shown["trips"], key=lambda trip: trip["trip_no"])
    code = first["vehicle_code"]
    assert told(api, first) == f"{KEGS}; {code}, trip 2 of 2 calls here later, for what is left"
    assert told(api, second) == f"{code}, trip 1 of 2 calls here before and takes them; take what was left"
