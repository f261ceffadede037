"""
A recall through HTTP: what it stops, whom it lists, and that it ends only when every case is told of.

The list has to name "the immediate subsequent recipient" (one step forward): Regulation (EC) No 178/2002, article 18,
second hand; what a recall's record holds besides (who was told when and how, who answered, quantities returned and
accounted for) follows the topics of 21 CFR 7.53, from memory.
"""

from __future__ import annotations

import csv
import threading
import time
from datetime import timedelta
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text

from builders.cold import make_sensor, say, series
from builders.room import outbox
from builders.stock import new_sscc
from builders.store import TRUCK, furnish, stamp
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Zone
from rimekeep.stock.usecases.damage import set_aside
from rimekeep.stock.usecases.put_backs import put_back_cases
from rimekeep.stock.usecases.refills import split_off
from rimekeep.tracing.recall.core.reconcile import Accounted, Answer, Balance, totals
from rimekeep.tracing.recall.core.table import as_csv
from rimekeep.tracing.recall.usecases import remind

WHY = "glass in the filler (invented)"


def loaded(api, database, clock):
    """A furnished store whose trip is loaded with one unit of 48 cases."""
    made = furnish(api, clock.now, "M", "9521234")
    load_all(api, made["trip_id"])
    return made


def on_the_road(api, database, clock):
    made = loaded(api, database, clock)
    with database.transaction() as session:
        zone = session.scalars(select(Zone).where(Zone.code == "M-T1")).one()
        make_sensor(session, clock.now - timedelta(days=2), api.callers["lead"], zone, code="truck")
    api.as_("dispatcher").made(f"/v1/trips/{made['trip_id']}/depart")
    return made


GROUNDS = {"dock": loaded, "road": on_the_road}


@pytest.fixture
def dock(ground):
    return ground


@pytest.fixture
def road(ground):
    return ground


def load_all(api, trip_id):
    due = api.ok("GET", f"/v1/trips/{trip_id}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip_id}/load", {"scan": due[0]["sscc"]})["next"]


def signed(api, role="qa", **body):
    return {"reason": WHY, "signature_token": api.tokens[role], **body}


def started(api, scope, **body):
    qa = api.as_("qa")
    row = qa.made("/v1/recalls", scope)
    return qa.made(f"/v1/recalls/{row['id']}/start", signed(api, **body))


def customers(api, recall):
    return api.as_("auditor").ok("GET", f"/v1/recalls/{recall['id']}/customers")


def deliver(api, clock, made, **body):
    clock.now += timedelta(hours=2)
    api.as_("picker").made(f"/v1/trips/{made['trip_id']}/drops/{made['number']}/deliver", body)


def agrees(database, api):
    site_id = api.callers["lead"].site_id
    with database.transaction(readonly=True) as session:
        return [
            *stock.stays_that_disagree(session, site_id),
            *reservations_that_disagree(session, site_id),
            *broken_links(session, site_id),
        ]


def kinds(database):
    with database.transaction(readonly=True) as session:
        return [*session.scalars(select(LedgerEvent.kind).order_by(LedgerEvent.seq))]


def test_a_draft_tells_what_would_be_stopped_and_stops_nothing(api, database, road):
    drafted = api.as_("lead").made("/v1/recalls", {"lot_ids": [road["lot_id"]]})
    assert (drafted["state"], drafted["now"]["customers"], drafted["now"]["on_the_way_cases"]) == (
        "draft",
        1,
        48,
    )
    places = drafted["now"]["cases_by_place"]
    assert places["reserved"] >= 8
    assert sum(places.values()) == sum(one["cases"] for one in drafted["stopped"])
    assert [trip["trip_id"] for trip in drafted["trips_to_call"]] == [road["trip_id"]]
    assert drafted["now"]["missing_cases"] == 0
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_state"] == "released"
    assert customers(api, drafted)["customers"][0]["state"] == "to notify"


