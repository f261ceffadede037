"""Goods a customer sends back after they were handed over: to the case, on hold, never taken to have been cold."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select, text

from builders.cold import make_sensor
from builders.store import furnish
from rimekeep.cli.check import findings
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.shelflife import queries as shelflife
from rimekeep.shelflife import usecases as life
from rimekeep.shelflife.core.hours import COLUMN_GAP
from rimekeep.stock.tables import Zone
from rimekeep.tracing.epcis.jobs import exchange
from rimekeep.tracing.recall.core.reconcile import Answer, Balance, totals

CASES = 48
WHY = "the cellar was flooded (invented)"


def handed_over(api, database, clock):
    """A furnished store whose only trip handed one unit of 48 cases over and has ended."""
    made = furnish(api, clock.now, "M", "9521234")
    trip = f"/v1/trips/{made['trip_id']}"
    with database.transaction() as session:
        zone = session.scalars(select(Zone).where(Zone.code == "M-T1")).one()
        make_sensor(session, clock.now - timedelta(days=2), api.callers["lead"], zone, code="truck")
    due = api.ok("GET", f"{trip}/next")["next"]
    while due:
        due = api.as_("picker").made(f"{trip}/load", {"scan": due[0]["sscc"]})["next"]
    api.as_("dispatcher").made(f"{trip}/depart")
    clock.now += timedelta(hours=1)
    api.as_("picker").made(f"{trip}/drops/{made['number']}/deliver", {})
    clock.now += timedelta(hours=1)
    api.as_("dispatcher").made(f"{trip}/end", {})
    return made | {"now": clock.now}


GROUNDS = {"sent": handed_over}


@pytest.fixture
def sent(ground, clock):
    clock.now = ground["now"] + timedelta(days=3)
    return ground


def body(sent, **said):
    facts = {"customer_id": sent["customer_id"], "sscc": sent["sscc"], "zone_id": sent["zone_id"]}
    return {**facts, "reason": WHY, **said}


def take_in(api, sent, **said):
    return api.as_("picker").made("/v1/returns", body(sent, **said))


def trace(api, sent):
    return api.ok("GET", f"/v1/lots/{sent['lot_id']}/trace")


def is_sound(database, api):
    with database.transaction(readonly=True) as session:
        return [*findings(session), *broken_links(session, api.callers["lead"].site_id)]


def test_a_unit_comes_back_whole_on_hold_and_may_be_sold_again_by_qas_word(api, database, clock, sent):
    before = trace(api, sent)
    assert (before["balance"]["departed"], before["balance"]["handed_over"]) == (CASES, CASES)
    back = take_in(api, sent, bay_id=sent["bay_id"])
    assert (back["sscc"], back["qa_state"]) == (sent["sscc"], "held")
    assert back["qa_reason"] == f"sent back by M-INN: {WHY}"
    assert [(one["cases"], one["lot"], one["returned_sscc"]) for one in back["returns"]] == [
        (CASES, "M-L1", sent["sscc"])
    ]
    (notice,) = api.ok("GET", "/v1/outbox?kind=goods.returned")["items"]
    told = {name: notice["data"][name] for name in ("customer", "sscc", "delivered_on", "cases", "reason")}
    both = dict.fromkeys(("sscc", "delivered_on"), sent["sscc"])
    assert told == {"customer": "M-INN", "cases": CASES, "reason": WHY, **both}
    unit = api.ok("GET", f"/v1/units/{sent['sscc']}")
    assert (unit["state"], unit["qa_state"], unit["bay_id"]) == ("in_store", "held", sent["bay_id"])
    after = trace(api, sent)
    changed = {name: after["balance"][name] - before["balance"][name] for name in after["balance"]}
    assert {name: by for name, by in changed.items() if by} == {
        "at_site": CASES,
        "departed": -CASES,
        "handed_over": -CASES,
    }
    assert (after["customers"], after["partings"]) == ([], [])
    (left,) = after["departures"]
    assert (left["cases"], left["returned_cases"], left["came_back"]) == (CASES, CASES, False)
    assert left["off_at"] == before["departures"][0]["off_at"]
    assert api.ok("GET", f"/v1/customers/{sent['customer_id']}/trace")["origins"] == []
    assert is_sound(database, api) == []
    qa = api.as_("qa")
    qa.made(f"/v1/units/{sent['sscc']}/release", {"reason": "looks and tastes as it should (invented)"})
    assert api.ok("GET", f"/v1/units/{sent['sscc']}")["qa_state"] == "released"
    problem = api.as_("picker").refused("/v1/returns", body(sent), 409, "more-than-delivered")
    assert problem["data"] == {"sscc": sent["sscc"], "delivered": CASES, "returned": CASES, "left": 0}


def test_cases_come_back_on_a_unit_of_their_own_and_are_followed_both_ways(api, database, clock, sent):
    back = take_in(api, sent, cases=5, lot="M-L1")
    new = back["sscc"]
    assert new != sent["sscc"]
    clock.now += timedelta(days=1)
    problem = api.as_("picker").refused("/v1/returns", body(sent, cases=44), 409, "more-than-delivered")
    assert problem["data"] == {"sscc": sent["sscc"], "delivered": CASES, "returned": 5, "left": 43}
    assert "48 cases and has sent back 5; 43 can still come back" in problem["detail"]
    unit = api.ok("GET", f"/v1/units/{new}")
    assert (unit["state"], unit["qa_state"], [one["cases"] for one in unit["contents"]]) == (
        "in_store",
        "held",
        [5],
    )
    found = trace(api, sent)
    assert found["balance"]["handed_over"] == found["balance"]["departed"] == CASES - 5
    assert (found["balance"]["on_the_road"], found["balance"]["difference"]) == (0, 0)
    assert [(one["customer"], one["cases"]) for one in found["customers"]] == [("M-INN", CASES - 5)]
    (left,) = found["departures"]
    assert (left["cases"], left["refused_cases"], left["returned_cases"]) == (CASES, 0, 5)
    ways = {(one["way"], one["source"].split(":")[0], one["cases"]) for one in found["edges"]}
    assert {("sent", "unit", CASES), ("sent back", "customer", 5)} <= ways
    # Backwards: the new unit's cases came in on the pallet that was sent.
    assert [
        (one["cases"], one["came_on_sscc"]) for one in api.ok("GET", f"/v1/units/{new}/trace")["origins"]
    ] == [(5, sent["sscc"])]
    got = api.ok("GET", f"/v1/customers/{sent['customer_id']}/trace")["origins"]
    assert [one["cases"] for one in got] == [CASES - 5]
    assert is_sound(database, api) == []
    # The rest comes back as the pallet it is.
    assert [one["cases"] for one in take_in(api, sent)["returns"]] == [CASES - 5]
    assert trace(api, sent)["departures"][0]["returned_cases"] == CASES
    listed = api.ok("GET", f"/v1/returns?customer_id={sent['customer_id']}")["items"]
    assert [(one["returned_sscc"], one["cases"]) for one in listed] == [(new, 5), (sent["sscc"], CASES - 5)]
    assert is_sound(database, api) == []


def test_partners_hear_that_it_was_received_as_returned(api, database, clock, sent):
    new = take_in(api, sent, cases=5)["sscc"]
    exchange(database, clock.now)
    with database.transaction(readonly=True) as session:
        kinds = session.scalars(select(LedgerEvent.kind).order_by(LedgerEvent.seq)).all()
        told = session.execute(
            text("SELECT biz_step, disposition FROM epcis_event WHERE body LIKE :new ORDER BY id"),
            {"new": f"%{new}%"},
        ).all()
    about_goods = [kind for kind in kinds if kind.startswith(("cases.", "unit."))]
    assert about_goods[-3:] == ["cases.returned", "unit.taken-back", "unit.held"]
    assert [tuple(row) for row in told][:2] == [("packing", "returned"), ("receiving", "returned")]


def test_the_time_at_the_customer_is_bridged_warm_and_makes_the_end_less_sure(api, database, clock, sent):
    api.as_("lead").made(
        "/v1/zones", {"code": "INNS", "name": "inns (invented)", "kind": "customer", "planned_c": 25}
    )
    (kept,) = take_in(api, sent, cases=5)["lives"]
    away_s = timedelta(days=3, hours=1).total_seconds()
    assert kept["bridged_s"] >= away_s
    (shown,) = api.ok("GET", f"/v1/units/{take_in(api, sent)['sscc']}/life")["lives"]
    legs = [(one["zone_code"], one["bridged_s"], one["is_assumed"]) for one in shown["legs"]]
    assert legs[-2] == ("INNS", away_s, True)
    assert shown["core_c"] == pytest.approx(25, abs=0.5)
    (stayed,) = api.ok("GET", f"/v1/units/{sent['spare_sscc']}/life")["lives"]
    # 73 h at 25 °C cost 73/24 · exp(E/R · (1/293.15 − 1/298.15)) / 120 = 0.051 of a life; the core comes after.
    assert 0.03 < shown["used"]["staling"] - stayed["used"]["staling"] < 0.051
    site_id = api.callers["lead"].site_id
    with database.transaction() as session:
        life.refresh_life(session, clock.now, site_id)
    with database.transaction(readonly=True) as session:
        packs = [
            row[0] for row in session.execute(text("SELECT content_id FROM customer_return ORDER BY id"))
        ]
        reckoned = shelflife.aged(session, site_id, clock.now, content_ids=packs)
        (beside,) = shelflife.aged(
            session, site_id, clock.now, content_ids=[content_of(session, sent["spare_sscc"])]
        )
        written = shelflife.life(session, site_id, packs)
    assert len(reckoned) == 2
    for one in reckoned:
        # The shared sums and the integration from the first reading on say the same.
        assert abs((written[one.pack.content_id].expires_at - one.expires_at).total_seconds()) < 3600
        # What nobody measured widens the estimate, and more so than in the room.
        assert one.sums[COLUMN_GAP] > beside.sums[COLUMN_GAP]
    problem = api.as_("qa").post(
        "/v1/sensors", {"code": "no", "zone_id": zone_of(api, "INNS"), "interval_s": 600}
    )
    assert problem.status_code == 422


def content_of(session, sscc):
    asked = text("SELECT c.id FROM unit_content c JOIN unit u ON u.id = c.unit_id WHERE u.sscc = :sscc")
    return session.scalar(asked, {"sscc": sscc})


def zone_of(api, code):
    return next(one["id"] for one in api.ok("GET", "/v1/zones")["items"] if one["code"] == code)


def test_two_returns_at_once_bring_no_more_back_than_was_handed_over(api, database, sent):
    def one(_number):
        return api.as_("picker").request("POST", "/v1/returns", json=body(sent, cases=20)).status_code

    with ThreadPoolExecutor(4) as pool:
        answers = sorted(pool.map(one, range(4)))
    assert answers == [201, 201, 409, 409]
    assert trace(api, sent)["balance"]["handed_over"] == CASES - 40
    assert is_sound(database, api) == []


def test_the_same_call_sent_twice_takes_in_once(api, sent):
    first, again = (
        api.as_("picker").request("POST", "/v1/returns", json=body(sent, cases=4), key="van-7-page-3")
        for _ in "12"
    )
    assert (first.status_code, first.json()) == (again.status_code, again.json())
    assert trace(api, sent)["balance"]["handed_over"] == CASES - 4


def test_only_who_got_it_can_send_it_back_into_a_room_after_they_got_it(api, clock, sent):
    picker = api.as_("picker")
    other = api.as_("lead").made("/v1/customers", {"code": "M-BAR", "name": "bar (invented)"})["id"]
    problem = picker.refused("/v1/returns", body(sent, customer_id=other), 409, "not-handed-over")
    assert "handed over to M-INN, not to M-BAR" in problem["detail"]
    picker.refused("/v1/returns", body(sent, sscc=sent["spare_sscc"]), 409, "not-handed-over")
    early = str(clock.now - timedelta(days=4)).replace(" ", "T")
    for wrong in ({"lot": "M-L9", "cases": 2}, {"lot": "M-L1"}, {"at": early}, {"cases": 0}):
        assert picker.post("/v1/returns", body(sent, **wrong)).status_code == 422, wrong
    assert trace(api, sent)["balance"]["handed_over"] == CASES


def test_what_comes_back_during_a_recall_is_stopped_and_no_longer_outstanding(api, database, clock, sent):
    qa = api.as_("qa")
    row = qa.made("/v1/recalls", {"lot_ids": [sent["lot_id"]]})
    signed = {"reason": "glass (invented)", "signature_token": api.tokens["qa"]}
    qa.made(f"/v1/recalls/{row['id']}/start", signed)
    address = f"/v1/recalls/{row['id']}/customers"
    qa.made(
        f"{address}/{sent['customer_id']}/answers",
        {"held_cases": 0, "sold_on_cases": 8, "returned_cases": 30, "destroyed_cases": 0},
    )
    clock.now += timedelta(hours=1)
    back = take_in(api, sent, cases=35)["sscc"]
    shown = qa.ok("GET", f"/v1/recalls/{row['id']}")
    assert back in {one["sscc"] for one in shown["stopped"]}
    assert shown["now"]["missing_cases"] == 0
    found = qa.ok("GET", address)
    (part,) = found["customers"]
    assert part["balance"] == {
        "delivered": CASES, "returned": 35, "taken_back": 35, "outstanding": 5, "is_done": False
    }  # fmt: skip
    sums = found["totals"]
    assert sums["delivered"] == sums["returned"] + sums["destroyed"] + sums["sold_on"] + sums["outstanding"]
    problem = qa.post(f"/v1/lots/{sent['lot_id']}/release", {"reason": "no (invented)"})
    assert problem.status_code == 409
    assert is_sound(database, api) == []


def test_said_and_taken_back_are_the_same_cases() -> None:
    """By the meaning of the words; no source."""
    whole = Balance(96, Answer(sold_on=40, returned=50), taken_back=20)
    assert (whole.returned, whole.outstanding) == (50, 6)
    assert Balance(96, None, taken_back=96).is_done
    sums = totals([whole, Balance(10, None, taken_back=4)])
    assert (sums.delivered, sums.returned, sums.outstanding) == (106, 54, 12)
