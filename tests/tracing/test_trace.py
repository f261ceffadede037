"""Where a lot went, told over HTTP, and a balance that is right to the case or shows what is not."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, few, instance, make_day, register_fleet
from builders.stock import make_lot, make_unit
from rimekeep.access.usecases import open_new_site
from rimekeep.cli.check import findings
from rimekeep.platform.database import Database
from rimekeep.tracing.core.balance import Balance

DECK = few(instance("deck_s1_basic"))
# Two stops of two pallets, one case each, of one product and lot; 40 cases more stay here.
SENT, KEPT = 4, 40


@dataclass(frozen=True)
class Traced:
    """A lot of which a part has left."""

    lot_id: int
    kept_sscc: str
    kept_content_id: int


def sent_off(api: Api, database: Database, clock: Clock) -> Traced:
    day = make_day(api, database, clock.now, DECK)
    lot_id = api.ok("GET", f"/v1/units/{day.ssccs['A'][0]}")["contents"][0]["lot_id"]
    with database.transaction() as session:
        unit = make_unit(session, clock.now, api.callers["lead"], contents=[(lot_id, KEPT)])
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    trip = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]["id"]
    due = api.ok("GET", f"/v1/trips/{trip}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip}/load", {"scan": due[0]["sscc"]})["next"]
    desk.made(f"/v1/trips/{trip}/depart")
    content = api.ok("GET", f"/v1/units/{unit.sscc}")["contents"][0]
    return Traced(lot_id, unit.sscc, content["id"])


GROUNDS = {"traced": sent_off}


@pytest.fixture
def traced(ground: Any) -> Traced:
    """Two stops were sent their pallets; the rest of the lot stayed."""
    found: Traced = ground
    return found


def trace(api: Api, lot_id: int) -> dict[str, Any]:
    found: dict[str, Any] = api.as_("qa").ok("GET", f"/v1/lots/{lot_id}/trace")
    return found


def adjust(api: Api, traced: Traced, cases: int) -> None:
    api.as_("lead").made(
        f"/v1/units/{traced.kept_sscc}/adjust",
        {"content_id": traced.kept_content_id, "cases": cases, "reason": "three cases broken"},
    )


def test_everybody_who_got_cases_of_a_lot_is_named(api: Api, traced: Traced) -> None:
    left = trace(api, traced.lot_id)["departures"]
    assert sorted((one["customer"], one["cases"]) for one in left) == [("A", 1), ("A", 1), ("B", 1), ("B", 1)]
    assert len({one["sscc"] for one in left}) == SENT
    assert traced.kept_sscc not in {one["sscc"] for one in left}
    orders = {one["customer"]: one["order"] for one in left}
    assert len(set(orders.values())) == 2
    assert len({one["trip_id"] for one in left}) == 1


def test_balance_counts_what_was_made_what_is_here_and_what_left(api: Api, traced: Traced) -> None:
    assert trace(api, traced.lot_id)["balance"] == {
        "made": SENT + KEPT,
        "at_site": KEPT,
        "departed": SENT,
        "handed_over": 0,
        "on_the_road": SENT,
        "adjusted": 0,
        "destroyed": 0,
        "not_received": 0,
        "difference": 0,
    }


def test_an_adjustment_with_a_reason_keeps_the_balance(api: Api, traced: Traced) -> None:
    adjust(api, traced, KEPT - 3)
    balance = trace(api, traced.lot_id)["balance"]
    assert (balance["at_site"], balance["adjusted"], balance["difference"]) == (KEPT - 3, -3, 0)
    adjust(api, traced, KEPT + 1)
    balance = trace(api, traced.lot_id)["balance"]
    assert (balance["at_site"], balance["adjusted"], balance["difference"]) == (KEPT + 1, 1, 0)


@pytest.mark.parametrize("taken", [7, -2])
def test_cases_changed_behind_the_records_back_are_shown_with_where_it_arose(
    api: Api, database: Database, traced: Traced, taken: int
) -> None:
    adjust(api, traced, KEPT - 3)
    with database.transaction() as session:
        session.execute(
            text("UPDATE unit_content SET cases = cases - :taken WHERE id = :id"),
            {"taken": taken, "id": traced.kept_content_id},
        )
    found = trace(api, traced.lot_id)
    assert found["balance"]["difference"] == taken
    (parted,) = found["partings"]
    assert (parted["sscc"], parted["ledger_cases"], parted["record_cases"]) == (
        traced.kept_sscc, KEPT - 3, KEPT - 3 - taken,
    )  # fmt: skip
    assert (parted["last_good"]["kind"], parted["first_bad"]) == ("cases.adjusted", None)
    said = disagreements(database)
    assert len(said) == 1
    assert f"unit {traced.kept_sscc}: the ledger adds up to {KEPT - 3} cases" in said[0]
    assert "cases.adjusted, 2026-03-16" in said[0]


def test_a_change_that_the_next_count_has_seen_is_between_the_two(
    api: Api, database: Database, traced: Traced
) -> None:
    adjust(api, traced, KEPT - 3)
    with database.transaction() as session:
        session.execute(
            text("UPDATE unit_content SET cases = cases - 7 WHERE id = :id"), {"id": traced.kept_content_id}
        )
    adjust(api, traced, KEPT - 12)
    (parted,) = trace(api, traced.lot_id)["partings"]
    assert (parted["ledger_cases"], parted["record_cases"]) == (KEPT - 5, KEPT - 12)
    seen = [parted[name] for name in ("last_good", "first_bad")]
    assert [one["kind"] for one in seen] == ["cases.adjusted"] * 2
    assert seen[0]["seq"] < seen[1]["seq"]
    assert seen[1]["actor_id"] == api.callers["lead"].id


def test_a_swap_between_two_units_of_a_lot_is_found_though_the_lot_adds_up(
    api: Api, database: Database, traced: Traced
) -> None:
    with database.transaction() as session:
        other = session.scalar(
            text("SELECT id FROM unit_content WHERE lot_id = :lot AND id <> :id AND cases > 0"),
            {"lot": traced.lot_id, "id": traced.kept_content_id},
        )
        for more, key in ((1, other), (-1, traced.kept_content_id)):
            session.execute(
                text("UPDATE unit_content SET cases = cases + :more WHERE id = :id"),
                {"more": more, "id": key},
            )
    found = trace(api, traced.lot_id)
    assert found["balance"]["difference"] == 0
    assert {one["content_id"] for one in found["partings"]} == {other, traced.kept_content_id}
    assert len(disagreements(database)) == 2


@pytest.mark.parametrize(("made", "words"), [(5, "the record says"), (-5, "the record says")])
def test_a_lot_said_to_be_made_of_another_number_is_found(
    api: Api, database: Database, traced: Traced, made: int, words: str
) -> None:
    assert disagreements(database) == []
    with database.transaction() as session:
        session.execute(
            text("UPDATE lot SET cases_made = cases_made + :made WHERE id = :lot"),
            {"made": made, "lot": traced.lot_id},
        )
    (said,) = disagreements(database)
    assert words in said
    assert f"the ledger {SENT + KEPT}" in said


def disagreements(database: Database) -> list[str]:
    with database.transaction(readonly=True) as session:
        return list(findings(session))


def test_cases_are_destroyed_on_qas_word_and_stay_accounted_for(
    api: Api, database: Database, traced: Traced
) -> None:
    unit = f"/v1/units/{traced.kept_sscc}"
    body = {"content_id": traced.kept_content_id, "cases": 15, "reason": "burst in the frost (invented)"}
    qa = api.as_("qa")
    assert api.as_("lead").post(f"{unit}/destroy", body).status_code == 403
    assert problem(qa, unit, body) == (409, "/problems/stock-not-stopped")
    qa.made(f"{unit}/hold", {"reason": "frozen (invented)"})
    assert problem(qa, unit, {**body, "cases": KEPT + 1}) == (409, "/problems/too-many-destroyed")
    assert problem(qa, unit, {**body, "content_id": 1 << 40}) == (404, "/problems/content-not-found")
    assert qa.made(f"{unit}/destroy", body)["contents"][0]["cases"] == KEPT - 15
    found = trace(api, traced.lot_id)
    assert (found["balance"]["destroyed"], found["balance"]["difference"]) == (15, 0)
    assert found["partings"] == []
    (edge,) = [one for one in found["edges"] if one["way"] == "destroyed"]
    assert (edge["target"], edge["cases"]) == ("loss:destroyed", 15)
    qa.made(f"{unit}/destroy", {**body, "cases": KEPT - 15})
    assert api.ok("GET", unit)["state"] == "empty"
    event = api.ok("GET", f"/v1/lots/{traced.lot_id}/events")["items"][-1]
    assert (event["kind"], event["cases"], event["reason"]) == ("cases.destroyed", KEPT - 15, body["reason"])
    assert event["actor_id"] == api.callers["qa"].id
    assert disagreements(database) == []


def problem(api: Api, unit: str, body: dict[str, Any]) -> tuple[int, str]:
    response = api.post(f"{unit}/destroy", body)
    return response.status_code, response.json()["type"]


def test_forward_and_back_tell_the_same(api: Api, traced: Traced) -> None:
    """From the lot to the customers; from each customer, and from each unit sent, to the lot and its pallet."""
    found = trace(api, traced.lot_id)
    assert sorted((one["customer"], one["cases"]) for one in found["customers"]) == [("A", 2), ("B", 2)]
    lot = f"lot:{traced.lot_id}"
    ways = Counter(one["way"] for one in found["edges"])
    assert ways == {"received": SENT + 1, "sent": SENT}
    assert sum(one["cases"] for one in found["edges"] if one["source"] == lot) == SENT + KEPT
    keys = {one["customer"]: one["target"] for one in found["edges"] if one["way"] == "sent" for one in [
        {**one, "customer": next(node["name"] for node in found["nodes"] if node["key"] == one["target"])}
    ]}  # fmt: skip
    for customer, cases in (("A", 2), ("B", 2)):
        back = api.ok("GET", f"/v1/customers/{keys[customer].removeprefix('customer:')}/trace")
        assert back["customer"] == customer
        assert sum(one["cases"] for one in back["origins"]) == cases
        assert {one["lot_id"] for one in back["origins"]} == {traced.lot_id}
        sent = [one["sscc"] for one in found["departures"] if one["customer"] == customer]
        assert sorted(one["came_on_sscc"] for one in back["origins"]) == sorted(sent)
        unit = api.ok("GET", f"/v1/units/{sent[0]}/trace")
        assert [(one["lot_id"], one["cases"], one["came_on_sscc"]) for one in unit["origins"]] == [
            (traced.lot_id, 1, sent[0])
        ]
        assert [(one["customer"], one["cases"]) for one in unit["customers"]] == [(customer, 1)]
    kept = api.ok("GET", f"/v1/units/{traced.kept_sscc}/trace")
    assert (kept["customers"], [one["cases"] for one in kept["origins"]]) == ([], [KEPT])
    none = api.ok(
        "GET", f"/v1/customers/{keys['A'].removeprefix('customer:')}/trace?until_at=2026-01-01T00:00:00Z"
    )
    assert (none["origins"], none["nodes"]) == ([], [])


def test_a_trace_is_a_table_and_a_picture_too(api: Api, traced: Traced) -> None:
    address = f"/v1/lots/{traced.lot_id}/trace"
    edges = api.ok("GET", address)["edges"]
    by_header = api.get(address, headers={"Accept": "text/csv, */*;q=0.1"})
    named = api.get(address, params={"format": "csv"}, headers={"Accept": "application/json"})
    assert named.headers["Content-Type"] == by_header.headers["Content-Type"] == "text/csv; charset=utf-8"
    lines = list(csv.DictReader(io.StringIO(named.text)))
    assert named.text == by_header.text
    assert [int(line["cases"]) for line in lines] == [edge["cases"] for edge in edges]
    assert {line["to"] for line in lines if line["way"] == "sent"} == {"A", "B"}
    drawn = api.get(address, params={"format": "svg"})
    assert drawn.headers["Content-Type"].startswith("image/svg+xml")
    assert drawn.headers["Content-Security-Policy"].startswith("default-src 'none'")
    root = ElementTree.fromstring(drawn.text)
    assert len(root.findall("{http://www.w3.org/2000/svg}path")) == len(edges)
    assert traced.kept_sscc in drawn.text
    assert api.get(address, params={"format": "pdf"}).status_code == 422


def test_a_lot_that_never_moved_has_no_departures(api: Api, database: Database, clock: Clock) -> None:
    with database.transaction() as session:
        lot = make_lot(session, clock.now, api.callers["lead"])
    found = trace(api, lot.id)
    assert found["departures"] == []
    assert found["balance"]["difference"] == 0


def test_events_of_a_lot_come_in_pages_in_order_each_once(api: Api, traced: Traced) -> None:
    adjust(api, traced, KEPT - 3)
    address = f"/v1/lots/{traced.lot_id}/events"
    whole = api.ok("GET", address)["items"]
    kinds = [one["kind"] for one in whole]
    assert (kinds[0], kinds[-1], kinds.count("unit.departed")) == ("lot.registered", "cases.adjusted", SENT)
    assert whole[-1]["reason"] == "three cases broken"
    assert [one["seq"] for one in whole] == sorted({one["seq"] for one in whole})
    gathered: list[dict[str, Any]] = []
    response = api.get(address, params={"limit": 2})
    while True:
        page = response.json()
        gathered += page["items"]
        if page["next_cursor"] is None:
            break
        assert len(page["items"]) == 2
        assert 'rel="next"' in response.headers["Link"]
        response = api.get(address, params={"limit": 2, "cursor": page["next_cursor"]})
    assert gathered == whole


def test_another_sites_lot_is_not_there(api: Api, database: Database, clock: Clock, traced: Traced) -> None:
    with database.transaction() as session:
        _, token = open_new_site(
            session, clock.now, code="SOUTH", name="South store (invented)", company_prefix="9529999"
        )
    other = Api(api.app, {"admin": token}, {})
    for address, what in (
        (f"/v1/lots/{traced.lot_id}/trace", "lot"),
        (f"/v1/lots/{traced.lot_id}/events", "lot"),
        (f"/v1/units/{traced.kept_sscc}/trace", "unit"),
        ("/v1/customers/1/trace", "customer"),
    ):
        response = other.get(address)
        assert (response.status_code, response.json()["type"]) == (404, f"/problems/{what}-not-found")


def test_a_gateway_has_no_word_in_it(api: Api, traced: Traced) -> None:
    assert api.as_("gateway").get(f"/v1/lots/{traced.lot_id}/trace").status_code == 403


@given(*[st.integers(0, 10_000)] * 3, st.integers(-500, 500), st.integers(-50, 50))
def test_what_is_missing_is_the_difference(
    at_site: int, departed: int, written_off: int, found: int, lost: int
) -> None:
    adjusted = found - written_off
    made = at_site + departed - adjusted + lost
    assert Balance(made, at_site, departed, adjusted).difference == lost