def test_a_start_stops_everything_at_once_and_only_its_end_lifts_that(api, database, clock, road):
    # A picker has the reserved cases on the list in hand.
    api.as_("picker").made(f"/v1/pick-lists/{road['list_id']}/take")
    recall = started(api, {"lot_ids": [road["lot_id"]]})
    assert recall["state"] == "running"
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_reason"] == f"recall {recall['id']}: {WHY}"
    # What was reserved went back; its list has nothing to pick any more.
    assert recall["now"]["cases_by_place"]["reserved"] == 0
    assert recall["figures"]["lines_served_anew"] == 1
    picks = api.ok("GET", f"/v1/pick-lists/{road['list_id']}")["picks"]
    assert [pick["state"] for pick in picks] == ["withdrawn"]
    assert "on hold" in picks[0]["note"]
    (trip,) = recall["trips_to_call"]
    assert (trip["vehicle"], trip["cases"], trip["ssccs"]) == ("M-T1", 48, [road["sscc"]])
    told = [data for kind, data in outbox(database) if kind == "recall.started"]
    assert [(one["customer"], one["cases"]) for one in told[0]["customer_cases"]] == [("M-INN", 48)]
    qa = api.as_("qa")
    problem = qa.refused(f"/v1/lots/{road['lot_id']}/release", {"reason": "looks fine"}, 409, "recalled")
    assert str(recall["id"]) in problem["detail"]
    qa.refused(f"/v1/recalls/{recall['id']}/start", signed(api), 409, "recall-started")
    assert agrees(database, api) == []


def test_only_the_signer_s_own_token_starts_it(api, road):
    qa = api.as_("qa")
    drafted = qa.made("/v1/recalls", {"lot_ids": [road["lot_id"]]})
    address = f"/v1/recalls/{drafted['id']}/start"
    qa.refused(address, signed(api, role="lead"), 403, "signature-not-confirmed")
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_state"] == "released"
    done = qa.made(address, signed(api))
    assert len(done["started_sha256"]) == 64


def test_a_loaded_truck_does_not_depart_with_it(api, database, dock):
    recall = started(api, {"lot_ids": [dock["lot_id"]]})
    (trip,) = recall["trips_to_unload"]
    assert (trip["trip_id"], trip["ssccs"]) == (dock["trip_id"], [dock["sscc"]])
    assert recall["now"]["cases_by_place"]["loaded"] == 48
    desk = api.as_("dispatcher")
    problem = desk.refused(f"/v1/trips/{dock['trip_id']}/depart", None, 409, "stock-held")
    assert f"recall {recall['id']}: {WHY}" in problem["detail"]


def test_the_list_names_who_got_what_when_and_how_much_less_what_was_refused(api, database, clock, road):
    refusals = [{"sscc": road["sscc"], "cases": 5, "reason": "dented"}]
    deliver(api, clock, road, refusals=refusals)
    recall = started(api, {"lot_ids": [road["lot_id"]]})
    (part,) = customers(api, recall)["customers"]
    who, (what,) = part["customer"], part["deliveries"]
    assert (who["code"], part["balance"]["delivered"], part["on_the_way_cases"]) == ("M-INN", 43, 0)
    assert (what["lot_code"], what["sku"], what["sscc"], what["cases"]) == (
        "M-L1",
        "M-LAGER",
        road["sscc"],
        43,
    )
    assert (what["order_code"], what["off_at"]) == ("M-order_id", stamp(clock.now))
    # The refused cases ride back: the driver has them, the customer has not.
    assert recall["now"]["cases_by_place"]["on the road"] == 5
    assert [trip["cases"] for trip in recall["trips_to_call"]] == [5]
    # The ledger, read by another way, says the same to the case.
    left = api.as_("auditor").ok("GET", f"/v1/lots/{road['lot_id']}/trace")["departures"]
    assert sum(one["cases"] - one["refused_cases"] for one in left if not one["came_back"]) == 43
    assert recall["now"]["missing_cases"] == 0
    text = api.as_("auditor").get(f"/v1/recalls/{recall['id']}/customers.csv").text
    (line,) = csv.DictReader(StringIO(text))
    assert (line["customer"], line["lot"], line["cases"], line["sscc"]) == (
        "M-INN",
        "M-L1",
        "43",
        road["sscc"],
    )
    assert line["departed_at"]
    assert line["delivered_at"]


