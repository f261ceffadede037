"""Temperatures taken at loading: kept, compared with the carry range, refused at the door or accepted by QA."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.journeys import Journey, confirmed_trip
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Any, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


def body(sscc: str, temp_c: float, **changed: Any) -> dict[str, Any]:
    return {"scan": sscc, "kind": "core", "temp_c": temp_c, "probe": "P-07", **changed}


def test_a_unit_too_warm_is_refused_at_the_door_until_it_is_cold_or_accepted(journey: Journey) -> None:
    picker, qa = journey.api.as_("picker"), journey.api.as_("qa")
    path = f"{journey.path}/load-temperatures"
    first = journey.api.ok("GET", f"{journey.path}/next")["next"][0]["sscc"]
    warm = picker.made(path, body(first, 9.4))
    assert (warm["carry_min_c"], warm["carry_max_c"], warm["is_in_range"], warm["may_load"]) == (
        2.0,
        6.0,
        False,
        False,
    )
    problem = picker.refused(f"{journey.path}/load", {"scan": first}, 409, "unit-out-of-range")
    assert "9.4 °C (core, probe P-07), above the 2 to 6 °C" in problem["detail"]
    assert problem["data"]["temperature_id"] == warm["id"]
    assert journey.unit(first)["state"] == "picked"
    # Measured anew within the range it goes; the newest counts, and the older one stays on record.
    cold = picker.made(path, body(first, 6.0, kind="surface"))
    assert (cold["is_in_range"], cold["may_load"]) == (True, True)
    due = picker.made(f"{journey.path}/load", {"scan": first})["next"][0]["sscc"]
    frozen = picker.made(path, body(due, 1.9))
    problem = picker.refused(f"{journey.path}/load", {"scan": due}, 409, "unit-out-of-range")
    assert "below the 2 to 6 °C" in problem["detail"]
    accept = f"{path}/{frozen['id']}/accept"
    picker.refused(accept, {"reason": "short trip, probe stood on the deck"}, 403, "role-missing")
    accepted = qa.made(accept, {"reason": "short trip, probe stood on the deck"})
    assert (accepted["may_load"], accepted["is_in_range"]) == (True, False)
    assert accepted["accepted_by"] == journey.api.callers["qa"].id
    picker.made(f"{journey.path}/load", {"scan": due})
    listed = journey.api.ok("GET", path)["items"]
    assert [(one["temp_c"], one["kind"], one["accepted_reason"]) for one in listed] == [
        (9.4, "core", ""),
        (6.0, "surface", ""),
        (1.9, "core", "short trip, probe stood on the deck"),
    ]
    with journey.database.transaction(readonly=True) as session:
        kinds = ["unit.temperature-taken", "unit.temperature-accepted"]
        told = [
            row.kind
            for row in session.scalars(
                select(LedgerEvent).where(LedgerEvent.kind.in_(kinds)).order_by(LedgerEvent.seq)
            )
        ]
    assert told == [kinds[0]] * 3 + [kinds[1]]


def test_a_measurement_newer_than_an_accepted_one_counts(journey: Journey) -> None:
    picker, qa = journey.api.as_("picker"), journey.api.as_("qa")
    path = f"{journey.path}/load-temperatures"
    first = journey.api.ok("GET", f"{journey.path}/next")["next"][0]["sscc"]
    warm = picker.made(path, body(first, 7.0))
    qa.made(f"{path}/{warm['id']}/accept", {"reason": "goes next door"})
    qa.refused(f"{path}/{warm['id']}/accept", {"reason": "twice"}, 409, "temperature-accepted")
    picker.made(path, body(first, 12.0))
    picker.refused(f"{journey.path}/load", {"scan": first}, 409, "unit-out-of-range")


def test_what_cannot_have_been_measured_is_refused(journey: Journey, clock: Any) -> None:
    picker, qa = journey.api.as_("picker"), journey.api.as_("qa")
    path = f"{journey.path}/load-temperatures"
    sscc = journey.drop(1)[0]
    future = (clock.now + timedelta(hours=1)).isoformat().replace("+00:00", "Z")
    picker.refused(path, body(sscc, 4.0, at=future), 422, "invalid-input")
    picker.refused(path, body(sscc, 400.0), 422, "invalid-input")
    picker.refused(path, body("0119521234000010", 4.0), 422, "invalid-input")
    picker.refused(path, body("095212340000000019", 4.0), 422, "scan-unreadable")
    cold = picker.made(path, body(sscc, 4.0))
    qa.refused(f"{path}/{cold['id']}/accept", {"reason": "why not"}, 409, "temperature-in-range")
    qa.refused(f"{path}/{cold['id'] + 99}/accept", {"reason": "why not"}, 404, "temperature-not-found")
    journey.leave()
    picker.refused(path, body(sscc, 4.0), 409, "trip-departed")
