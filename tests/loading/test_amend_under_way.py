"""A plan of which a trip has left is still brought up to date: that trip stays as it is, the others change."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, TwoTrips, leave, two_trips
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.platform.database import Database

GROUNDS = {"made": two_trips}


@pytest.fixture
def made(ground: Any) -> TwoTrips:
    return ground  # type: ignore[no-any-return]


def test_a_late_order_joins_a_trip_that_waits_and_one_that_left_stays_as_it_is(
    api: Api, database: Database, clock: Clock, made: TwoTrips
) -> None:
    desk, day = api.as_("dispatcher"), made.day
    gone, waiting = made.fuller, made.other
    assert (len(gone["places"]), len(waiting["places"])) == (6, 3)
    leave(api, gone["id"])
    path = f"/v1/load-plans/{made.plan['id']}"
    # The vehicle that left may be planned with again: who does keeps that draft.
    body = {"ship_on": DAY.isoformat(), "drops": day.drops[4:], "vehicle_ids": [gone["vehicle_id"]]}
    draft = desk.made("/v1/load-plans", body)
    left, sheet = (api.get(f"/v1/trips/{gone['id']}{more}").text for more in ("", "/sheet"))
    late = sorted(day.ssccs["D"])
    told = desk.made(f"{path}/amend", {"orders": [day.drops[3]], "only_preview": True})
    done = desk.made(f"{path}/amend", {"orders": [day.drops[3]]})
    assert (told["added"], done["added"], done["moved"], done["removed"]) == (late, late, [], [])
    assert (done["vehicle_id"], done["reasons"]) == (None, [])
    assert [api.get(f"/v1/trips/{gone['id']}{more}").text for more in ("", "/sheet")] == [left, sheet]
    after = api.ok("GET", path)
    assert (after["state"], after["visits"]) == ("confirmed", made.plan["visits"] + 1)
    stands = {p["sscc"] for p in next(t for t in after["trips"] if t["id"] == waiting["id"])["places"]}
    assert stands == {p["sscc"] for p in waiting["places"]} | set(late)
    assert api.ok("GET", f"/v1/load-plans/{draft['id']}")["state"] == "draft"
    # The request that is kept still describes the whole plan, by the separate checker too.
    with database.transaction(readonly=True) as session:
        kept = session.scalars(select(LoadPlanRow.request).where(LoadPlanRow.id == made.plan["id"])).one()
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in after["trips"]]
    assert check_plan(load_request(kept), decks) == []
    # What left is delivered and judged as if nothing had happened.
    clock.now += timedelta(hours=1)
    stays = next(p for p in gone["places"] if p["drop"] == 1)["sscc"]
    api.as_("picker").made(f"/v1/trips/{gone['id']}/drops/1/deliver", {"refused": [stays]})
    rest = api.ok("GET", f"/v1/trips/{gone['id']}/drops")["rest"]
    assert stays in rest["lines"][0]
    assert rest["states"][0]["payload_kg"] == pytest.approx(2000)
    leave(api, waiting["id"])
    assert api.ok("GET", path)["state"] == "departed"
    desk.refused(f"{path}/amend", {}, 409, "plan-state")


def test_a_trip_that_leaves_while_decks_are_sought_is_not_changed_any_more(
    api: Api, database: Database, clock: Clock, made: TwoTrips, monkeypatch: pytest.MonkeyPatch
) -> None:
    seek = api.app.state.compute.run

    def it_leaves(*args: Any, **kwargs: Any) -> Any:
        answer = seek(*args, **kwargs)
        with database.transaction() as session:
            session.get_one(Trip, made.other["id"]).departed_at = clock.now
        return answer

    monkeypatch.setattr(api.app.state.compute, "run", it_leaves)
    path, body = f"/v1/load-plans/{made.plan['id']}/amend", {"orders": [made.day.drops[3]]}
    api.as_("dispatcher").refused(path, body, 409, "plan-changed")
    after = api.ok("GET", f"/v1/load-plans/{made.plan['id']}")
    assert [trip["places"] for trip in after["trips"]] == [trip["places"] for trip in made.plan["trips"]]