def test_mixed_and_repacked_cases_are_found_by_their_own_lot(api, database, clock, road):
    """Two lots picked onto one new pallet: each customer's cases are of the lot that is called back, and no other."""
    body = {
        "product_id": api.made("/v1/products", {**plain_product(api, road), "sku": "M-STOUT"})["id"],
        "code": "M-OTHER", "packaged_at": stamp(clock.now - timedelta(days=9)), "best_before_on": "2026-12-01",
    }  # fmt: skip
    other = api.made("/v1/lots", body)["id"]
    api.made(f"/v1/lots/{other}/release", {"reason": "analysis is good"})
    unit = {"zone_id": road["zone_id"], "received_at": stamp(clock.now), "sscc": new_sscc()}
    api.made("/v1/units", {**unit, "contents": [{"lot_id": other, "cases": 40}]})
    trip = send(api, clock, road, {road["product_id"]: 7, body["product_id"]: 9})
    clock.now += timedelta(hours=1)
    recall = api.as_("qa").made("/v1/mock-recalls", {"lot_ids": [other]})
    (part,) = customers(api, recall)["customers"]
    assert [(one["lot_code"], one["cases"]) for one in part["deliveries"]] == [("M-OTHER", 9)]
    assert part["deliveries"][0]["trip_id"] == trip
    assert part["deliveries"][0]["sscc"] != unit["sscc"]
    both = api.as_("qa").made("/v1/mock-recalls", {"lot_ids": [other, road["lot_id"]]})
    (part,) = customers(api, both)["customers"]
    assert sorted(one["cases"] for one in part["deliveries"]) == [7, 9, 48]


def plain_product(api, made):
    found = api.ok("GET", f"/v1/products/{made['product_id']}")
    return {key: value for key, value in found.items() if key not in ("id", "gtin")}


def send(api, clock, made, wanted):
    """Pick an order onto pallets of its own, load it and let it go; return the trip."""
    today = str(clock.now.date())
    lines = [{"product_id": key, "cases": cases} for key, cases in wanted.items()]
    order = {"code": "M-SENT", "customer_id": made["customer_id"], "ship_on": today, "deliver_on": today}
    order_id = api.made("/v1/orders", {**order, "lines": lines})["id"]
    api.made("/v1/allocations", {"order_ids": [order_id]})
    for one in api.made("/v1/pick-lists", {"order_ids": [order_id]}):
        api.as_("picker").made(f"/v1/pick-lists/{one['id']}/take")
        for pick in one["picks"]:
            done = {"scan": pick["sscc"], "bay_check_code": "42" if pick["bay_code"] else None}
            api.as_("picker").made(f"/v1/picks/{pick['id']}/confirm", {**done, "cases": pick["cases"]})
    api.made("/v1/vehicles", {"code": "M-T2", "name": "M second truck", "truck": TRUCK})
    plan = api.made("/v1/load-plans", {"ship_on": today, "drops": [order_id]})
    trip = api.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]["id"]
    load_all(api, trip)
    api.as_("dispatcher").made(f"/v1/trips/{trip}/depart")
    return trip


def test_a_recall_closes_when_every_case_is_told_of_or_its_lack_explained(api, database, clock, road):
    deliver(api, clock, road)
    recall = started(api, {"lot_ids": [road["lot_id"]]})
    qa, base = api.as_("qa"), f"/v1/recalls/{recall['id']}"
    customer = f"{base}/customers/{road['customer_id']}"
    problem = qa.refused(f"{base}/close", signed(api, stock="reject"), 409, "recall-open")
    assert problem["data"]["customers"] == ["M-INN"]
    told = qa.made(f"{customer}/notifications", {"how": "phone", "to": "A. Barkeep (invented)"})
    assert (told["state"], told["told"][0]["by_name"]) == ("notified", api.callers["qa"].name)
    too_many = {"sold_on_cases": 30, "returned_cases": 19}
    qa.refused(f"{customer}/answers", too_many, 422, "more-than-delivered")
    said = qa.made(f"{customer}/answers", {"held_cases": 8, "sold_on_cases": 30, "returned_cases": 8})
    assert (said["state"], said["balance"]["outstanding"]) == ("answered", 10)
    figures = {"sold_on_cases": 30, "returned_cases": 8, "destroyed_cases": 8}
    said = qa.made(f"{customer}/answers", {**figures, "rest_explained": "two cases given away at a fair"})
    assert (said["state"], said["balance"]["outstanding"], len(said["said"])) == ("explained", 2, 2)
    sums = customers(api, recall)["totals"]
    assert (
        sums["delivered"]
        == 48
        == sums["returned"] + sums["destroyed"] + sums["sold_on"] + sums["outstanding"]
    )
    done = qa.made(f"{base}/close", signed(api, stock="reject"))
    assert (done["state"], done["ending"], len(done["closed_sha256"])) == ("closed", "reject", 64)
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_state"] == "rejected"
    qa.refused(f"{customer}/answers", {"returned_cases": 48}, 409, "recall-closed")
    qa.refused(f"{base}/close", signed(api, stock="hold"), 409, "recall-closed")
    wanted = [
        "recall.drafted",
        "recall.started",
        "recall.customer-notified",
        "recall.answered",
        "recall.closed",
    ]
    assert [one for one in dict.fromkeys(kinds(database)) if one.startswith("recall.")] == wanted
    assert agrees(database, api) == []
    pdf = api.as_("auditor").get(f"{base}/report.pdf")
    assert (pdf.status_code, pdf.content[:5]) == (200, b"%PDF-")


