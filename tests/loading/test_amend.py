"""A plan brought up to date: late units join with the fewest moves of what stands already."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select, text

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, Day, few, instance, make_day, register_fleet
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import LoadPlanRow, Trip
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent

DECK = few(instance("deck_s1_basic"), stops=3, each=2)


def two_of_three(api: Api, database: Database, clock: Clock) -> tuple[dict[str, Any], Day]:
    """Plan the first two of three orders on one of two vehicles."""
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops[:2]}
    plan = api.as_("dispatcher").made("/v1/load-plans", body)
    assert len(plan["trips"]) == 1
    return plan, day


GROUNDS = {"planned": two_of_three}


@pytest.fixture
def planned(ground: Any) -> tuple[dict[str, Any], Day]:
    return ground  # type: ignore[no-any-return]


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def standing(plan: dict[str, Any]) -> dict[str, tuple[int, int, int]]:
    return {p["sscc"]: (t["id"], p["row"], p["lane"]) for t in plan["trips"] for p in t["places"]}


def shown(api: Api, plan: dict[str, Any]) -> dict[str, Any]:
    return api.ok("GET", f"/v1/load-plans/{plan['id']}")


def next_unit(api: Api, trip: dict[str, Any]) -> str | None:
    found = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    return found[0]["sscc"] if found else None


def require_legal(database: Database, plan: dict[str, Any]) -> None:
    """Judge what is shown by the separate checker and the stored request."""
    with database.transaction(readonly=True) as session:
        request = session.scalars(select(LoadPlanRow.request).where(LoadPlanRow.id == plan["id"])).one()
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in plan["trips"]]
    assert check_plan(load_request(request), decks) == []


def test_a_late_order_joins_with_the_fewest_moves_and_everything_is_reckoned_anew(
    api: Api, desk: Api, database: Database, planned: tuple[dict[str, Any], Day]
) -> None:
    plan, day = planned
    path, body = f"/v1/load-plans/{plan['id']}/amend", {"orders": [day.drops[2]]}
    told = desk.made(path, {**body, "only_preview": True})
    assert told["is_made"] is False
    assert shown(api, plan) == plan, "looking changed the plan"
    done = desk.made(path, body)
    assert done["is_made"]
    assert (done["moved"], done["added"]) == (told["moved"], told["added"])
    late = sorted(list(day.ssccs.values())[2])
    assert sorted(done["added"]) == late
    assert (done["removed"], done["reasons"], done["are_new_first"]) == ([], [], False)
    after = shown(api, plan)
    before, now = standing(plan), standing(after)
    assert sorted(sscc for sscc in before if now[sscc] != before[sscc]) == done["moved"]
    assert len(done["moved"]) == done["moved_bound"]
    assert set(now) == set(before) | set(late)
    require_legal(database, after)
    (trip,) = after["trips"]
    assert trip["axle_table"][0]["payload_kg"] == pytest.approx(sum(p["mass_kg"] for p in trip["places"]))
    drops = {place["customer_code"]: place["drop"] for place in trip["places"]}
    # Who comes late is called at last.
    assert drops == {stop: drop for drop, stop in enumerate(day.orders, 1)}
    with database.transaction(readonly=True) as session:
        (event,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "plan.amended"))
        assert event.data["added"] == late
    assert desk.made(f"/v1/load-plans/{plan['id']}/confirm")["state"] == "confirmed"
    assert desk.made(path, {})["added"] == [], "nothing is left to be taken in"


def test_what_is_on_board_or_pinned_stays_and_a_confirmed_plan_binds_what_joins(
    api: Api, desk: Api, database: Database, clock: Any, planned: tuple[dict[str, Any], Day]
) -> None:
    plan, day = planned
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    rival = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[2:]})
    trip = plan["trips"][0]
    aboard = next_unit(api, trip)
    pinned = next(p["sscc"] for p in trip["places"] if p["sscc"] != aboard)
    desk.made(f"/v1/trips/{trip['id']}/pins", {"ssccs": [pinned], "is_pinned": True})
    api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": aboard})
    done = desk.made(f"/v1/load-plans/{plan['id']}/amend", {"orders": [day.drops[2]]})
    assert not {aboard, pinned} & set(done["moved"])
    # Their places are at the doors: past what is on board nothing more is brought.
    assert done["are_new_first"]
    after = shown(api, plan)
    assert after["state"] == "confirmed"
    require_legal(database, after)
    assert shown(api, rival)["state"] == "dropped"
    # Everything is loaded in the order the sheet says, the late units too.
    while (due := next_unit(api, trip)) is not None:
        api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": due})
    desk.made(f"/v1/trips/{trip['id']}/depart")


def test_a_vehicle_more_is_taken_only_when_those_there_cannot_do_it(
    api: Api, database: Database, clock: Any
) -> None:
    deck = few(instance("deck_s1_basic"), stops=3, each=3)
    day = make_day(api, database, clock.now, deck)
    ids = register_fleet(api, deck, 2)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    assert len(plan["trips"]) == 1
    done = desk.made(f"/v1/load-plans/{plan['id']}/amend", {"orders": [day.drops[2]]})
    after = shown(api, plan)
    assert len(after["trips"]) == 2
    assert done["vehicle_id"] in ids
    assert done["vehicle_id"] == after["trips"][1]["vehicle_id"] != plan["trips"][0]["vehicle_id"]
    require_legal(database, after)
    assert after["trips"][1]["axle_table"]
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")


def test_a_vehicle_taken_elsewhere_while_decks_are_sought_is_not_taken_twice(
    api: Api, database: Database, clock: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    deck = few(instance("deck_s1_basic"), stops=3, each=3)
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 2)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    seek = api.app.state.compute.run

    def others_are_quicker(*args: Any, **kwargs: Any) -> Any:
        answer = seek(*args, **kwargs)
        with database.transaction() as session:
            out = text("UPDATE vehicle SET is_active = false WHERE id <> :own")
            session.execute(out, {"own": plan["trips"][0]["vehicle_id"]})
        return answer

    monkeypatch.setattr(api.app.state.compute, "run", others_are_quicker)
    path, body = f"/v1/load-plans/{plan['id']}/amend", {"orders": [day.drops[2]]}
    desk.refused(path, body, 409, "plan-changed")
    assert shown(api, plan) == plan


def test_what_was_said_of_a_drop_follows_its_customer_when_the_one_before_is_gone(
    api: Api, database: Database, clock: Clock
) -> None:
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    (trip,) = plan["trips"]
    legs = [{"drop": drop, "drive_minutes": 10 * drop, "stop_minutes": 10 * drop + 1} for drop in (1, 2, 3)]
    desk.made(f"/v1/trips/{trip['id']}/road", {"legs": legs})
    desk.made(f"/v1/orders/{day.drops[0]}/cancel", {"reason": "customer closed"})
    assert desk.made(f"/v1/load-plans/{plan['id']}/amend", {})["is_made"]
    told = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")
    assert [drop["customer"] for drop in told["drops"]] == list(day.orders)[1:]
    with database.transaction(readonly=True) as session:
        said = session.scalars(select(Trip.road).where(Trip.id == trip["id"])).one()["legs"]
    # From the store to what is now the first nobody said how long it takes; the rest is as it was said.
    assert [(leg["drop"], leg.get("drive_minutes"), leg["stop_minutes"]) for leg in said] == [
        (1, None, 21),
        (2, 30, 31),
    ]


def test_a_change_that_cannot_be_is_refused_and_changes_nothing(
    api: Api, database: Database, clock: Any
) -> None:
    """Six units fast on the only truck, of eight places, and three more asked for."""
    deck = few(instance("deck_s1_basic"), stops=3, each=3)
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    path = f"/v1/load-plans/{plan['id']}/amend"
    desk.refused(path, {"orders": [999_999]}, 422, "invalid-input")
    assert desk.post("/v1/load-plans/999999/amend", {}).status_code == 404
    before = shown(api, plan)
    told = desk.made(path, {"orders": [day.drops[2]], "only_preview": True})
    assert (told["is_made"], len(told["reasons"])) == (False, 1)
    problem = desk.refused(path, {"orders": [day.drops[2]]}, 409, "plan-not-amended")
    assert problem["data"]["reasons"] == told["reasons"]
    assert "no legal decks" in problem["detail"]
    assert shown(api, plan) == before
    desk.made(f"/v1/load-plans/{plan['id']}/drop")
    desk.refused(path, {}, 409, "plan-state")
