"""Confirm, load by scan, depart: over HTTP, with pallets that were really picked."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select

from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.orders.queries import customer_by_code, last_delivered
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries as stock

DECK = few(instance("deck_s1_basic"))


@pytest.fixture
def desk(api):
    return api.as_("dispatcher")


def picked_day(api, database, clock):
    return {"day": make_day(api, database, clock.now, DECK)}


def confirmed_plan(api, database, clock):
    found = picked_day(api, database, clock)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    made = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": found["day"].drops})
    confirmed = desk.made(f"/v1/load-plans/{made['id']}/confirm")
    assert (confirmed["state"], len(confirmed["trips"])) == ("confirmed", 1)
    return found | {"trip": confirmed["trips"][0]}


GROUNDS = {"trip": confirmed_plan, "day": picked_day}


@pytest.fixture
def day(ground):
    """Two orders, picked."""
    return ground["day"]


@pytest.fixture
def trip(ground):
    """A confirmed plan's only trip: two drops of two pallets."""
    return ground["trip"]


def load(api, trip, sscc, **more):
    return api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": sscc, **more})


def load_all(api, trip):
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    order = []
    while due:
        order.append(due[0])
        due = load(api, trip, due[0]["sscc"])["next"]
    return order


def order_state(api, order_id):
    return api.ok("GET", f"/v1/orders/{order_id}")["state"]


def unit_state(api, sscc):
    found = api.ok("GET", f"/v1/units/{sscc}")
    return found["state"], found["zone_code"]


def drop(trip, n):
    return [place["sscc"] for place in trip["places"] if place["drop"] == n]


def test_the_last_drop_is_loaded_first_and_the_wrong_order_refused_with_what_comes_next(api, day, trip):
    first_drop, last_drop = drop(trip, 1), drop(trip, 2)
    address = f"/v1/trips/{trip['id']}/load"
    problem = api.as_("picker").refused(address, {"scan": first_drop[0]}, 409, "not-next")
    assert {one["sscc"] for one in problem["data"]["next"]} <= set(last_drop)
    assert problem["data"]["next"][0]["sscc"] in problem["detail"]
    assert unit_state(api, first_drop[0])[0] == "picked"
    order = [one["sscc"] for one in load_all(api, trip)]
    assert set(order[:2]) == set(last_drop)
    assert set(order[2:]) == set(first_drop)
    assert unit_state(api, order[0]) == ("loaded", "T1")
    api.as_("picker").refused(address, {"scan": order[0]}, 409, "already-loaded")
    assert {order_state(api, one) for one in day.drops} == {"loaded"}


def test_a_label_is_read_as_scanned_and_a_repeated_call_loads_once(api, trip):
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]
    body = {"scan": f"]C100{due['sscc']}", "row": due["row"], "lane": due["lane"]}
    address = f"/v1/trips/{trip['id']}/load"
    first = api.as_("picker").post(address, body, key="once")
    again = api.as_("picker").post(address, body, key="once")
    assert (first.status_code, again.status_code) == (200, 200)
    assert first.json() == again.json()
    assert again.headers["Idempotency-Replayed"] == "true"


def test_what_is_no_label_of_this_trip_is_refused(api, desk, database, clock, trip):
    address = f"/v1/trips/{trip['id']}/load"
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]
    picker = api.as_("picker")
    picker.refused(
        address, {"scan": due["sscc"][:-1] + str((int(due["sscc"][-1]) + 1) % 10)}, 422, "scan-unreadable"
    )
    picker.refused(address, {"scan": "0119521234000010"}, 409, "scan-the-pallet")
    problem = picker.refused(address, {"scan": due["sscc"], "row": due["row"] + 1}, 409, "wrong-place")
    assert problem["data"]["row"] == due["row"]
    stranger = make_day(api, database, clock.now, few({**DECK, "stops": [{"id": "Z", "seq": 1}], "pallets": [
        {**DECK["pallets"][0], "stop": "Z"}]}))  # fmt: skip
    problem = picker.refused(address, {"scan": stranger.ssccs["Z"][0]}, 409, "other-trip")
    assert problem["data"]["trip_id"] is None
    truck = api.ok("GET", "/v1/vehicles")["items"][0]["truck"]
    api.made("/v1/vehicles", {"code": "T2", "name": "Second truck (invented)", "truck": truck})
    other = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat()})
    other = desk.made(f"/v1/load-plans/{other['id']}/confirm")["trips"][0]
    problem = picker.refused(address, {"scan": stranger.ssccs["Z"][0]}, 409, "other-trip")
    assert problem["data"]["trip_id"] == other["id"]
    assert f"on trip {other['id']}" in problem["detail"]


