"""A day is planned over HTTP with the order of drops chosen from where they are."""

import re
from contextlib import closing
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pypdfium2
import pytest
from sqlalchemy import select
from sqlmodel import col

from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.access.tables import Site
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import LoadPlanRow
from rimekeep.orders.tables import CustomerDrop, SalesOrder

ROADS = {"latitude": 50.5, "longitude": 8.5, "leaves_at_time": "06:00"}
DEGREE_M = 111_195


@pytest.fixture
def day(api, database, clock):
    """Three stops in one truck, north of the depot, listed crosswise."""
    deck = few(instance("deck_s1_basic"), stops=3, each=1)
    made = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 2)
    return made


def put_places(database, day, north, **facts):
    """Give orders a place each, so many degrees north of the depot."""
    with database.transaction() as session:
        for order_id, degrees in zip(day.drops, north, strict=True):
            order = session.get(SalesOrder, order_id)
            drop = CustomerDrop(
                site_id=order.site_id,
                customer_id=order.customer_id,
                code="YARD",
                name="Yard (invented)",
                latitude=50.5 + degrees,
                longitude=8.5,
                **facts.get(order.code, facts),
            )
            session.add(drop)
            session.flush()
            order.drop_id = drop.id


def plan(api, status=201, **body):
    response = api.as_("dispatcher").post("/v1/load-plans", {"ship_on": DAY.isoformat(), **body})
    assert response.status_code == status, response.text
    return response.json()


def legal(database, shown):
    with database.transaction(readonly=True) as session:
        stored = session.scalar(select(LoadPlanRow).where(col(LoadPlanRow.id) == shown["id"])).request
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in shown["trips"]]
    return check_plan(load_request(stored), decks, [0] * len(decks)) == []


def test_the_order_is_chosen_by_where_drops_are_and_the_deck_is_legal_for_it(api, database, day):
    put_places(database, day, [0.1, -0.2, 0.2])
    shown = plan(api, roads=ROADS)
    (trip,) = shown["trips"]
    first, second, third = day.orders
    drops = [halt["customer_code"] for halt in trip["drive"]["halts"]]
    # Out and back to the north, then the south, or the other way round: the same way.
    assert drops in (
        [first, third, second],
        [second, first, third],
        [second, third, first],
        [third, first, second],
    )
    assert trip["drive"]["distance_m"] == pytest.approx(2 * 1.3 * 0.4 * DEGREE_M, rel=1e-4)
    assert trip["drive"]["is_best"] is True
    assert trip["drive"]["best_order"] in (drops, drops[::-1])
    assert trip["drive"]["is_estimated"] is True
    assert "drivers' hours, local rules" in trip["drive"]["caution"]
    by_drop = {place["drop"]: place["customer_code"] for place in trip["places"]}
    assert [by_drop[drop] for drop in sorted(by_drop)] == drops
    assert legal(database, shown)
    assert api.ok("GET", f"/v1/load-plans/{shown['id']}")["trips"] == shown["trips"]
    api.as_("dispatcher").post(f"/v1/load-plans/{shown['id']}/confirm", None)


def test_opening_times_are_by_the_sites_clock(api, database, day):
    with database.transaction(readonly=True) as session:
        zone = ZoneInfo(session.scalar(select(Site.time_zone)))
        codes = {key: session.get(SalesOrder, order_id).code for key, order_id in day.orders.items()}
    first, *others = day.orders
    times = {codes[first]: {"opens_at": time(9), "closes_at": time(10)}} | {codes[one]: {} for one in others}
    put_places(database, day, [0.1, 0.2, 0.3], **times)
    shown = plan(api, roads=ROADS | {"return_counted": False})
    (trip,) = shown["trips"]
    halt = next(one for one in trip["drive"]["halts"] if one["customer_code"] == first)
    starts_at = datetime.fromisoformat(halt["arrives_at"]).timestamp() + halt["waits_s"]
    assert halt["late_s"] == 0
    assert starts_at >= datetime.combine(DAY, time(9), tzinfo=zone).timestamp()
    assert legal(database, shown)


def test_an_order_that_is_given_is_kept_and_told_what_it_drives(api, database, day):
    put_places(database, day, [0.2, 0.1, -0.2])
    shown = plan(api, roads=ROADS, drops=day.drops)
    (trip,) = shown["trips"]
    assert [halt["customer_code"] for halt in trip["drive"]["halts"]] == list(day.orders)
    assert plan(api, drops=day.drops)["trips"][0]["drive"] is None


