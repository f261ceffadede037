"""Empties reported wrongly at a drop are said anew: the record keeps both, the rest of the trip weighs anew."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.grounds import Clock
from builders.journeys import Journey, confirmed_trip
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Clock, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


def test_a_correction_weighs_from_then_on_and_what_was_said_before_stays(journey: Journey) -> None:
    picker = journey.api.as_("picker")
    address = f"{journey.path}/drops/1/empties"
    heavy = {"kind": "keg", "pieces": 10, "mass_kg": 9000, "places": 2}
    light = {"kind": "keg", "pieces": 10, "mass_kg": 90, "places": 1}
    body = {"empties": [light], "reason": "a nought too many"}
    picker.refused(address, body, 409, "trip-not-departed")
    journey.leave()
    journey.pass_(hours=1)
    left_kg = sum(place["mass_kg"] for place in journey.trip["places"] if place["drop"] == 2)
    picker.refused(address, body, 409, "drop-not-delivered")
    told = picker.made(f"{journey.path}/drops/1/deliver", {"empties": [heavy]})
    assert any("DO NOT DRIVE ON" in line for line in told["to_do"])
    problem = picker.refused(address, body | {"empties": [heavy]}, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "empties"
    picker.refused(f"{journey.path}/drops/9/empties", body, 404, "drop-not-found")
    made = picker.made(address, body, key="once")
    assert picker.made(address, body, key="once") == made
    (put,) = made["empties"]
    assert (made["drop"], put["mass_kg"], put["places"], put["most_pieces"]) == (1, 90, 1, None)
    assert not any("DO NOT DRIVE ON" in line for line in made["to_do"])
    shown = journey.api.ok("GET", f"{journey.path}/drops")
    assert shown["empties"] == [{"drop": 1, **light}]
    # What is left on board is the second drop's goods and the kegs, as said last.
    payloads = [state["payload_kg"] for state in shown["rest"]["states"]]
    assert payloads == pytest.approx([left_kg + 90, 90])
    assert shown["rest"]["violations"] == []
    (kept,) = shown["corrections"]
    assert (kept["reason"], kept["was"]) == ("a nought too many", [{"drop": 1, **heavy}])
    assert kept["corrected_by"] == journey.api.callers["picker"].id
    sheet = journey.api.get(f"{journey.path}/sheet").text
    assert "1 place, 90 kg" in sheet
    assert "2 places, 9000 kg" not in sheet
    # And once more: none at all were taken back.
    picker.made(address, {"empties": [], "reason": "the kegs stayed there"})
    shown = journey.api.ok("GET", f"{journey.path}/drops")
    assert (shown["empties"], [one["was"] for one in shown["corrections"]]) == (
        [],
        [[{"drop": 1, **heavy}], [{"drop": 1, **light}]],
    )
    assert shown["rest"]["states"][0]["payload_kg"] == pytest.approx(left_kg)
    first, second = journey.told("trip.empties-corrected")
    assert [(one["was"][0]["mass_kg"], one["reason"]) for one in (first, second)] == [
        (9000, "a nought too many"),
        (90, "the kegs stayed there"),
    ]
    with journey.database.transaction(readonly=True) as session:
        kinds = session.scalars(select(LedgerEvent.kind).order_by(LedgerEvent.seq)).all()
    assert [kind for kind in kinds if kind.startswith("trip.")][-3:] == [
        "trip.delivered",
        "trip.empties-corrected",
        "trip.empties-corrected",
    ]
    journey.api.as_("dispatcher").made(f"{journey.path}/drops/2/deliver", {})
    journey.api.as_("dispatcher").made(f"{journey.path}/end", {})
    late = picker.refused(address, body, 409, "trip-ended")
    assert "nothing of it is on board any more" in late["detail"]