def test_a_trip_departs_only_fully_loaded_and_then_everything_knows(api, desk, database, clock, day, trip):
    address = f"/v1/trips/{trip['id']}/depart"
    first = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]
    load(api, trip, first["sscc"])
    problem = desk.refused(address, None, 409, "not-all-loaded")
    assert problem["data"]["waiting"] == 3
    load_all(api, trip)
    clock.now += timedelta(hours=1)
    assert desk.made(address)["departed_at"] == "2026-03-16T07:00:00Z"
    assert {order_state(api, one) for one in day.drops} == {"departed"}
    assert {unit_state(api, place["sscc"]) for place in trip["places"]} == {("departed", "T1")}
    assert api.ok("GET", f"/v1/load-plans/{trip['plan_id']}")["state"] == "departed"
    desk.refused(address, None, 409, "trip-departed")
    site_id = api.callers["lead"].site_id
    with database.transaction(readonly=True) as session:
        gone = list(session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "unit.departed")))
        got = {(one.data["customer"], one.lot_id, one.unit_id, one.cases) for one in gone}
        wanted = set()
        for stop, ssccs in day.ssccs.items():
            for sscc in ssccs:
                unit = stock.unit_by_sscc(session, site_id, sscc)
                for content in stock.contents(session, site_id, unit_ids=[unit.id]):
                    wanted.add((stop, content.lot_id, unit.id, content.cases))
        assert got == wanted
        assert {one.data["order_id"] for one in gone} == set(day.drops)
        for stop in day.orders:
            customer = customer_by_code(session, site_id, stop)
            content = stock.contents(session, site_id, unit_ids=[u for c, _, u, _ in wanted if c == stop])[0]
            assert last_delivered(session, customer.id, [content.product_id]) == {
                content.product_id: content.best_before_on
            }
    told = api.ok("GET", "/v1/outbox?kind=trip.departed")["items"]
    assert [one["customer"] for one in told[0]["data"]["drops"]] == list(day.orders)


def test_stock_qa_held_meanwhile_is_neither_loaded_nor_sent_off(api, desk, trip):
    qa = api.as_("qa")
    order = load_all(api, trip)
    qa.made(f"/v1/units/{order[0]['sscc']}/hold", {"reason": "seal broken"})
    desk.refused(f"/v1/trips/{trip['id']}/depart", None, 409, "stock-held")
    last = order[-1]["sscc"]
    zone = next(one for one in api.ok("GET", "/v1/zones")["items"] if one["kind"] == "staging")
    problem = api.as_("picker").refused(
        f"/v1/trips/{trip['id']}/unload",
        {"scan": order[0]["sscc"], "zone_id": zone["id"]},
        409,
        "not-reachable",
    )
    assert last in [one["sscc"] for one in problem["data"]["next"]]
    for one in reversed(order):
        api.as_("picker").made(f"/v1/trips/{trip['id']}/unload", {"scan": one["sscc"], "zone_id": zone["id"]})
    assert unit_state(api, order[0]["sscc"]) == ("picked", zone["code"])
    assert {order_state(api, place["order_id"]) for place in trip["places"]} == {"picked"}
    api.as_("picker").refused(f"/v1/trips/{trip['id']}/load", {"scan": order[0]["sscc"]}, 409, "stock-held")


def test_a_plan_is_loaded_only_once_confirmed_and_dropped_only_while_nothing_is_on_board(api, desk, day):
    register_fleet(api, DECK, 1)
    made = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    trip = made["trips"][0]
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]["sscc"]
    api.as_("picker").refused(f"/v1/trips/{trip['id']}/load", {"scan": due}, 409, "plan-not-confirmed")
    desk.made(f"/v1/load-plans/{made['id']}/confirm")
    desk.refused(f"/v1/load-plans/{made['id']}/confirm", None, 409, "plan-state")
    desk.refused("/v1/load-plans", {"ship_on": DAY.isoformat()}, 409, "no-vehicle-free")
    load(api, trip, due)
    desk.refused(f"/v1/load-plans/{made['id']}/drop", None, 409, "plan-begun")
    zone = next(one for one in api.ok("GET", "/v1/zones")["items"] if one["kind"] == "staging")
    api.as_("picker").made(f"/v1/trips/{trip['id']}/unload", {"scan": due, "zone_id": zone["id"]})
    assert desk.made(f"/v1/load-plans/{made['id']}/drop")["state"] == "dropped"
    # Vehicle and pallets are free for another plan.
    assert desk.made("/v1/load-plans", {"ship_on": DAY.isoformat()})["status"] == "optimal"


