"""How a trip's load is held, through the API."""

from __future__ import annotations

from math import ceil, radians, sin
from typing import Any

import pytest

from builders.api import Api
from builders.journeys import Journey, confirmed_trip
from rimekeep.platform.database import Database

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Any, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


def test_the_answer_says_by_what_rules_and_what_each_row_needs_as_it_empties(journey: Journey) -> None:
    """EN 12195-1:2010 as circulated, by hand, on grooved aluminium not swept: μ 0.3."""
    told = journey.api.ok("GET", f"{journey.path}/securing")
    assert told["edition"].startswith("EN 12195-1:2010: c 0.8 forward, 0.5 sideways")
    assert (told["law"], told["friction"]) == ("eu", 0.3)
    assert "CTU Code" in told["friction_source"]
    assert told["cautions"][-1].endswith("licensed practice come before this.")
    assert [state["after_drop"] for state in told["states"]] == [0, 1]
    places = journey.trip["places"]
    for state in told["states"]:
        left = [place for place in places if place["drop"] > state["after_drop"]]
        assert sum(row["units"] for row in state["rows"]) == len(left)
        for row in state["rows"]:
            mass_kg = sum(place["mass_kg"] for place in left if place["row"] == row["row"])
            assert row["mass_kg"] == pytest.approx(mass_kg)
            assert all(row["lashings"][way] == 0 for way, by in row["held_by"].items() if by)
        # Whatever leans on the last row standing goes with it.
        last = state["rows"][-1]
        if last["held_by"]["backward"] is None:
            mass_kg = sum(place["mass_kg"] for place in left)
            straps = ceil(0.2 * mass_kg * 9.81 * 1.1 / (2 * 0.3 * sin(radians(60)) * 3000))
            assert last["lashings"]["backward"] == straps
            assert last["bars"]["backward"] == ceil(0.2 * mass_kg * 9.81 / 4000)
    # With the first drop gone the last row standing has nothing behind it.
    last = told["states"][1]["rows"][-1]
    assert last["held_by"]["backward"] is None
    assert last["bars"]["backward"] >= 1


def test_rules_deck_and_gear_may_be_said(journey: Journey) -> None:
    path = f"{journey.path}/securing"
    frost = journey.api.ok("GET", f"{path}?condition=frost")
    grip = journey.api.ok("GET", f"{path}?friction=0.6&tension_dan=500&angle_deg=90&bar_dan=1000")
    assert (frost["friction"], grip["friction"], grip["friction_source"]) == (0.2, 0.6, "as given")
    loose = [row["lashings_needed"] for state in frost["states"] for row in state["rows"]]
    fast = [row["lashings_needed"] for state in grip["states"] for row in state["rows"]]
    assert max(fast) < max(loose)
    states = journey.api.ok("GET", f"{path}?law=us")
    assert "49 CFR 393" in states["edition"]
    assert journey.api.get(f"{path}?angle_deg=0").status_code == 422
    assert journey.api.get(f"{path}?floor=ice").status_code == 422
    assert journey.api.get(f"{path}?wind=3").status_code == 422
    assert journey.api.get("/v1/trips/999999/securing").status_code == 404


def test_what_was_refused_stays_in_the_picture(journey: Journey, clock: Any) -> None:
    journey.leave()
    journey.pass_(hours=1)
    kept = journey.drop(1)[0]
    journey.api.as_("picker").made(f"{journey.path}/drops/1/deliver", {"refused": [kept]})
    after = journey.api.ok("GET", f"{journey.path}/securing")["states"][1]
    assert sum(row["units"] for row in after["rows"]) == len(journey.drop(2)) + 1
