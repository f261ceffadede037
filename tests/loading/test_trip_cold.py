"""A trip's end for what is on it: delivered, refused, brought back; and what the cold did to it on the way."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from builders.api import Api
from builders.journeys import STORE_C, Journey, confirmed_trip, integrate
from builders.loads import DAY, few, instance, make_day
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock.tables import Stay, Unit

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Any, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def iso(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def deliver(journey: Journey, number: int, **body: Any) -> dict[str, Any]:
    told: dict[str, Any] = journey.api.as_("picker").made(f"{journey.path}/drops/{number}/deliver", body)
    return told


def stays(journey: Journey, sscc: str) -> list[tuple[int, datetime, datetime | None]]:
    with journey.database.transaction(readonly=True) as session:
        rows = session.execute(
            select(Stay.zone_id, Stay.entered_at, Stay.left_at)
            .join(Unit, Unit.id == Stay.unit_id)
            .where(Unit.sscc == sscc)
            .order_by(Stay.entered_at)
        )
        return [(row[0], row[1], row[2]) for row in rows]


def ripple(hours: float) -> float:
    """Air of a reefer that is opened at a drop: up and down around 4.5 °C, with a bump."""
    return round(4.5 + 1.2 * np.sin(hours / 1.3) + (6 if 2.5 < hours < 3.4 else 0), 2)


def test_delivered_units_leave_the_vehicle_then_and_refused_ones_ride_along(
    journey: Journey, desk: Api, clock: Any
) -> None:
    journey.leave()
    began, arrived = clock.now, clock.now + timedelta(hours=2)
    journey.pass_(hours=4)
    kept, given = journey.drop(1)
    made = deliver(journey, 1, at=iso(arrived), note="one carton wet", refused=[kept])
    assert (made["drop"], made["delivered_at"], made["note"]) == (1, iso(arrived), "one carton wet")
    assert made["recorded_at"] == iso(clock.now)
    assert stays(journey, given)[-1] == (journey.zone_id, began, arrived)
    assert stays(journey, kept)[-1] == (journey.zone_id, began, None)
    assert journey.unit(given)["state"] == journey.unit(kept)["state"] == "departed"
    shown = {place["sscc"]: place for place in journey.api.ok("GET", journey.path)["places"]}
    assert (shown[given]["fate"], shown[given]["off_at"]) == ("delivered", iso(arrived))
    assert (shown[kept]["fate"], shown[kept]["off_at"]) == ("refused", None)
    with journey.database.transaction(readonly=True) as session:
        (said,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "unit.delivered"))
        assert (said.at, said.data["sscc"], said.data["customer"], said.cases) == (arrived, given, "A", 1)
    (told,) = journey.told("trip.delivered")
    assert (told["customer"], told["units"], told["refused"]) == ("A", 1, [kept])
    assert journey.disagreements() == []


def test_what_is_on_board_at_the_end_comes_back_as_stock_and_refused_goods_on_hold(
    journey: Journey, desk: Api, api: Api, clock: Any, database: Database
) -> None:
    store, lot_id = journey.day.zones["store"], journey.unit(journey.drop(1)[0])["contents"][0]["lot_id"]
    journey.leave()
    journey.air(clock.now - timedelta(hours=1), clock.now + timedelta(hours=6), 4.0)
    journey.pass_(hours=2)
    kept, given = journey.drop(1)
    deliver(journey, 1, refused=[kept], note="label torn")
    back = journey.pass_(hours=3)
    ended = desk.made(f"{journey.path}/end", {"zone_id": store})
    assert ended["ended_at"] == iso(back)
    assert {place["sscc"]: place["fate"] for place in ended["places"]} == {
        kept: "refused",
        given: "delivered",
        **dict.fromkeys(journey.drop(2), "returned"),
    }
    for sscc in (kept, *journey.drop(2)):
        unit = journey.unit(sscc)
        assert (unit["state"], unit["zone_id"], unit["bay_id"]) == ("in_store", store, None)
        assert [stay[2] for stay in stays(journey, sscc)[-2:]] == [back, None]
    assert journey.unit(kept)["qa_state"] == "held"
    reason = f"refused by A at drop 1 of trip {journey.trip['id']}: label torn"
    assert journey.unit(kept)["qa_reason"] == reason
    assert {journey.unit(sscc)["qa_state"] for sscc in journey.drop(2)} == {"released"}
    (told,) = journey.told("trip.ended")
    assert (told["refused"], told["held"]) == ([kept], [kept])
    assert told["came_back"] == sorted([kept, *journey.drop(2)])
    with database.transaction(readonly=True) as session:
        assert list(reservations_that_disagree(session, journey.site_id)) == []
    assert journey.disagreements() == []
    # What came back may be promised again, but for what is held.
    product_id = journey.unit(kept)["contents"][0]["product_id"]
    order = {
        "code": "AGAIN",
        "customer_id": journey.trip["places"][0]["customer_id"],
        "ship_on": DAY.isoformat(),
        "deliver_on": DAY.isoformat(),
        "lines": [{"product_id": product_id, "cases": 3}],
    }
    made = desk.made("/v1/orders", order)
    desk.made("/v1/allocations", {"order_ids": [made["id"]]})
    promised = {one["sscc"] for one in api.ok("GET", f"/v1/orders/{made['id']}")["allocations"]}
    assert promised == set(journey.drop(2))
    # A recall does not send for what is here again.
    departures = api.ok("GET", f"/v1/lots/{lot_id}/trace")["departures"]
    assert {one["sscc"]: one["came_back"] for one in departures} == {
        given: False, kept: True, **dict.fromkeys(journey.drop(2), True)
    }  # fmt: skip
    assert api.ok("GET", f"/v1/lots/{lot_id}/trace")["balance"]["difference"] == 0


def test_life_goes_on_through_the_trip_and_back_as_an_ode_solver_has_it(
    journey: Journey, desk: Api, clock: Any, database: Database
) -> None:
    store, staged = journey.day.zones["store"], clock.now - timedelta(days=1)
    began = clock.now
    journey.leave()
    journey.air(began - timedelta(hours=1), began + timedelta(hours=12), ripple)
    journey.pass_(hours=2)
    given = journey.drop(1)[0]
    arrived = journey.clock.now - timedelta(minutes=17)
    deliver(journey, 1, at=iso(arrived))
    back = journey.pass_(hours=4)
    desk.made(f"{journey.path}/end", {"zone_id": store})
    now = journey.pass_(hours=30)
    journey.refresh()
    returned = journey.drop(2)[0]
    ids = {sscc: journey.content_id(sscc) for sscc in (given, returned)}
    with database.transaction(readonly=True) as session:
        lived = shelflife.reckoned(session, journey.site_id, now)
        aged = {one.pack.content_id: one for one in shelflife.aged(session, journey.site_id, now)}
    # A delivered pallet is no longer ours to age.
    assert ids[given] not in lived
    assert ids[given] not in aged
    legs = [(STORE_C, staged, began), (journey.said, began, back), (STORE_C, back, now)]
    used, core_c = integrate(legs, STORE_C)  # type: ignore[arg-type]
    assert lived[ids[returned]].used == pytest.approx(used, rel=1e-9)
    assert lived[ids[returned]].core_c == pytest.approx(core_c, abs=1e-8)
    assert aged[ids[returned]].used == pytest.approx(used, rel=1e-9)


def test_the_record_of_a_trip_agrees_with_an_ode_solver_and_plain_arithmetic(
    journey: Journey, desk: Api, api: Api, clock: Any
) -> None:
    staged, began = clock.now - timedelta(days=1), clock.now
    journey.leave()
    journey.air(began - timedelta(hours=1), began + timedelta(hours=5), ripple)
    arrived = {1: began + timedelta(hours=2, minutes=13), 2: began + timedelta(hours=4, minutes=5)}
    journey.pass_(hours=6)
    for number, at in arrived.items():
        deliver(journey, number, at=iso(at))
    shown = api.as_("auditor").ok("GET", f"{journey.path}/temperature?step_s=3600")
    assert (shown["from_at"], shown["until_at"], shown["is_over"]) == (iso(began), iso(arrived[2]), True)
    assert (shown["sensors"], shown["is_assumed"], shown["bridged"]) == (["truck"], False, [])
    assert len(shown["steps"]) == 5
    for drop in shown["drops"]:
        at = arrived[drop["drop"]]
        before, core_before = integrate([(STORE_C, staged, began)], STORE_C)
        used, core_c = integrate([(STORE_C, staged, began), (journey.said, began, at)], STORE_C)
        assert drop["delivered_at"] == iso(at)
        assert drop["core_max_c"] == pytest.approx(core_c, abs=1e-8)
        for content in (one for unit in drop["units"] for one in unit["contents"]):
            assert content["core_from_c"] == pytest.approx(core_before, abs=1e-8)
            assert content["core_until_c"] == pytest.approx(core_c, abs=1e-8)
            assert content["used_until"] == pytest.approx(used, rel=1e-9)
            spent = {name: used[name] - before[name] for name in used}
            assert content["used"] == pytest.approx(spent, rel=1e-8)
            # A day at 4 °C uses exp(−E/R·(1/277.15 − 1/293.15))/L of a route.
            rates = {
                "staling": np.exp(-101_800 / 8.314462618 * (1 / 277.15 - 1 / 293.15)) / 120,
                "haze": np.exp(-60_000 / 8.314462618 * (1 / 277.15 - 1 / 293.15)) / 150,
            }
            days = max(spent[name] / rates[name] for name in spent)
            assert content["days_used"] == pytest.approx(days, rel=1e-8)
    # USP <1160>: T = (ΔH/R) / −ln(mean rate), ΔH/R = 10,000 K, trapezoids between readings and the two ends.
    at_h = np.array([(at - began).total_seconds() / 3600 for _, at, _ in journey.said])
    temps = np.array([temp for _, _, temp in journey.said])
    last_h = (arrived[2] - began).total_seconds() / 3600
    knots = np.unique(np.concatenate([[0, last_h], at_h[(at_h > 0) & (at_h < last_h)]]))
    rate = np.exp(-10_000 / (np.interp(knots, at_h, temps) + 273.15))
    mean = np.sum(np.diff(knots) * (rate[1:] + rate[:-1]) / 2) / last_h
    figures = shown["figures"]
    assert figures["mean_kinetic_temperature_c"] == pytest.approx(-10_000 / np.log(mean) - 273.15, abs=1e-6)
    inside = (at_h >= 0) & (at_h <= last_h)
    assert (figures["carry_min_c"], figures["carry_max_c"]) == (2, 6)
    assert (figures["min_c"], figures["max_c"]) == (temps[inside].min(), temps[inside].max())
    holds = np.minimum(np.append(at_h[1:], at_h[-1] + 0.5), last_h) - at_h
    outside = holds[inside & (temps > 6)].sum() * 3600
    assert 0 < outside == pytest.approx(figures["above_s"])
    assert figures["below_s"] == 0
    assert figures["outside_s"] == figures["above_s"]


def test_a_core_in_air_of_one_temperature_follows_the_closed_form(
    journey: Journey, api: Api, clock: Any
) -> None:
    began = clock.now
    journey.leave()
    journey.air(began - timedelta(hours=1), began + timedelta(hours=6), 14.0)
    journey.pass_(hours=5)
    (drop, _) = api.ok("GET", f"{journey.path}/temperature")["drops"]
    # On the road still: T = 14 − 10·exp(−5/15), dated now.
    assert drop["delivered_at"] is None
    assert drop["core_max_c"] == pytest.approx(14 - 10 * np.exp(-5 / 15), abs=1e-9)
    # A truck at its planned 4 °C would have cost nothing beyond the time.
    assert drop["units"][0]["contents"][0]["life_lost_days"] > 0.1
    assert drop["units"][0]["contents"][0]["days_used"] > 5 / 24


def test_the_record_of_a_truck_nobody_measured_says_so(journey: Journey, api: Api, desk: Api) -> None:
    empty = api.get(f"{journey.path}/temperature")
    assert (empty.status_code, empty.json()["type"]) == (409, "/problems/nothing-loaded")
    journey.leave()
    journey.pass_(hours=1)
    shown = api.ok("GET", f"{journey.path}/temperature")
    assert shown["is_assumed"] is True
    assert shown["figures"]["readings"] == 0
    assert shown["figures"]["max_c"] is None
    assert shown["figures"]["mean_kinetic_temperature_c"] is None
    assert shown["figures"]["outside_s"] == 0
    assert shown["figures"]["bridged_s"] == 3600
    assert shown["drops"][0]["units"][0]["contents"][0]["bridged_s"] == 3600
    words = " ".join(shown["cautions"])
    for word in ("CO2", "air it", "between a pallet and a wall", "Local rules", "licensed"):
        assert word in words
    too_fine = api.get(f"{journey.path}/temperature?step_s=59")
    assert too_fine.status_code == 422


def test_what_cannot_have_happened_is_refused_with_a_mend(journey: Journey, desk: Api, clock: Any) -> None:
    first = f"{journey.path}/drops/1/deliver"
    store, kept = journey.day.zones["store"], journey.drop(1)[0]
    desk.refused(first, {}, 409, "trip-not-departed")
    desk.refused(f"{journey.path}/end", {"zone_id": store}, 409, "trip-not-departed")
    journey.leave()
    left = clock.now
    journey.pass_(hours=2)
    desk.refused(f"{journey.path}/drops/9/deliver", {}, 404, "drop-not-found")
    for body, field in (
        ({"at": iso(left - timedelta(minutes=1))}, "at"),
        ({"at": iso(clock.now + timedelta(minutes=1))}, "at"),
        ({"refused": [kept, journey.drop(2)[0]]}, "refused[1]"),
    ):
        problem = desk.refused(first, body, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
        assert problem["errors"][0]["mend"]
    assert journey.unit(kept)["zone_code"] == "T1"
    deliver(journey, 1)
    problem = desk.refused(first, {}, 409, "drop-delivered")
    assert problem["data"]["drop"] == 1
    for body, field in (
        ({}, "zone_id"),
        ({"zone_id": journey.zone_id}, "zone_id"),
        ({"zone_id": store, "at": iso(clock.now - timedelta(hours=1))}, "at"),
    ):
        problem = desk.refused(f"{journey.path}/end", body, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
    assert journey.api.ok("GET", journey.path)["ended_at"] is None
    desk.made(f"{journey.path}/end", {"zone_id": store})
    desk.refused(f"{journey.path}/end", {"zone_id": store}, 409, "trip-ended")
    desk.refused(f"{journey.path}/drops/2/deliver", {}, 409, "trip-ended")


def test_a_repeated_delivery_is_noted_once_and_a_trip_ends_once(
    journey: Journey, desk: Api, clock: Any
) -> None:
    journey.leave()
    journey.pass_(hours=1)
    picker = journey.api.as_("picker")
    sent = [picker.post(f"{journey.path}/drops/1/deliver", {}, key="once") for _ in range(2)]
    assert [one.status_code for one in sent] == [201, 201]
    assert sent[0].json() == sent[1].json()
    body = {"zone_id": journey.day.zones["store"]}
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: desk.post(f"{journey.path}/end", body).status_code, range(4)))
    assert sorted(answers) == [200, 409, 409, 409]
    assert len(journey.told("trip.delivered")) == len(journey.told("trip.ended")) == 1
    assert journey.disagreements() == []


def test_a_trip_all_of_which_was_delivered_ends_without_a_room(journey: Journey, desk: Api) -> None:
    journey.leave()
    journey.pass_(hours=2)
    deliver(journey, 2)
    deliver(journey, 1)
    journey.pass_(hours=1)
    ended = desk.made(f"{journey.path}/end", {})
    assert {place["fate"] for place in ended["places"]} == {"delivered"}
    assert [one["drop"] for one in ended["deliveries"]] == [1, 2]


def test_a_delivery_told_after_the_vehicle_was_loaded_anew_counts_from_when_it_was(
    journey: Journey, desk: Api, api: Api, database: Database, clock: Any
) -> None:
    journey.leave()
    left, sscc = clock.now, journey.drop(1)[0]
    journey.pass_(days=1)
    deck = few({**instance("deck_s1_basic"), "stops": [{"id": "Later", "seq": 1}]}, stops=1, each=1)
    deck["pallets"] = [{**instance("deck_s1_basic")["pallets"][0], "stop": "Later"}]
    day = make_day(api, database, clock.now, deck)
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    other = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]
    api.as_("picker").made(f"/v1/trips/{other['id']}/load", {"scan": day.ssccs["Later"][0]})
    reloaded = clock.now
    journey.pass_(hours=1)
    late = desk.refused(f"{journey.path}/drops/1/deliver", {}, 422, "invalid-input")
    assert "loaded anew" in late["errors"][0]["detail"]
    deliver(journey, 1, at=iso(left + timedelta(hours=3)))
    assert stays(journey, sscc)[-1][2] == left + timedelta(hours=3)
    # The rest was off when the next load came on; it is taken back as of then.
    desk.refused(f"{journey.path}/end", {"zone_id": journey.day.zones["store"]}, 422, "invalid-input")
    desk.made(f"{journey.path}/end", {"zone_id": journey.day.zones["store"], "at": iso(reloaded)})
    assert [stay[2] for stay in stays(journey, journey.drop(2)[0])[-2:]] == [reloaded, None]
    assert journey.disagreements() == []
