"""A truck goes out in the morning, comes back, and goes out again: planned, loaded and ended over HTTP."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select

from builders.loads import DAY, instance, make_day, register_fleet
from rimekeep.access.queries import site_of
from rimekeep.loading.tables import Trip
from rimekeep.orders.tables import CustomerDrop, SalesOrder

SHIFT = {
    "trips": 2,
    "starts_at_time": "06:00",
    "ends_at_time": "17:00",
    "turn_round_s": 3600,
    "trip_s": 14_400,
}


def two_loads():
    """Two stops that fill a truck each but for one place, and a third with a single pallet."""
    deck = instance("deck_s1_basic")
    kept = sorted(deck["stops"], key=lambda stop: stop["seq"])[:3]
    one = next(pallet for pallet in deck["pallets"] if pallet["stop"] == kept[0]["id"])
    places = sum(row["lanes"] for row in deck["truck"]["rows"])
    pallets = [
        {**one, "id": f"{stop['id']}-{k}", "stop": stop["id"], "weight_kg": 500}
        for stop, count in zip(kept, (places - 1, places - 1, 1), strict=True)
        for k in range(count)
    ]
    return {**deck, "stops": kept, "pallets": pallets}


DECK = two_loads()


def picked_day(api, database, clock):
    made = make_day(api, database, clock.now, DECK)
    vehicles = register_fleet(api, DECK, 1)
    return {"day": made, "vehicles": vehicles, "zone": made.zones["store"]}


def confirmed_plan(api, database, clock):
    found = picked_day(api, database, clock)
    return found | {"plan": confirm(api, plan(api, drops=found["day"].drops[:2], shifts=[SHIFT]))}


def three_full(api, database, clock):
    """Three stops that fill a truck each but for one place, and two trucks for them."""
    pallets = [one for one in DECK["pallets"] if one["stop"] != DECK["stops"][2]["id"]]
    last = [
        {**one, "id": f"{one['id']}x", "stop": DECK["stops"][2]["id"]} for one in pallets[: len(pallets) // 2]
    ]
    deck = {**DECK, "pallets": [*pallets, *last]}
    made = make_day(api, database, clock.now, deck)
    return {"day": made, "vehicles": register_fleet(api, deck, 2), "zone": made.zones["store"]}


GROUNDS = {"shown": confirmed_plan, "picked": picked_day, "full": three_full}


def plan(api, status=201, **body):
    response = api.as_("dispatcher").post("/v1/load-plans", {"ship_on": DAY.isoformat(), **body})
    assert response.status_code == status, response.text
    return response.json()


def confirm(api, made):
    return api.as_("dispatcher").made(f"/v1/load-plans/{made['id']}/confirm")


def load_all(api, trip):
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": due[0]["sscc"]})["next"]


def in_turn(shown):
    return sorted(shown["trips"], key=lambda trip: trip["trip_no"])


def at_site(database, clock_time):
    with database.transaction(readonly=True) as session:
        zone = site_of(session, session.scalar(select(Trip.site_id))).time_zone
    return datetime.combine(DAY, clock_time, tzinfo=ZoneInfo(zone))


def at_gate(database, now):
    """The clock at the site's gate, with its day where that is another than the trip's."""
    local = now.astimezone(at_site(database, time(12)).tzinfo)
    return f"{local:%H:%M}" + ("" if local.date() == DAY else f" on {local:%Y-%m-%d}")


def head_of_sheet(api, trip):
    """What stands on the sheet's first line before its day, the same as on the page."""
    text, page = (
        api.as_("picker").get(f"/v1/trips/{trip['id']}/{name}").text for name in ("sheet", "sheet.html")
    )
    head = text.splitlines()[0].removesuffix(f"  {DAY.isoformat()}")
    assert head.split("vehicle ")[1] in page
    return head


@pytest.fixture
def shown(ground):
    """A confirmed plan: two trips of one truck, a drop each; the third order is not in it."""
    return ground["plan"]


@pytest.fixture
def picked(ground):
    """Three orders, of which two nearly fill the only truck each."""
    return ground


@pytest.fixture
def full(ground):
    """Three orders that nearly fill a truck each, and two trucks."""
    return ground