def test_the_forecast_goes_the_plans_way_and_waits_with_shut_doors(api, database, day):
    with database.transaction(readonly=True) as session:
        codes = {key: session.get(SalesOrder, order_id).code for key, order_id in day.orders.items()}
    times = {code: {} for code in codes.values()}
    last = list(codes)[2]
    times[codes[last]] = {"opens_at": time(9), "closes_at": time(12)}
    put_places(database, day, [0.1, 0.2, 0.3], **times)
    shown = plan(api, roads=ROADS | {"service_s": 600}, drops=day.drops)
    (trip,) = shown["trips"]
    halts = trip["drive"]["halts"]
    assert halts[2]["waits_s"] > 3600
    told = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")
    assert told["departs_at"] == trip["drive"]["leaves_at"]
    drops = [(drop["customer"], drop["arrives_at"]) for drop in told["drops"]]
    assert drops == [(halt["customer_code"], halt["arrives_at"]) for halt in halts]
    basis = {one["name"]: one for one in told["assumed"]}
    # By hand: 0.1 degrees of a great circle by a detour of 1.3 at 50 km/h, three times over.
    assert basis["drive_minutes"]["value"] == pytest.approx([1.3 * DEGREE_M / 10 / 50_000 * 60] * 3, rel=1e-3)
    assert basis["drive_minutes"]["basis"] == "as the plan drives, estimated from positions"
    assert basis["stop_minutes"]["value"] == [10, 10, 10]
    # What somebody says of the trip goes before the plan; from then on less is waited.
    leaves_at = datetime.fromisoformat(told["departs_at"]) + timedelta(hours=1)
    said = {"departs_at": leaves_at.isoformat(), "legs": [{"drop": 2, "drive_minutes": 30}]}
    told = api.as_("dispatcher").made(f"/v1/trips/{trip['id']}/road", said)
    first, second, third = (datetime.fromisoformat(drop["arrives_at"]) for drop in told["drops"])
    leg = timedelta(seconds=round(1.3 * DEGREE_M / 10 / 50_000 * 3600))
    close = timedelta(seconds=2)
    assert abs(first - (leaves_at + leg)) < close
    assert abs(second - (first + timedelta(minutes=40))) < close
    assert abs(third - (second + timedelta(minutes=10) + leg)) < close


def test_papers_and_plan_say_when_drops_are_expected_by_the_sites_clock(api, database, day):
    put_places(database, day, [0.1, 0.2, 0.3])
    with database.transaction(readonly=True) as session:
        zone = ZoneInfo(session.scalar(select(Site.time_zone)))
    shown = plan(api, roads=ROADS, drops=day.drops)
    (trip,) = shown["trips"]
    path = f"/v1/trips/{trip['id']}"
    clocks = [halt["clock"] for halt in trip["drive"]["halts"]]
    arrivals = [datetime.fromisoformat(halt["arrives_at"]) for halt in trip["drive"]["halts"]]
    assert clocks == [f"{at.astimezone(zone):%H:%M}" for at in arrivals]

    def printed():
        sheet = re.findall(r"  expected (\d\d:\d\d) \(an estimate", api.get(f"{path}/sheet").text)
        page = api.get(f"{path}/sheet.html").text
        notes = re.findall(
            r"Expected: (\d\d:\d\d) \(an estimate\)", api.get(f"{path}/delivery-notes.html").text
        )
        assert sheet == notes
        assert all(f"<td>{clock}</td>" in page for clock in sheet)
        for name, sought in (
            ("sheet.pdf", sheet),
            ("delivery-notes.pdf", [f"Expected: {one}" for one in sheet]),
        ):
            with closing(pypdfium2.PdfDocument(api.get(f"{path}/{name}").content)) as document:
                text = " ".join(one.get_textpage().get_text_range() for one in document)
            assert all(one in text for one in sought)
        return sheet

    assert printed() == clocks
    # The road that was said of the trip knows better.
    later = {
        "departs_at": (datetime.fromisoformat(trip["drive"]["leaves_at"]) + timedelta(hours=1)).isoformat()
    }
    api.as_("dispatcher").made(f"{path}/road", later)
    assert printed() == [f"{at.astimezone(zone) + timedelta(hours=1):%H:%M}" for at in arrivals]


