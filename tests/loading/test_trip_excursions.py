"""The cold fails on a truck: it counts while goods are on board, names the trip, and goods that come back wait for QA."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.journeys import STORE_C, Journey, confirmed_trip, integrate
from builders.loads import DAY
from rimekeep.excursions.tables import Excursion
from rimekeep.platform.database import Database

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Any, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def found(journey: Journey) -> list[Excursion]:
    with journey.database.transaction(readonly=True) as session:
        return list(session.scalars(select(Excursion).order_by(Excursion.started_at, Excursion.id)))


def deliver(journey: Journey, number: int, **body: Any) -> None:
    journey.api.as_("picker").made(f"{journey.path}/drops/{number}/deliver", body)


def end(journey: Journey) -> None:
    body = {"zone_id": journey.day.zones["store"]}
    journey.api.as_("dispatcher").made(f"{journey.path}/end", body)


def spoil(journey: Journey, *, hours: float = 2.0) -> None:
    """The trip leaves with the truck at 4 °C, which then is at 12 °C."""
    journey.leave()
    began = journey.clock.now
    journey.air(began - timedelta(hours=1), began + timedelta(hours=1), 4.0)
    journey.air(began + timedelta(hours=1), began + timedelta(hours=1 + hours), 12.0)
    journey.pass_(hours=1 + hours)
    journey.refresh()
    journey.check()


def test_an_empty_parked_truck_may_be_as_warm_as_it_likes(journey: Journey, desk: Api, clock: Any) -> None:
    journey.add_rule()
    journey.add_rule(kind="cumulative", limit_c=10.0)
    parked = clock.now
    journey.air(parked - timedelta(days=1), parked + timedelta(hours=3), 20.0)
    journey.pass_(hours=3)
    journey.check()
    assert found(journey) == []
    # Cooled down, loaded, driven and unloaded as it should be; then parked in the sun again.
    journey.air(clock.now, clock.now + timedelta(hours=3), 4.0)
    journey.pass_(minutes=10)
    journey.leave()
    journey.pass_(hours=2)
    deliver(journey, 1)
    deliver(journey, 2)
    journey.air(clock.now + timedelta(hours=1), clock.now + timedelta(hours=20), 22.0)
    journey.pass_(hours=19)
    journey.check()
    # Nor is anything missed of a sensor that sleeps.
    journey.pass_(days=2)
    journey.check()
    assert found(journey) == []
    assert journey.told("excursion.opened") == []


def test_an_alert_on_the_road_names_the_trip_and_what_is_on_board_for_whom(
    journey: Journey, api: Api, clock: Any
) -> None:
    journey.add_rule(holds_stock=True)
    began = clock.now
    spoil(journey)
    (row,) = found(journey)
    assert (row.kind, row.trip_id, row.zone_id) == ("too_warm", journey.trip["id"], journey.zone_id)
    assert (row.started_at, row.alarm_at) == (
        began + timedelta(hours=1),
        began + timedelta(hours=1, minutes=30),
    )
    (told,) = journey.told("excursion.opened")
    assert told["trip_id"] == journey.trip["id"]
    trip = told["trip"]
    assert (trip["id"], trip["vehicle"], trip["cases"]) == (journey.trip["id"], "T1", 4)
    assert [(one["drop"], one["customer"], one["units"], one["cases"]) for one in trip["drops"]] == [
        (1, "A", 2, 2),
        (2, "B", 2, 2),
    ]
    # What has left cannot be held, and the notice does not pretend so.
    assert (told["units"], told["cases"], told["held_units"], told["marked_units"]) == (4, 4, 0, 4)
    assert {journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]} == {"released"}
    for word in ("Trip", "T1", "A (drop 1, 2 cases)", "no hold reaches", "call the driver", "customers"):
        assert word in trip["words"]
    legs = [(STORE_C, began - timedelta(days=1), began), (journey.said, began, clock.now)]
    assert told["core"]["core_c"] == pytest.approx(integrate(legs, STORE_C)[1], abs=0.005)  # type: ignore[arg-type]
    assert told["worst_life_lost_days"] > 0
    journey.check()
    assert len(journey.told("excursion.opened")) == 1
    shown = api.as_("qa").ok("GET", f"/v1/excursions/{row.id}")
    assert (shown["trip_id"], shown["trip"]["cases"], shown["touched_cases"]) == (journey.trip["id"], 4, 4)
    assert all(one["life_lost_days"] > 0 for one in shown["touched"])
    listed = api.ok("GET", f"/v1/excursions?trip_id={journey.trip['id']}")["items"]
    assert [one["id"] for one in listed] == [row.id]
    assert api.ok("GET", f"/v1/excursions?trip_id={journey.trip['id'] + 1}")["items"] == []
    assert (
        api.ok("GET", f"/v1/excursions/{row.id}/report.json")["facts"]["excursion"]["trip_id"] == row.trip_id
    )
    on_record = api.ok("GET", f"{journey.path}/temperature")["excursions"]
    assert [(one["id"], one["peak_c"]) for one in on_record] == [(row.id, 12)]


def test_after_a_drop_only_what_is_left_on_board_is_told_of(journey: Journey, clock: Any) -> None:
    journey.add_rule()
    journey.leave()
    began = clock.now
    journey.air(began - timedelta(hours=1), began + timedelta(hours=2), 4.0)
    journey.pass_(hours=1)
    deliver(journey, 1)
    journey.air(began + timedelta(hours=2), began + timedelta(hours=4), 12.0)
    journey.pass_(hours=3)
    journey.check()
    (told,) = journey.told("excursion.opened")
    assert [one["customer"] for one in told["trip"]["drops"]] == ["B"]
    assert (told["cases"], told["marked_units"]) == (2, 0)


def test_an_excursion_is_over_when_the_last_goods_are_off(journey: Journey, clock: Any) -> None:
    journey.add_rule()
    journey.add_rule(kind="cumulative", limit_c=10.0)
    spoil(journey)
    deliver(journey, 1)
    off = journey.pass_(minutes=15)
    deliver(journey, 2)
    journey.air(clock.now, clock.now + timedelta(hours=5), 12.0)
    journey.pass_(hours=5)
    journey.check()
    rows = found(journey)
    assert len(rows) == 2
    # The last reading before that holds for three intervals of ten minutes, so up to it.
    assert [row.ended_at for row in rows] == [off, off]
    assert len(journey.told("excursion.ended")) == 2
    journey.pass_(hours=5)
    journey.check()
    assert len(found(journey)) == 2


def test_goods_that_come_back_from_a_warm_trip_wait_for_qa_even_if_the_rule_holds_nothing(
    journey: Journey, api: Api
) -> None:
    journey.add_rule()
    spoil(journey)
    end(journey)
    (row,) = found(journey)
    for place in journey.trip["places"]:
        unit = journey.unit(place["sscc"])
        assert (unit["state"], unit["qa_state"]) == ("in_store", "held")
        assert unit["qa_reason"] == f"air at or above 8 °C in T1, excursion {row.id}"
    shown = api.as_("qa").ok("GET", f"/v1/excursions/{row.id}")
    assert row.ended_at is not None
    assert any("QA has not decided" in point for point in shown["open_points"])
    (lot,) = shown["lots"]
    assert (lot["held_units"], lot["still_held_units"]) == (4, 4)
    body = {
        "lot_id": lot["lot_id"],
        "decision": "release",
        "reason": "tasted, fine (invented)",
        "signature_token": api.tokens["qa"],
    }
    api.as_("qa").made(f"/v1/excursions/{row.id}/decisions", body)
    assert {journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]} == {"released"}
    assert journey.disagreements() == []


def test_readings_that_came_before_the_end_but_were_not_looked_at_yet_hold_goods_too(
    journey: Journey, clock: Any
) -> None:
    journey.add_rule()
    journey.leave()
    journey.air(clock.now, clock.now + timedelta(hours=2), 12.0)
    journey.pass_(hours=2)
    end(journey)
    assert {journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]} == {"held"}


def test_what_qa_let_go_while_it_was_on_the_road_comes_back_free(journey: Journey, api: Api) -> None:
    journey.add_rule(holds_stock=True)
    spoil(journey)
    (row,) = found(journey)
    (lot,) = api.as_("qa").ok("GET", f"/v1/excursions/{row.id}")["lots"]
    assert (lot["held_units"], lot["still_held_units"]) == (4, 0)
    body = {
        "lot_id": lot["lot_id"],
        "decision": "release",
        "reason": "core stayed cold (invented)",
        "signature_token": api.tokens["qa"],
    }
    api.as_("qa").made(f"/v1/excursions/{row.id}/decisions", body)
    end(journey)
    assert {journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]} == {"released"}


def test_a_decision_about_the_cold_does_not_let_go_what_a_customer_refused(
    journey: Journey, api: Api
) -> None:
    journey.add_rule()
    spoil(journey)
    kept = journey.drop(1)[0]
    deliver(journey, 1, refused=[kept], note="too warm to the hand")
    end(journey)
    (row,) = found(journey)
    (lot,) = api.as_("qa").ok("GET", f"/v1/excursions/{row.id}")["lots"]
    body = {
        "lot_id": lot["lot_id"],
        "decision": "release",
        "reason": "tasted, fine (invented)",
        "signature_token": api.tokens["qa"],
    }
    api.as_("qa").made(f"/v1/excursions/{row.id}/decisions", body)
    states = {place["sscc"]: journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]}
    assert {sscc for sscc, state in states.items() if state == "held"} == {kept}
    assert "refused by A at drop 1" in journey.unit(kept)["qa_reason"]
    api.as_("qa").made(f"/v1/units/{kept}/release", {"reason": "tasted, label replaced"})
    assert journey.unit(kept)["qa_state"] == "released"


def test_goods_still_at_the_dock_are_held_and_the_trip_does_not_leave_with_them(
    journey: Journey, desk: Api, clock: Any
) -> None:
    journey.add_rule(holds_stock=True)
    journey.load()
    journey.air(clock.now, clock.now + timedelta(hours=1), 14.0)
    journey.pass_(hours=1)
    journey.check()
    (told,) = journey.told("excursion.opened")
    assert (told["held_units"], told["marked_units"], told["trip_id"]) == (4, 0, journey.trip["id"])
    assert "cannot leave with them" in told["trip"]["words"]
    desk.refused(f"{journey.path}/depart", None, 409, "stock-held")


def test_a_truck_unloaded_again_at_the_dock_is_watched_no_longer(
    journey: Journey, api: Api, clock: Any
) -> None:
    journey.add_rule()
    first = api.ok("GET", f"{journey.path}/next")["next"][0]["sscc"]
    api.as_("picker").made(f"{journey.path}/load", {"scan": first})
    journey.pass_(minutes=5)
    body = {"scan": first, "zone_id": journey.day.zones["staging"]}
    api.as_("picker").made(f"{journey.path}/unload", body)
    journey.air(clock.now, clock.now + timedelta(hours=3), 20.0)
    journey.pass_(hours=3)
    journey.check()
    assert found(journey) == []
    journey.load()
    journey.air(clock.now, clock.now + timedelta(hours=1), 20.0)
    began = clock.now
    journey.pass_(hours=1)
    journey.check()
    (row,) = found(journey)
    assert row.started_at == began


def test_a_count_begins_anew_with_every_trip(journey: Journey, desk: Api, api: Api, clock: Any) -> None:
    journey.add_rule(kind="cumulative", allowed_s=5400)
    journey.leave()
    journey.air(clock.now, clock.now + timedelta(hours=1), 12.0)
    journey.pass_(hours=1)
    journey.air(clock.now, clock.now + timedelta(hours=1), 4.0)
    journey.pass_(hours=1)
    end(journey)
    assert found(journey) == []
    product_id = journey.unit(journey.drop(1)[0])["contents"][0]["product_id"]
    order = {
        "code": "AGAIN",
        "customer_id": journey.trip["places"][0]["customer_id"],
        "ship_on": DAY.isoformat(),
        "deliver_on": DAY.isoformat(),
        "lines": [{"product_id": product_id, "cases": 1}],
    }
    made = desk.made("/v1/orders", order)["id"]
    desk.made("/v1/allocations", {"order_ids": [made]})
    desk.made("/v1/pick-lists", {"order_ids": [made]})
    (pick,) = api.as_("picker").made("/v1/pick-lists/next")["picks"]
    body = {"scan": pick["sscc"], "cases": pick["cases"]}
    api.as_("picker").made(f"/v1/picks/{pick['id']}/confirm", body)
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": [made]})
    trip = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]
    api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": pick["sscc"]})
    desk.made(f"/v1/trips/{trip['id']}/depart")
    began = clock.now
    journey.air(clock.now, clock.now + timedelta(hours=1), 12.0)
    journey.pass_(hours=1)
    journey.check()
    # An hour on each of two trips is not the hour and a half of one.
    assert found(journey) == []
    journey.air(clock.now, clock.now + timedelta(hours=1), 12.0)
    journey.pass_(hours=1)
    journey.check()
    (row,) = found(journey)
    assert (row.trip_id, row.alarm_at) == (trip["id"], began + timedelta(minutes=90))
    assert journey.told("excursion.opened")[0]["trip"]["cases"] == 1


def test_a_sensor_is_missed_on_the_road_and_only_there(journey: Journey, clock: Any) -> None:
    spoke = clock.now - timedelta(hours=5)
    journey.air(spoke - timedelta(minutes=30), spoke + timedelta(minutes=10), 4.0)
    journey.check()
    assert found(journey) == []
    journey.leave()
    left = clock.now
    journey.pass_(minutes=30)
    journey.check()
    assert found(journey) == []
    journey.pass_(minutes=1)
    journey.check()
    (row,) = found(journey)
    assert (row.kind, row.trip_id, row.started_at) == ("silent", journey.trip["id"], left)
    journey.pass_(hours=1)
    end(journey)
    (row,) = found(journey)
    assert row.ended_at == clock.now
    # Nobody knows how warm it was: QA looks at what came back.
    unit = journey.unit(journey.drop(1)[0])
    assert (unit["qa_state"], unit["qa_reason"]) == ("held", f"sensor silent in T1, excursion {row.id}")


def test_late_readings_of_a_trip_that_is_over_still_make_an_excursion_of_it(
    journey: Journey, clock: Any
) -> None:
    journey.add_rule()
    journey.leave()
    began = clock.now
    journey.pass_(hours=2)
    journey.check()
    journey.pass_(hours=1)
    end(journey)
    assert {journey.unit(place["sscc"])["qa_state"] for place in journey.trip["places"]} == {"held"}
    silent = [row.kind for row in found(journey)]
    assert silent == ["silent"]
    journey.air(began, began + timedelta(hours=6), 12.0)
    journey.pass_(hours=4)
    journey.check()
    (row,) = [row for row in found(journey) if row.kind == "too_warm"]
    assert (row.trip_id, row.started_at) == (journey.trip["id"], began)
    assert row.ended_at == began + timedelta(hours=3)
    (told,) = [one for one in journey.told("excursion.opened") if one["kind"] == "too_warm"]
    assert told["trip"]["is_over"] is True
    assert told["cases"] == 4


def test_an_end_brought_forward_ends_what_was_found_after_it(journey: Journey, clock: Any) -> None:
    journey.add_rule()
    began = clock.now
    spoil(journey)
    (row,) = found(journey)
    assert row.ended_at is None
    for number in (1, 2):
        deliver(journey, number, at=(began + timedelta(minutes=30)).isoformat())
    journey.check()
    (row,) = found(journey)
    # It stays on record, with nothing on board.
    assert row.ended_at == row.started_at
    (told,) = journey.told("excursion.ended")
    assert told["trip_id"] == journey.trip["id"]