def test_one_truck_makes_both_trips_one_after_the_other(api, database, clock, shown):
    first, second = in_turn(shown)
    assert (shown["status"], shown["vehicles"], len(shown["trips"])) == ("optimal", 1, 2)
    assert first["vehicle_id"] == second["vehicle_id"]
    assert [(one["trip_no"], one["trips"]) for one in (first, second)] == [(1, 2), (2, 2)]
    times = [datetime.fromisoformat(one[key]) for one in (first, second) for key in ("leaves_at", "back_at")]
    assert times == [at_site(database, time(hour)) for hour in (6, 10, 11, 15)]
    # Each trip's cold is reckoned from when it leaves.
    forecast = api.ok("GET", f"/v1/trips/{second['id']}/forecast")
    assert datetime.fromisoformat(forecast["departs_at"]) == times[2]
    assert api.ok("GET", f"/v1/trips/{second['id']}") == second
    sheet = api.as_("picker").get(f"/v1/trips/{second['id']}/sheet").text
    assert "trip 2 of 2, leaves 11:00, back 15:00" in sheet.splitlines()[0]
    page = api.as_("picker").get(f"/v1/trips/{second['id']}/sheet.html").text
    assert "trip 2 of 2, leaves 11:00, back 15:00" in page
    clock.now = times[0]
    today = api.client.post("/sign-in", data={"token": api.tokens["dispatcher"]}).text
    assert "trip 1 of 2" in today
    assert "trip 2 of 2" in today


def test_the_second_trip_is_loaded_only_when_the_first_has_ended(api, database, clock, ground, shown):
    first, second = in_turn(shown)
    zone = ground["zone"]
    desk, picker = api.as_("dispatcher"), api.as_("picker")
    scan = {"scan": api.ok("GET", f"/v1/trips/{second['id']}/next")["next"][0]["sscc"]}
    address = f"/v1/trips/{second['id']}/load"
    refused = picker.refused(address, scan, 409, "earlier-trip-under-way")
    assert f"Trip {first['id']}, 1 of 2 of vehicle T1, has not left." in refused["detail"]
    assert refused["data"]["trip_id"] == first["id"]
    load_all(api, first)
    picker.refused(address, scan, 409, "earlier-trip-under-way")
    desk.refused(f"/v1/trips/{second['id']}/depart", None, 409, "earlier-trip-under-way")
    desk.made(f"/v1/trips/{first['id']}/depart")
    left = at_gate(database, clock.now)
    assert head_of_sheet(api, first).endswith(f"trip 1 of 2, left {left}, back 10:00 as planned")
    assert api.ok("GET", f"/v1/load-plans/{shown['id']}")["state"] == "confirmed"
    clock.now += timedelta(hours=2)
    refused = picker.refused(address, scan, 409, "earlier-trip-under-way")
    assert "is under way; drop 1 is not noted as delivered." in refused["detail"]
    assert refused["data"]["drops_left"] == [1]
    keep = first["places"][0]["sscc"]
    picker.made(f"/v1/trips/{first['id']}/drops/1/deliver", {"refused": [keep]})
    refused = picker.refused(address, scan, 409, "earlier-trip-under-way")
    assert "all of it delivered. End that trip when the vehicle is back and empty." in refused["detail"]
    desk.made(f"/v1/trips/{first['id']}/end", {"zone_id": zone})
    assert head_of_sheet(api, first).endswith(
        f"trip 1 of 2, left {left}, ended {at_gate(database, clock.now)}"
    )
    assert head_of_sheet(api, second).endswith("trip 2 of 2, leaves 11:00, back 15:00")
    clock.now += timedelta(hours=1)
    load_all(api, second)
    unit = api.ok("GET", f"/v1/units/{scan['scan']}")
    assert (unit["state"], unit["zone_code"]) == ("loaded", "T1")
    desk.made(f"/v1/trips/{second['id']}/depart")
    assert api.ok("GET", f"/v1/load-plans/{shown['id']}")["state"] == "departed"
    # Until its last trip has ended the truck is not planned with again.
    vehicle = ground["vehicles"][0]
    desk.refused(f"/v1/vehicles/{vehicle}/deactivate", None, 409, "vehicle-busy")
    clock.now += timedelta(hours=2)
    picker.made(f"/v1/trips/{second['id']}/drops/1/deliver", {})
    desk.made(f"/v1/trips/{second['id']}/end", {})
    assert desk.made(f"/v1/vehicles/{vehicle}/deactivate")["is_active"] is False


