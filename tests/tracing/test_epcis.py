"""EPCIS over HTTP: what happened is told and found, what partners tell is stored once or refused with a reason."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from httpx2 import Response
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from builders.api import Api
from builders.epcis import document, event, good_documents
from builders.grounds import Clock
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.platform.database import Database
from rimekeep.stock import usecases as stock
from rimekeep.stock.core import gs1
from rimekeep.tracing.epcis import jobs, usecases
from rimekeep.tracing.epcis.core.checking import faults_of

LD_JSON = "application/ld+json"
GLN = "9521234000013"


@dataclass(frozen=True)
class Told:
    """A pallet that came, was held, released and moved; and what EPCIS calls it."""

    sscc: str
    link: str
    urn: str
    lot_link: str
    lot_urn: str
    zone: str


def pallet_with_a_past(api: Api, database: Database, clock: Clock) -> Told:
    caller, now = api.callers["lead"], clock.now
    api.as_("lead").ok("PATCH", "/v1/epcis", {"gln": GLN}, headers={"If-Match": "*"})
    with database.transaction() as session:
        body = "1952123400001"
        product = make_product(session, now, caller, gtin=f"{body}{gs1.check_digit(body)}")
        lot = make_lot(session, now, caller, product, code="L2603A")
        zone = make_zone(session, now, caller, code="COLD-2")
        sscc = gs1.sscc(0, "9521234", 1)
        unit = make_unit(
            session, now - timedelta(hours=3), caller, contents=[(lot.id, 48)], sscc=sscc, zone_id=zone.id
        )
        stock.hold_unit(session, now - timedelta(hours=2), caller, unit_id=unit.id, reason="seal broken")
        stock.release_unit(session, now - timedelta(hours=1), caller, unit_id=unit.id, reason="seal is fine")
        stock.move_unit(session, now, caller, unit_id=unit.id, zone_id=zone.id)
    jobs.exchange(database, now)
    return Told(
        sscc, f"https://id.gs1.org/00/{sscc}", "urn:epc:id:sscc:9521234.0000000001",
        "https://id.gs1.org/01/19521234000010/10/L2603A", "urn:epc:class:lgtin:9521234.100001.L2603A", zone.code,
    )  # fmt: skip


GROUNDS = {"told": pallet_with_a_past}


@pytest.fixture
def told(ground: Any) -> Told:
    found: Told = ground
    return found


def asked(api: Api, headers: dict[str, str] | None = None, **query: Any) -> list[dict[str, Any]]:
    """The events of one page."""
    response = api.as_("auditor").get("/v1/events", params=query, headers=headers)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"] == LD_JSON
    assert response.headers["GS1-EPCIS-Version"] == response.headers["GS1-CBV-Version"] == "2.0.0"
    found = response.json()
    assert (found["type"], found["schemaVersion"]) == ("EPCISQueryDocument", "2.0")
    events: list[dict[str, Any]] = found["epcisBody"]["queryResults"]["resultsBody"]["eventList"]
    assert [faults_of(one) for one in events] == [[] for _ in events]
    return events


def send(api: Api, body: Any, **headers: str) -> Response:
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    return api.as_("gateway").request(
        "POST", "/v1/capture", content=content, headers={"Content-Type": LD_JSON, **headers}
    )


def captured(api: Api, database: Database, clock: Clock, body: Any, **headers: str) -> dict[str, Any]:
    """What became of a document once it was worked off."""
    response = send(api, body, **headers)
    assert response.status_code == 202, response.text
    assert response.json()["running"]
    jobs.exchange(database, clock.now)
    job: dict[str, Any] = api.as_("gateway").ok("GET", response.headers["Location"])
    assert not job["running"]
    return job


def test_what_happened_to_a_pallet_is_told_in_order(api: Api, told: Told) -> None:
    events = asked(api, MATCH_anyEPC=told.link, orderDirection="ASC")
    assert [(one["type"], one["action"], one["bizStep"]) for one in events] == [
        ("ObjectEvent", "ADD", "commissioning"),
        ("AggregationEvent", "ADD", "packing"),
        ("ObjectEvent", "OBSERVE", "holding"),
        ("ObjectEvent", "OBSERVE", "inspecting"),
        ("ObjectEvent", "OBSERVE", "storing"),
    ]
    assert events[-1]["bizLocation"] == {"id": f"https://id.gs1.org/414/{GLN}/254/{told.zone}"}
    assert all(one["eventID"].startswith("urn:uuid:") and one["recordTime"] for one in events)


@pytest.mark.parametrize("form", ["Always_EPC_URN", "Always_GS1_Digital_Link"])
def test_either_form_of_a_name_finds_the_same_and_either_is_told(api: Api, told: Told, form: str) -> None:
    headers = {"GS1-EPC-Format": form}
    by_urn = asked(api, headers, MATCH_anyEPC=told.urn, MATCH_anyEPCClass=told.lot_urn)
    by_link = asked(api, headers, MATCH_anyEPC=told.link, MATCH_anyEPCClass=told.lot_link)
    assert by_urn == by_link != []
    is_urn = form == "Always_EPC_URN"
    assert {epc for one in by_urn for epc in one.get("epcList", ())} == {told.urn if is_urn else told.link}
    assert {one["parentID"] for one in by_urn if "parentID" in one} == {told.urn if is_urn else told.link}


def test_a_site_may_speak_in_urns(api: Api, told: Told) -> None:
    etag = api.get("/v1/epcis").headers["ETag"]
    lead = api.as_("lead")
    assert lead.ok("PATCH", "/v1/epcis", {"with_urns": True}, headers={"If-Match": etag}) == {
        "gln": GLN,
        "with_urns": True,
    }
    assert (
        lead.request("PATCH", "/v1/epcis", json={"with_urns": False}, headers={"If-Match": etag}).status_code
        == 412
    )
    assert (
        lead.request(
            "PATCH", "/v1/epcis", json={"gln": "9521234000014"}, headers={"If-Match": "*"}
        ).status_code
        == 422
    )
    assert told.urn in asked(api, EQ_bizStep="storing")[0]["epcList"]


QUERIES: dict[str, tuple[dict[str, str], int]] = {
    "type": ({"eventType": "AggregationEvent"}, 1),
    "types": ({"eventType": "AggregationEvent,ObjectEvent"}, 5),
    "action": ({"EQ_action": "ADD"}, 2),
    "steps": ({"EQ_bizStep": "holding,storing"}, 2),
    "step as URN": ({"EQ_bizStep": "urn:epcglobal:cbv:bizstep:holding"}, 1),
    "step as link": ({"EQ_bizStep": "https://ref.gs1.org/cbv/BizStep-holding"}, 1),
    "disposition": ({"EQ_disposition": "conformant"}, 1),
    "place": ({"EQ_readPoint": f"https://id.gs1.org/414/{GLN}/254/COLD-2"}, 3),
    "place as URN": ({"EQ_bizLocation": "urn:epc:id:sgln:9521234.00001.COLD-2"}, 3),
    "before": ({"LT_eventTime": "2026-03-16T04:00:00Z"}, 2),
    "from": ({"GE_eventTime": "2026-03-16T05:00:00+01:00"}, 3),
    "recorded": ({"GE_recordTime": "2026-03-16T06:00:00Z", "LT_recordTime": "2026-03-16T06:00:01Z"}, 5),
    "not recorded": ({"LT_recordTime": "2026-03-16T06:00:00Z"}, 0),
    "epc": ({"MATCH_epc": "urn:epc:id:sscc:9521234.0000000001"}, 4),
    "parent": ({"MATCH_parentID": "urn:epc:id:sscc:9521234.0000000001"}, 1),
    "class": ({"MATCH_epcClass": "urn:epc:class:lgtin:9521234.100001.L2603A"}, 2),
    "other class": ({"MATCH_anyEPCClass": "urn:epc:class:lgtin:9521234.100001.L2603B"}, 0),
    "both": ({"MATCH_parentID": "urn:epc:id:sscc:9521234.0000000001", "EQ_bizStep": "storing"}, 0),
    "order": ({"EQ_bizTransaction_po": "urn:epcglobal:cbv:bt:9521234000013:SO-1"}, 0),
}  # fmt: skip


def test_each_parameter_of_the_event_query_finds_what_it_should(api: Api, told: Told) -> None:
    assert {name: len(asked(api, **query)) for name, (query, _) in QUERIES.items()} == {
        name: expected for name, (_, expected) in QUERIES.items()
    }


def test_a_parameter_that_is_not_known_is_refused(api: Api, told: Told) -> None:
    response = api.get("/v1/events", params={"MATCH_everything": "x", "perPage": "0"})
    assert response.status_code == 400
    assert [fault["field"] for fault in response.json()["errors"]] == ["MATCH_everything", "perPage"]
    assert api.get("/v1/events", headers={"GS1-EPC-Format": "Mine"}).status_code == 400


@pytest.mark.parametrize("order", ["eventTime", "recordTime"])
@pytest.mark.parametrize("direction", ["ASC", "DESC"])
def test_pages_follow_one_another_by_the_link(api: Api, told: Told, order: str, direction: str) -> None:
    whole = asked(api, orderBy=order, orderDirection=direction)
    got, url = [], f"/v1/events?perPage=2&orderBy={order}&orderDirection={direction}"
    for _ in range(9):
        response = api.get(url)
        got += response.json()["epcisBody"]["queryResults"]["resultsBody"]["eventList"]
        link = response.headers.get("Link")
        if link is None:
            break
        address, _, rel = link.partition("; ")
        assert rel == 'rel="next"'
        url = address.strip("<>").removeprefix("http://testserver")
    assert got == whole
    assert len(got) == 5


def test_a_stretch_of_time_is_told_whole(api: Api, database: Database, clock: Clock, told: Told) -> None:
    many = [
        event(number, eventTime=f"2026-03-15T{number // 60:02d}:{number % 60:02d}:00Z")
        for number in range(601)
    ]
    assert captured(api, database, clock, document(*many))["stored"] == 601
    response = api.get(
        "/v1/events/export", params={"from": "2026-03-15T00:00:00Z", "to": "2026-03-16T04:00:00Z"}
    )
    exported = response.json()
    assert exported["type"] == "EPCISDocument"
    events = exported["epcisBody"]["eventList"]
    assert [one["eventTime"] for one in events] == sorted(one["eventTime"] for one in events)
    ids = [one["eventID"] for one in events]
    assert len(set(ids)) == len(ids)
    assert {one["eventID"] for one in many} <= set(ids)
    assert sorted(
        one["bizStep"] for one in events if one["eventID"] not in {sent["eventID"] for sent in many}
    ) == ["commissioning", "packing"]
    assert [one for one in events if faults_of(one)] == []


def test_telling_goes_on_where_it_ended(api: Api, database: Database, clock: Clock, told: Told) -> None:
    before = asked(api)
    jobs.exchange(database, clock.now)
    assert asked(api) == before
    clock.now += timedelta(hours=1)
    api.as_("lead").made(f"/v1/units/{told.sscc}/hold", {"reason": "label torn"})
    with database.transaction() as session:
        assert usecases.tell(session, clock.now, api.callers["lead"].site_id, most=1)
    with database.transaction() as session:
        assert usecases.tell(session, clock.now, api.callers["lead"].site_id, most=1) is False
    after = asked(api)
    assert after[1:] == before
    assert after[0]["bizStep"] == "holding"


def test_a_fact_of_several_rows_is_one_event_however_the_ledger_is_cut(
    api: Api, database: Database, clock: Clock
) -> None:
    with database.transaction() as session:
        lots = [make_lot(session, clock.now, api.callers["lead"]) for _ in range(3)]
        make_unit(session, clock.now, api.callers["lead"], contents=[(lot.id, 8) for lot in lots])
    goes_on = True
    while goes_on:
        with database.transaction() as session:
            goes_on = usecases.tell(session, clock.now, api.callers["lead"].site_id, most=4)
    (packed,) = asked(api, EQ_bizStep="packing")
    assert [one["quantity"] for one in packed["childQuantityList"]] == [8, 8, 8]


@pytest.mark.parametrize("document_at", range(len(good_documents())))
def test_what_partners_tell_is_found_beside_what_happened_here(
    api: Api, database: Database, clock: Clock, document_at: int
) -> None:
    sent = good_documents()[document_at]
    job = captured(api, database, clock, sent)
    assert (job["success"], job["stored"], job["errors"]) == (True, 1, [])
    (found,) = asked(api)
    (given,) = sent["epcisBody"]["eventList"]
    assert {name: found[name] for name in given} == given
    assert set(found) - set(given) <= {"eventID", "recordTime"}
    again = captured(api, database, clock, sent)
    assert (again["success"], again["stored"], again["repeated"]) == (True, 0, 1)


def test_one_event_may_come_without_a_document(api: Api, database: Database, clock: Clock) -> None:
    assert captured(api, database, clock, event())["stored"] == 1


def test_a_bad_event_undoes_the_document_or_only_itself(api: Api, database: Database, clock: Clock) -> None:
    sent = document(event(1), event(2, action="MOVE"), "nothing", event(3))
    undone = captured(api, database, clock, sent)
    assert (undone["success"], undone["stored"], undone["captureErrorBehaviour"]) == (False, 0, "rollback")
    assert asked(api) == []
    kept = captured(api, database, clock, sent, **{"GS1-Capture-Error-Behaviour": "proceed"})
    assert (kept["success"], kept["stored"]) == (False, 2)
    assert [(one["event"], one["code"]) for one in kept["errors"]] == [(1, "epcis-event"), (2, "epcis-event")]
    assert kept["errors"][0]["faults"][0]["field"] == "action"
    assert len(asked(api)) == 2


def test_an_id_means_one_event_and_is_taken_back_only_by_declaration(
    api: Api, database: Database, clock: Clock
) -> None:
    captured(api, database, clock, event(1))
    job = captured(api, database, clock, document(event(1, bizStep="shipping"), event(2), event(2)))
    assert [one["code"] for one in job["errors"]] == ["event-id-taken"]
    declared = event(
        1, errorDeclaration={"declarationTime": "2026-03-16T07:00:00Z", "reason": "did_not_occur"}
    )
    assert captured(api, database, clock, declared)["stored"] == 1
    assert len(asked(api, EQ_eventID=event(1)["eventID"])) == 2


def test_an_event_of_ours_that_comes_back_is_known(
    api: Api, database: Database, clock: Clock, told: Told
) -> None:
    job = captured(api, database, clock, document(*asked(api)))
    assert (job["stored"], job["repeated"]) == (0, 5)


BAD = {
    "no JSON": b'{"type": ',
    "nested": b"[" * 100_000,
    "no document": b"[]",
    "half a character": b'{"type": "ObjectEvent", "ex:a": "\\ud800"}',
    "no events": json.dumps(document(epcisBody={})).encode(),
}


def test_what_is_no_document_is_refused_at_once(api: Api) -> None:
    for what, body in BAD.items():
        response = send(api, body)
        assert (response.status_code, response.json()["type"]) == (400, "/problems/epcis-document"), what
        assert response.json()["errors"], what
    assert send(api, event(), **{"GS1-Capture-Error-Behaviour": "ignore"}).status_code == 400
    assert send(api, b" " * (api.app.state.settings.max_body_bytes + 1)).status_code == 413


def test_a_document_is_worked_off_once_though_the_first_attempt_was_cut_off(
    api: Api, database: Database, clock: Clock
) -> None:
    job = send(api, document(event(1), event(2))).json()
    session = database.open()
    usecases.work_off(session, clock.now, int(job["captureID"]))
    session.flush()
    database.abandon(session)
    assert api.as_("gateway").ok("GET", f"/v1/capture/{job['captureID']}")["running"]
    for _ in range(2):
        jobs.exchange(database, clock.now)
    done = api.as_("gateway").ok("GET", f"/v1/capture/{job['captureID']}")
    assert (done["success"], done["stored"], len(asked(api))) == (True, 2, 2)


def test_an_event_of_another_kind_may_say_anything_and_keeps_no_other_back(
    api: Api, database: Database, clock: Clock
) -> None:
    odd = event(
        2, type="ex:poured", epcList=[5], action={}, bizStep=[1], readPoint={"id": 7}, disposition="x" * 9_000
    )
    job = api.as_("gateway").made("/v1/capture", document(odd, event()))
    jobs.exchange(database, clock.now)
    done = api.ok("GET", f"/v1/capture/{job['captureID']}")
    assert (done["success"], done["stored"], done["errors"]) == (True, 2, [])
    (found,) = asked(api, {"GS1-EPC-Format": "Always_EPC_URN"}, eventType="ex:poured")
    assert (found["epcList"], found["readPoint"], found["action"]) == ([5], {"id": 7}, {})


def test_a_document_that_always_fails_is_given_up(api: Api, database: Database, clock: Clock) -> None:
    job = send(api, event()).json()
    for _ in range(6):
        with database.transaction() as session:
            usecases.begin_attempt(session, clock.now, int(job["captureID"]))
    done = api.as_("gateway").ok("GET", f"/v1/capture/{job['captureID']}")
    assert (done["running"], done["success"]) == (False, False)
    assert done["errors"][0]["code"] == "internal-error"


def test_a_gateway_sees_its_own_documents_only(api: Api) -> None:
    job = api.as_("qa").made("/v1/capture", event())
    assert api.as_("gateway").get(f"/v1/capture/{job['captureID']}").status_code == 404
    assert api.as_("auditor").get(f"/v1/capture/{job['captureID']}").status_code == 200


def test_what_was_told_cannot_be_changed_in_the_database(database: Database, api: Api, told: Told) -> None:
    statements = [
        "UPDATE epcis_event SET body = ''", "DELETE FROM epcis_key", "UPDATE epcis_key SET value = ''", "DELETE FROM epcis_event",
    ]  # fmt: skip
    if database.settings.is_sqlite:
        # REPLACE takes the row in its way away by itself: by its id, or by what no other event shares.
        own = "site_id, event_uid, declared, event_type, event_at, record_at, digest, body"
        other = own.replace("digest, body", "'', ''")
        statements += [
            f"INSERT OR REPLACE INTO epcis_event (id, {own}) SELECT id, {other} FROM epcis_event",
            f"INSERT OR REPLACE INTO epcis_event ({own}) SELECT {other} FROM epcis_event",
            "INSERT OR REPLACE INTO epcis_key SELECT * FROM epcis_key",
        ]
    for statement in statements:
        with pytest.raises(DBAPIError, match="append-only"), database.transaction() as session:
            session.execute(text(statement))
    assert len(asked(api)) == 5