def test_confirming_one_draft_drops_those_that_want_the_same(api, desk, day):
    register_fleet(api, DECK, 2)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    first, second = desk.made("/v1/load-plans", body), desk.made("/v1/load-plans", body)
    desk.made(f"/v1/load-plans/{second['id']}/confirm")
    states = {one["id"]: one["state"] for one in api.ok("GET", f"/v1/load-plans?ship_on={DAY}")["items"]}
    assert states == {first["id"]: "dropped", second["id"]: "confirmed"}
    desk.refused(f"/v1/load-plans/{first['id']}/confirm", None, 409, "plan-state")
    desk.refused("/v1/load-plans", body, 409, "order-not-ready")


def test_of_plans_confirmed_at_the_same_moment_one_gets_the_pallets(api, desk, day):
    register_fleet(api, DECK, 2)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    drafts = [desk.made("/v1/load-plans", body)["id"] for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda one: desk.post(f"/v1/load-plans/{one}/confirm").status_code, drafts))
    assert sorted(answers) == [200, 409, 409, 409]


def test_a_plan_whose_orders_changed_since_is_not_confirmed(api, desk, day):
    register_fleet(api, DECK, 1)
    made = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    desk.made(f"/v1/orders/{day.drops[0]}/cancel", {"reason": "customer closed"})
    desk.refused(f"/v1/load-plans/{made['id']}/confirm", None, 409, "plan-outdated")


def test_a_plan_made_with_other_data_of_its_vehicle_is_not_confirmed(api, database, desk, day):
    (vehicle,) = register_fleet(api, DECK, 1)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    made = desk.made("/v1/load-plans", body)
    path = f"/v1/vehicles/{vehicle}"
    truck = {**desk.ok("GET", path)["truck"], "payload_max_kg": 1}
    tag = desk.get(path).headers["ETag"]
    change = {"truck": truck, "reason": "the plate says so (invented)"}
    desk.ok("PATCH", path, change, headers={"If-Match": tag})
    problem = desk.refused(f"/v1/load-plans/{made['id']}/confirm", None, 409, "plan-outdated")
    assert problem["data"]["vehicle_id"] == vehicle
    assert desk.made("/v1/load-plans", body)["status"] == "infeasible"