def test_a_move_that_makes_the_second_trip_late_is_refused(api, database, picked):
    day = picked["day"]
    put_places(database, day, [0.1, 0.8, 0.12])
    roads = {"latitude": 50.5, "longitude": 8.5, "leaves_at_time": "06:00"}
    shift = SHIFT | {"trip_s": None, "ends_at_time": "15:00"}
    shown = plan(api, roads=roads, shifts=[shift], drops=day.drops[:2])
    first, second = in_turn(shown)
    assert datetime.fromisoformat(second["leaves_at"]) - datetime.fromisoformat(
        first["back_at"]
    ) == timedelta(hours=1)
    assert second["drive"]["leaves_at"] == second["leaves_at"]
    assert second["drive"]["ends_at"] == second["back_at"]
    one, other = first["places"][0], second["places"][0]
    body = {"sscc": one["sscc"], "row": other["row"], "lane": other["lane"], "to_trip_id": second["id"]}
    preview = api.as_("dispatcher").made(f"/v1/trips/{first['id']}/moves", body | {"only_preview": True})
    # Both trips would go to both places: out of the shift by the second.
    assert "shift" in {found["kind"] for found in preview["violations"]}
    problem = api.as_("dispatcher").refused(f"/v1/trips/{first['id']}/moves", body, 409, "illegal-move")
    assert "the shift ends at" in str(problem["data"]["violations"])


def put_places(database, day, north):
    with database.transaction() as session:
        for order_id, degrees in zip(day.drops, north, strict=True):
            order = session.get(SalesOrder, order_id)
            drop = CustomerDrop(
                site_id=order.site_id, customer_id=order.customer_id, code="YARD", name="Yard (invented)",
                latitude=50.5 + degrees, longitude=8.5,
            )  # fmt: skip
            session.add(drop)
            session.flush()
            order.drop_id = drop.id


def test_a_shift_too_short_says_what_would_do_and_binds_nothing(api, picked):
    shown = plan(api, 200, drops=picked["day"].drops, shifts=[SHIFT | {"ends_at_time": "14:30"}])
    assert (shown["status"], shown["trips"], shown["vehicles"]) == ("infeasible", [], 0)
    assert any(
        reason.startswith("shift: 2 trips are needed and one truck is there") for reason in shown["reasons"]
    )
    assert "With shifts that end 30 min later they fit." in shown["reasons"]


def test_shifts_nobody_can_mean_are_refused_by_field(api, picked):
    desk, body = api.as_("dispatcher"), {"ship_on": DAY.isoformat(), "drops": picked["day"].drops}
    (vehicle,) = picked["vehicles"]
    for shifts, field in (
        ([SHIFT | {"trip_s": None}], "shifts[0].trip_s"),
        ([SHIFT | {"vehicle_id": 10**6}], "shifts[0].vehicle_id"),
        ([SHIFT | {"vehicle_id": vehicle}] * 2, "shifts[1].vehicle_id"),
    ):
        problem = desk.refused("/v1/load-plans", body | {"shifts": shifts}, 422, "invalid-input")
        assert [one["field"] for one in problem["errors"]] == [field]


def test_a_plan_of_several_trips_takes_a_late_order_in(api, ground, shown):
    late = ground["day"].drops[2]
    amended = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", {"orders": [late]})
    assert (amended["is_made"], len(amended["added"]), amended["vehicle_id"]) == (True, 1, None)
    after = api.ok("GET", f"/v1/load-plans/{shown['id']}")
    assert sorted(len(trip["places"]) for trip in after["trips"]) == [7, 8]
    assert [(one["trip_no"], one["leaves_at"]) for one in in_turn(after)] == [
        (one["trip_no"], one["leaves_at"]) for one in in_turn(shown)
    ]