def test_a_release_at_the_end_gives_back_what_the_recall_itself_stopped(api, database, clock, road):
    first = started(api, {"lot_ids": [road["lot_id"]]})
    second = started(api, {"lot_ids": [road["lot_id"]]})
    qa = api.as_("qa")
    for recall, left in ((first, "held"), (second, "released")):
        answer = {"returned_cases": 48}
        qa.made(f"/v1/recalls/{recall['id']}/customers/{road['customer_id']}/answers", answer)
        qa.made(f"/v1/recalls/{recall['id']}/close", signed(api, stock="release"))
        # While the other one runs the lot stays stopped, under that one's name.
        shown = api.ok("GET", f"/v1/lots/{road['lot_id']}")
        assert shown["qa_state"] == left
    held = api.made("/v1/lots", other_lot(api, road, clock))["id"]
    third = started(api, {"lot_ids": [held]})
    qa.made(f"/v1/recalls/{third['id']}/close", signed(api, stock="release"))
    assert api.ok("GET", f"/v1/lots/{held}")["qa_state"] == "held"


def other_lot(api, made, clock):
    return {
        "product_id": made["product_id"], "code": "M-L7", "packaged_at": stamp(clock.now - timedelta(days=1)),
        "best_before_on": "2026-12-01",
    }  # fmt: skip


def test_touched_stock_is_called_back_without_its_lot_and_held_when_it_comes_back(api, database, clock, road):
    spare = api.ok("GET", f"/v1/units/{road['spare_sscc']}")
    recall = started(api, {"excursion_id": road["excursion_id"]})
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_state"] == "released"
    held = api.ok("GET", f"/v1/units/{road['spare_sscc']}")
    assert (spare["qa_state"], held["qa_state"]) == ("released", "held")
    api.as_("qa").refused(
        f"/v1/units/{road['spare_sscc']}/release", {"reason": "looks fine"}, 409, "recalled"
    )
    (part,) = customers(api, recall)["customers"]
    assert part["balance"]["delivered"] == 48
    with database.transaction() as session:
        said = series("truck", clock.now - timedelta(hours=1), clock.now + timedelta(hours=5), 3.0)
        say(session, clock.now + timedelta(hours=5), api.callers["lead"].site_id, said)
    clock.now += timedelta(hours=4)
    api.as_("dispatcher").made(f"/v1/trips/{road['trip_id']}/end", {"zone_id": road["zone_id"]})
    back = api.ok("GET", f"/v1/units/{road['sscc']}")
    assert (back["state"], back["qa_state"]) == ("in_store", "held")
    assert back["qa_reason"].startswith(f"recall {recall['id']}:")
    assert customers(api, recall)["customers"] == []
    done = api.as_("qa").made(f"/v1/recalls/{recall['id']}/close", signed(api, stock="release"))
    assert done["state"] == "closed"
    assert api.ok("GET", f"/v1/units/{road['spare_sscc']}")["qa_state"] == "released"
    assert agrees(database, api) == []


def test_cases_taken_off_a_recalled_unit_are_stopped_as_it_is(api, database, clock, dock):
    recall = started(api, {"excursion_id": dock["excursion_id"]})
    body = {"scan": dock["sscc"], "zone_id": dock["zone_id"]}
    api.as_("dispatcher").made(f"/v1/trips/{dock['trip_id']}/unload", body)
    contents = {
        sscc: api.ok("GET", f"/v1/units/{sscc}")["contents"][0]["id"]
        for sscc in (dock["sscc"], dock["spare_sscc"])
    }
    with database.transaction() as session:
        now, caller = clock.now, api.callers["lead"]
        back, _ = put_back_cases(session, now, caller, content_id=contents[dock["sscc"]], cases=4)
        aside = set_aside(
            session, now, caller, content_id=contents[dock["spare_sscc"]], cases=2, reason="crushed"
        )
        ssccs = [back.sscc, aside.sscc]
    qa = api.as_("qa")
    for sscc in ssccs:
        qa.refused(f"/v1/units/{sscc}/release", {"reason": "looks fine"}, 409, "recalled")
    qa.made(f"/v1/recalls/{recall['id']}/close", signed(api, stock="release"))
    # Broken stays broken.
    assert [api.ok("GET", f"/v1/units/{sscc}")["qa_state"] for sscc in ssccs] == ["released", "held"]