def test_a_move_by_hand_is_judged_at_once(api, desk, day):
    register_fleet(api, DECK, 1)
    trip = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})["trips"][0]
    address = f"/v1/trips/{trip['id']}/moves"
    front, back = drop(trip, 2)[0], drop(trip, 1)[0]
    at = {place["sscc"]: place for place in trip["places"]}
    # A pallet of the last drop at the doors would bar the way to the first drop's.
    wrong = {"sscc": front, "row": 3, "lane": at[back]["lane"]}
    preview = desk.made(address, {**wrong, "only_preview": True})
    assert preview["is_made"] is False
    assert "drop_order" in {one["kind"] for one in preview["violations"]}
    problem = desk.refused(address, wrong, 409, "illegal-move")
    assert problem["data"]["violations"][0]["text"] in problem["detail"]
    assert api.ok("GET", f"/v1/trips/{trip['id']}")["places"] == trip["places"]
    # Two pallets of one drop may change places.
    one, other = drop(trip, 1)
    swap = {"sscc": one, "row": at[other]["row"], "lane": at[other]["lane"]}
    made = desk.made(address, swap)
    assert (made["is_made"], made["swapped_with"], made["violations"]) == (True, other, [])
    moved = {place["sscc"]: place for place in api.ok("GET", f"/v1/trips/{trip['id']}")["places"]}
    assert (moved[one]["row"], moved[one]["lane"]) == (at[other]["row"], at[other]["lane"])
    assert (moved[other]["row"], moved[other]["lane"]) == (at[one]["row"], at[one]["lane"])
    # A pallet of the first drop further back: the weights are those of the new place.
    free = {"sscc": one, "row": 3, "lane": 1 if moved[other]["row"] == 3 and moved[other]["lane"] == 0 else 0}
    desk.made(address, free)
    after = api.ok("GET", f"/v1/trips/{trip['id']}")
    bogie = {axle["name"]: axle["load_kg"] for axle in after["axle_table"][0]["axles"]}["bogie"]
    truck = DECK["truck"]
    moments = sum(
        place["mass_kg"] * (truck["rows"][place["row"]]["x_mm"] - truck["d_k_mm"])
        for place in after["places"]
    )
    assert bogie == pytest.approx(truck["B0_kg"] + moments / truck["L_s_mm"])
    for bad, field in (({"row": 9}, "row"), ({"lane": 2}, "lane"), ({"sscc": "1" * 18}, "sscc")):
        problem = desk.refused(address, {**free, **bad}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
    # What is on board is not moved on paper.
    desk.made(f"/v1/load-plans/{trip['plan_id']}/confirm")
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"][0]
    load(api, trip, due["sscc"])
    body = {"sscc": due["sscc"], "row": due["row"], "lane": 1 - due["lane"]}
    desk.refused(address, body, 409, "already-loaded")


def test_a_unit_is_not_moved_to_a_place_that_what_is_on_board_bars(api, desk, trip):
    address = f"/v1/trips/{trip['id']}/moves"
    # Both pallets of the last drop stand in the second row, the front row stays free.
    for lane, sscc in enumerate(drop(trip, 1)):
        desk.made(address, {"sscc": sscc, "row": 3, "lane": lane})
    for lane, sscc in enumerate(drop(trip, 2)):
        desk.made(address, {"sscc": sscc, "row": 1, "lane": lane})
    first, second = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    load(api, trip, first["sscc"])
    barred = {"sscc": second["sscc"], "row": 0, "lane": second["lane"]}
    shown = desk.made(address, {**barred, "only_preview": True})["violations"]
    assert [one["kind"] for one in shown] == ["shut_out"]
    assert "row 1 (row 1 is at the front wall)" in shown[0]["text"]
    desk.refused(address, barred, 409, "illegal-move")
    load(api, trip, second["sscc"])


def test_a_vehicle_loaded_anew_no_longer_holds_what_left_on_its_last_trip(api, desk, database, clock, trip):
    load_all(api, trip)
    desk.made(f"/v1/trips/{trip['id']}/depart")
    site_id, zone_id = desk.callers["lead"].site_id, api.ok("GET", "/v1/vehicles/1")["zone_id"]

    def on_board(hours):
        until_at = clock.now + timedelta(hours=hours)
        with database.transaction(readonly=True) as session:
            found = stock.contents_present(session, site_id, zone_id, clock.now, until_at)
        return {one.sscc for one in found}

    # The trip itself still counts: a failure on the road touches what is on board.
    assert on_board(1) == {place["sscc"] for place in trip["places"]}
    other = few({**DECK, "stops": [{"id": "Later", "seq": 1}]}, stops=1, each=1)
    other["pallets"] = [{**DECK["pallets"][0], "stop": "Later"}]
    clock.now += timedelta(days=1)
    day = make_day(api, database, clock.now, other)
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    again = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]
    load(api, again, day.ssccs["Later"][0])
    assert on_board(1) == {day.ssccs["Later"][0]}


def test_the_loading_sheet_has_cautions_setpoint_order_and_lots(api, desk, day, trip):
    response = api.as_("picker").get(f"/v1/trips/{trip['id']}/sheet")
    assert response.headers["content-type"] == "text/plain; charset=utf-8"
    sheet = response.text
    for words in (
        "Chock the wheels",
        "dock",
        "between a pallet and a wall",
        "Weigh before the road",
        "EN 12195-1",
    ):
        assert words in sheet
    assert "setpoint 4 °C (everything on board may travel at 2 to 6 °C)" in sheet
    assert "pre-cool the closed, empty body" in sheet
    assert "DRAFT" not in sheet
    table = sheet[sheet.index("LOAD IN THIS ORDER") :].splitlines()[2:6]
    order = [line.split()[3] for line in table]
    assert set(order[:2]) == set(drop(trip, 2))
    assert set(order[2:]) == set(drop(trip, 1))
    for stop, ssccs in day.ssccs.items():
        part = sheet[sheet.index(f"  {stop}  Invented") :]
        assert all(sscc in part for sscc in ssccs)
    assert sheet.count("best before 2026-") == 4
    held = desk.ok("GET", f"/v1/trips/{trip['id']}/securing")["states"][0]["rows"]
    assert {row["row"] for row in held} == {place["row"] for place in trip["places"]}
    for row in held:
        line = next(one for one in sheet.splitlines() if one.startswith(f"  row {row['row'] + 1:>2}:"))
        assert line.endswith(row["text"].partition(": ")[2])