def test_the_second_trip_takes_a_late_order_in_while_the_first_is_under_way(api, ground, shown):
    first, second = in_turn(shown)
    load_all(api, first)
    api.as_("dispatcher").made(f"/v1/trips/{first['id']}/depart")
    left = api.ok("GET", f"/v1/trips/{first['id']}")
    late = ground["day"].drops[2]
    amended = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", {"orders": [late]})
    assert (amended["is_made"], len(amended["added"]), amended["vehicle_id"]) == (True, 1, None)
    after = in_turn(api.ok("GET", f"/v1/load-plans/{shown['id']}"))
    assert after[0] == left
    told = {key: second[key] for key in ("id", "trip_no", "trips", "leaves_at", "back_at")}
    assert {key: after[1][key] for key in told} == told
    assert len(after[1]["places"]) == len(second["places"]) + 1


def test_a_truck_that_left_for_the_day_is_neither_missed_nor_planned_with_again(api, full):
    shift = SHIFT | {"vehicle_id": full["vehicles"][0]}
    shown = confirm(api, plan(api, drops=full["day"].drops, shifts=[shift]))
    gone = next(trip for trip in shown["trips"] if trip["trips"] == 1)
    load_all(api, gone)
    api.as_("dispatcher").made(f"/v1/trips/{gone['id']}/depart")
    before = api.ok("GET", f"/v1/load-plans/{shown['id']}")
    amended = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", {})
    assert (amended["is_made"], amended["moved"], amended["vehicle_id"]) == (True, [], None)
    after = api.ok("GET", f"/v1/load-plans/{shown['id']}")
    assert [trip["places"] for trip in after["trips"]] == [trip["places"] for trip in before["trips"]]


@pytest.mark.parametrize("number", [0, 1])
def test_one_trip_of_a_truck_is_given_up_and_the_other_becomes_its_only_one(api, shown, number):
    trips = in_turn(shown)
    lost, kept = trips[number], trips[1 - number]
    body = {"reason": "the driver is ill (invented)"}
    after = api.as_("dispatcher").made(f"/v1/trips/{lost['id']}/give-up", body)
    (left,) = after["trips"]
    assert (left["id"], left["trip_no"], left["trips"]) == (kept["id"], 1, 1)
    assert (left["leaves_at"], left["places"]) == (trips[0]["leaves_at"], kept["places"])
    # The second, now the first, may be loaded at once.
    load_all(api, left)
    api.as_("dispatcher").made(f"/v1/trips/{left['id']}/depart")


def test_a_customer_who_joins_trips_timed_by_roads_is_driven_to_in_time(api, database, picked):
    day = picked["day"]
    put_places(database, day, [0.1, 0.2, 0.3])
    roads = {"latitude": 50.5, "longitude": 8.5, "leaves_at_time": "06:00"}
    shown = plan(api, roads=roads, shifts=[SHIFT | {"trip_s": None}], drops=day.drops[:2])
    told = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", {"orders": day.drops[2:]})
    assert (told["is_made"], told["reasons"]) == (True, [])
    after = api.ok("GET", f"/v1/load-plans/{shown['id']}")
    stops = [halt["customer_code"] for trip in after["trips"] for halt in trip["drive"]["halts"]]
    assert sorted(stops) == sorted(day.orders)
    for trip in after["trips"]:
        assert trip["leaves_at"] == trip["drive"]["leaves_at"]
    first, *later = in_turn(after)
    assert all(trip["leaves_at"] >= first["back_at"] for trip in later)


def test_a_customer_of_whom_nobody_said_where_he_is_does_not_join_trips_timed_by_roads(api, database, picked):
    day = picked["day"]
    put_places(database, day, [0.1, 0.2, 0.3])
    with database.transaction() as session:
        session.get(SalesOrder, day.drops[2]).drop_id = None
    roads = {"latitude": 50.5, "longitude": 8.5, "leaves_at_time": "06:00"}
    shift = SHIFT | {"trip_s": None}
    shown = plan(api, roads=roads, shifts=[shift], drops=day.drops[:2])
    body = {"orders": [day.drops[2]], "only_preview": True}
    told = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", body)
    assert (told["is_made"], len(told["reasons"])) == (False, 1)
    one, two, late = day.orders
    assert told["reasons"][0].startswith(
        f"How long it takes between {late} and the store, {one}, {two} is not known"
    )


def by_the_doors(trip):
    return max(trip["places"], key=lambda place: (place["row"], place["lane"]))