def test_what_was_refused_stays_on_hold_for_it_when_the_recall_ends(api, database, clock, road):
    recall = started(api, {"excursion_id": road["excursion_id"]})
    deliver(api, clock, road, refused=[road["sscc"]], note="too warm")
    api.as_("dispatcher").made(f"/v1/trips/{road['trip_id']}/end", {"zone_id": road["zone_id"]})
    api.as_("qa").refused(f"/v1/units/{road['sscc']}/release", {"reason": "looks fine"}, 409, "recalled")
    api.as_("qa").made(f"/v1/recalls/{recall['id']}/close", signed(api, stock="release"))
    back = api.ok("GET", f"/v1/units/{road['sscc']}")
    assert back["qa_state"] == "held"
    assert back["qa_reason"].startswith("refused by M-INN")


def test_cases_moved_while_a_recall_starts_are_stopped_too(api, database, clock, dock):
    if database.settings.is_sqlite:
        pytest.skip("SQLite's writers take turns: whoever starts has seen what was moved")
    spare = api.ok("GET", f"/v1/units/{dock['spare_sscc']}")
    row = api.as_("qa").made("/v1/recalls", {"excursion_id": dock["excursion_id"]})
    answers = []
    start = threading.Thread(
        target=lambda: answers.append(
            api.as_("qa").post(f"/v1/recalls/{row['id']}/start", signed(api)).status_code
        )
    )
    with database.transaction() as session:
        content_id, zone_id = spare["contents"][0]["id"], dock["zone_id"]
        unit, _ = split_off(
            session, clock.now, api.callers["lead"], content_id=content_id, cases=2, zone_id=zone_id, bay_id=None
        )  # fmt: skip
        sscc = unit.sscc
        session.flush()
        start.start()
        waiting = text(
            "SELECT count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        deadline = time.monotonic() + 60
        while not session.scalar(waiting) and time.monotonic() < deadline:
            session.execute(text("SELECT pg_stat_clear_snapshot()"))
            time.sleep(0.02)
    start.join(60)
    assert answers == [200]
    assert api.ok("GET", f"/v1/units/{sscc}")["qa_state"] == "held"
    api.as_("qa").refused(f"/v1/units/{sscc}/release", {"reason": "looks fine"}, 409, "recalled")


def test_a_drill_stops_nothing_is_timed_and_stays_as_it_was(api, database, clock, road):
    window = {
        "zone_id": road["zone_id"],
        "from_at": stamp(clock.now - timedelta(days=1)),
        "until_at": stamp(clock.now),
    }
    drilled = api.as_("lead").made("/v1/mock-recalls", window)
    assert (drilled["is_mock"], drilled["state"]) == (True, "closed")
    assert drilled["figures"]["accounted_share"] == 1.0
    assert drilled["figures"]["list_seconds"] >= 0
    assert api.ok("GET", f"/v1/lots/{road['lot_id']}")["qa_state"] == "released"
    before = customers(api, drilled)
    assert before["customers"][0]["balance"]["delivered"] == 48
    deliver(api, clock, road, refused=[road["sscc"]])
    assert customers(api, drilled) == before
    qa = api.as_("qa")
    qa.refused(f"/v1/recalls/{drilled['id']}/start", signed(api), 409, "recall-started")
    address = f"/v1/recalls/{drilled['id']}/customers/{road['customer_id']}/notifications"
    qa.refused(address, {"how": "mail", "to": "desk"}, 409, "recall-closed")
    assert [one["id"] for one in qa.ok("GET", "/v1/recalls?is_mock=true")["items"]] == [drilled["id"]]


def test_what_cannot_be_called_back_is_refused_with_the_reason(api, database, clock, road):
    qa, hour = api.as_("qa"), timedelta(hours=1)
    problem = qa.refused("/v1/recalls", {"lot_ids": [road["lot_id"], 987_654]}, 422, "unknown-lot")
    assert "987654" in problem["errors"][0]["detail"]
    for nothing in ({}, {"lot_ids": []}, {"zone_id": road["zone_id"]}, {"lot_ids": [1], "excursion_id": 1}):
        qa.refused("/v1/recalls", nothing, 422, "invalid-input")
    turned = {"zone_id": road["zone_id"], "from_at": stamp(clock.now), "until_at": stamp(clock.now - hour)}
    qa.refused("/v1/recalls", turned, 422, "window-reversed")
    ahead = {
        "zone_id": road["zone_id"],
        "from_at": stamp(clock.now + hour),
        "until_at": stamp(clock.now + 2 * hour),
    }
    qa.refused("/v1/mock-recalls", ahead, 422, "invalid-input")
    bare = {"zone_id": road["dock_id"], "from_at": stamp(clock.now - hour), "until_at": stamp(clock.now)}
    qa.refused("/v1/recalls", bare, 409, "recall-empty")
    qa.refused("/v1/recalls", {"excursion_id": 987_654}, 404, "excursion-not-found")
    drafted = qa.made("/v1/recalls", {"lot_ids": [road["lot_id"]]})
    base = f"/v1/recalls/{drafted['id']}"
    qa.refused(f"{base}/close", signed(api, stock="hold"), 409, "recall-not-started")
    qa.refused(
        f"{base}/customers/{road['customer_id']}/answers", {"held_cases": 1}, 409, "recall-not-started"
    )
    qa.made(f"{base}/start", signed(api))
    qa.refused(
        f"{base}/customers/987654/answers", {"held_cases": 1}, 404, "customer-of-this-recall-not-found"
    )


def test_whoever_does_not_answer_is_told_of_once_each_time_they_were_asked(api, database, clock, road):
    deliver(api, clock, road)
    recall = started(api, {"lot_ids": [road["lot_id"]]}, answer_within_s=3600)
    site_id = api.callers["qa"].site_id

    def told():
        with database.transaction() as session:
            return remind(session, clock.now, site_id)

    assert told() == 0
    clock.now += timedelta(hours=1)
    assert customers(api, recall)["customers"][0]["state"] == "overdue"
    assert (told(), told()) == (1, 0)
    address = f"/v1/recalls/{recall['id']}/customers/{road['customer_id']}/notifications"
    api.as_("qa").made(address, {"how": "mail", "to": "desk"})
    assert told() == 0
    clock.now += timedelta(hours=1)
    assert told() == 1
    assert [kind for kind, _ in outbox(database)].count("recall.reminded") == 2


COUNT = st.integers(0, 10_000)


@given(st.lists(st.tuples(COUNT, COUNT, COUNT, COUNT, COUNT)))
def test_delivered_is_returned_destroyed_sold_on_and_outstanding(rows):
    found = totals(
        Balance(held + sold + back + gone + rest, Answer(held, sold, back, gone))
        for held, sold, back, gone, rest in rows
    )
    assert found.delivered == found.returned + found.destroyed + found.sold_on + found.outstanding
    assert found.outstanding == sum(row[0] + row[4] for row in rows)


@given(COUNT, COUNT, st.integers(-500, 500), st.integers(-300, 300))
def test_the_share_falls_with_every_case_nobody_can_tell_of(here, delivered, adjusted, lost):
    made = here + delivered - adjusted + lost
    found = Accounted(made, here, delivered, adjusted)
    assert found.missing == lost
    assert (found.share == 1.0) == (lost == 0)
    assert 0.0 <= found.share <= 1.0


def test_a_name_that_would_run_in_a_spreadsheet_does_not(api, database, clock, road):
    """Common practice, no source: such cells get an apostrophe before them."""
    change = {"phone": "=1+1", "reason": "as told (invented)"}
    api.ok("PATCH", f"/v1/customers/{road['customer_id']}", change, headers={"If-Match": "*"})
    drilled = api.as_("qa").made("/v1/mock-recalls", {"lot_ids": [road["lot_id"]]})
    text = api.as_("qa").get(f"/v1/recalls/{drilled['id']}/customers.csv").text
    assert next(csv.DictReader(StringIO(text)))["phone"] == "'=1+1"
    assert as_csv([]).count("\r\n") == 1