def test_a_place_without_position_or_two_places_of_one_customer_are_refused_in_words(api, database, day):
    refused = plan(api, 422, roads=ROADS)
    assert refused["type"].endswith("/no-position")
    assert len(refused["errors"]) == 3
    assert refused["errors"][0]["mend"].startswith("Give the customer a drop with latitude")


def test_a_time_nobody_can_keep_is_refused_with_the_customer(api, database, day):
    put_places(database, day, [0.1, 0.2, 0.9], opens_at=time(5), closes_at=time(6, 50))
    refused = plan(api, 422, roads=ROADS)
    assert list(day.orders)[2] in refused["errors"][0]["detail"]
    assert "No order can keep it" in refused["errors"][0]["detail"]


def amend(api, shown, day, **body):
    return api.as_("dispatcher").made(
        f"/v1/load-plans/{shown['id']}/amend", {"orders": day.drops[2:], **body}
    )


def test_a_plan_keeps_what_it_knows_of_roads_when_a_customer_joins(api, database, day):
    put_places(database, day, [0.1, 0.2, 0.3], opens_at=time(8), closes_at=time(12))
    shown = plan(api, roads=ROADS | {"service_s": 600}, drops=day.drops[:2])
    before = shown["trips"][0]["drive"]
    told = amend(api, shown, day)
    assert (told["is_made"], told["are_new_first"]) == (True, False)
    (trip,) = api.ok("GET", f"/v1/load-plans/{shown['id']}")["trips"]
    drive = trip["drive"]
    assert [halt["customer_code"] for halt in drive["halts"]] == list(day.orders)
    assert drive["halts"][:2] == before["halts"]
    # By hand: 0.3 degrees out and back by a detour of 1.3.
    assert drive["distance_m"] == pytest.approx(2 * 1.3 * 0.3 * DEGREE_M, rel=1e-4)
    arrives = [datetime.fromisoformat(halt["arrives_at"]) for halt in drive["halts"]]
    leg = timedelta(seconds=round(1.3 * DEGREE_M / 10 / 50_000 * 3600))
    assert abs(arrives[2] - (arrives[1] + timedelta(minutes=10) + leg)) < timedelta(seconds=2)
    assert drive["is_best"] is None
    assert legal(database, api.ok("GET", f"/v1/load-plans/{shown['id']}"))


def test_a_refusal_names_between_whom_no_drive_is_known(api, database, day):
    put_places(database, day, [0.1, 0.2, 0.3])
    with database.transaction() as session:
        session.get(SalesOrder, day.drops[2]).drop_id = None
    shown = plan(api, roads=ROADS, drops=day.drops[:2])
    told = amend(api, shown, day, only_preview=True)
    one, two, late = day.orders
    (reason,) = told["reasons"]
    assert reason.startswith(f"How long it takes between {late} and the store, {one}, {two} is not known")
    assert "Give the customer a drop with latitude and longitude" in reason
    problem = api.as_("dispatcher").refused(
        f"/v1/load-plans/{shown['id']}/amend", {"orders": day.drops[2:]}, 409, "plan-not-amended"
    )
    assert problem["data"]["reasons"] == [reason]
    (trip,) = api.ok("GET", f"/v1/load-plans/{shown['id']}")["trips"]
    assert trip["drive"] == shown["trips"][0]["drive"]


def test_a_customer_who_is_shut_before_anybody_can_be_there_does_not_join(api, database, day):
    with database.transaction(readonly=True) as session:
        codes = [session.get(SalesOrder, order_id).code for order_id in day.drops]
    times = {code: {} for code in codes} | {codes[2]: {"opens_at": time(5), "closes_at": time(6)}}
    put_places(database, day, [0.1, 0.2, 0.3], **times)
    shown = plan(api, roads=ROADS, drops=day.drops[:2])
    told = amend(api, shown, day, only_preview=True)
    assert not told["is_made"]
    assert "No order can keep it" in told["reasons"][0]


def test_an_order_for_another_place_of_a_known_customer_is_no_part_of_his_stop(api, database, day):
    put_places(database, day, [0.1, 0.2, 0.3])
    with database.transaction() as session:
        order, late = (session.get(SalesOrder, day.drops[k]) for k in (1, 2))
        late.customer_id = order.customer_id
        late_code = late.code
    shown = plan(api, roads=ROADS, drops=day.drops[:2])
    told = amend(api, shown, day, only_preview=True)
    assert told["reasons"][0].startswith(
        f"Order {late_code} of customer {list(day.orders)[1]} goes to another place"
    )