def move(api, one, to, place=None):
    """Put a trip's unit by the doors on another's deck, or its own: on a place of it, else on its free one."""
    taken = [(other["row"], other["lane"]) for other in to["places"]]
    free = next((row, lane) for row in range(4) for lane in range(2) if (row, lane) not in taken)
    row, lane = free if place is None else (place["row"], place["lane"])
    body = {"sscc": by_the_doors(one)["sscc"], "row": row, "lane": lane, "to_trip_id": to["id"]}
    return api.as_("dispatcher").made(f"/v1/trips/{one['id']}/moves", body)


def by_drop(shown, day):
    codes = {order: code for code, order in day.orders.items()}
    own = {trip["places"][0]["customer_code"]: trip for trip in shown["trips"]}
    return [own[codes[order]] for order in day.drops]


def test_what_left_is_not_reckoned_again_when_units_move_between_others(api, clock, full):
    day = full["day"]
    # A shift for one truck: it makes two trips; the other makes one whenever it likes.
    shift = SHIFT | {"vehicle_id": full["vehicles"][0]}
    shown = confirm(api, plan(api, drops=day.drops, shifts=[shift]))
    gone = next(trip for trip in shown["trips"] if trip["trips"] == 2 and trip["trip_no"] == 1)
    one, to = (trip for trip in by_drop(shown, day) if trip["id"] != gone["id"])
    load_all(api, gone)
    api.as_("dispatcher").made(f"/v1/trips/{gone['id']}/depart")
    reckoned = api.ok("GET", f"/v1/trips/{gone['id']}/forecast")
    clock.now += timedelta(minutes=10)
    # Of the later drop to the front wall of the earlier one's truck.
    assert move(api, to, one)["is_made"]
    assert api.ok("GET", f"/v1/trips/{gone['id']}/forecast") == reckoned


def test_a_later_trip_is_told_anew_when_the_one_before_it_takes_longer(api, database, full):
    day = full["day"]
    put_places(database, day, [0.1, 0.2, 0.3])
    roads = {"latitude": 50.5, "longitude": 8.5, "leaves_at_time": "06:00"}
    shifts = [
        SHIFT | {"trip_s": None, "vehicle_id": one, "trips": trips, "ends_at_time": "23:00"}
        for one, trips in zip(full["vehicles"], (2, 1), strict=True)
    ]
    shown = plan(api, drops=day.drops, roads=roads, shifts=shifts)
    first, second = (one for one in in_turn(shown) if one["trips"] == 2)
    other = next(one for one in shown["trips"] if one["trips"] == 1)
    # What is called at sooner stands nearer the doors: there room is made for it.
    assert by_drop(shown, day).index(other) < by_drop(shown, day).index(first)
    assert move(api, first, first)["is_made"]
    assert move(api, other, first, by_the_doors(first))["is_made"]
    after = api.ok("GET", f"/v1/trips/{second['id']}")
    assert after["leaves_at"] > second["leaves_at"]
    # What is kept with the trip says the same as what is reckoned on being asked.
    now_told = api.ok("GET", f"/v1/trips/{second['id']}/forecast")
    with database.transaction(readonly=True) as session:
        kept = session.get(Trip, second["id"]).cold
    assert datetime.fromisoformat(kept["departs_at"]) == datetime.fromisoformat(after["leaves_at"])
    assert kept["departs_at"] == now_told["departs_at"].replace("Z", "+00:00")


def test_trucks_of_one_build_and_different_shifts_are_not_counted_for_each_other(api, full):
    """Both trucks are on the plan, each by a shift of its own: there is none more to take."""
    day = full["day"]
    shifts = [
        SHIFT | {"vehicle_id": one, "trips": 1, "ends_at_time": ends}
        for one, ends in zip(full["vehicles"], ("16:00", "17:00"), strict=True)
    ]
    shown = plan(api, drops=day.drops[:2], shifts=shifts)
    assert sorted(trip["vehicle_id"] for trip in shown["trips"]) == sorted(full["vehicles"])
    body = {"orders": day.drops[2:], "only_preview": True}
    told = api.as_("dispatcher").made(f"/v1/load-plans/{shown['id']}/amend", body)
    assert (told["is_made"], told["vehicle_id"]) == (False, None)
    assert told["reasons"][0].startswith("There are no legal decks")
