"""EPCIS in the pure core: names, what is told of each fact, and what of a partner's document is believed."""

from __future__ import annotations

import json
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.checks import by_id, records
from builders.epcis import (
    document,
    event,
    examples,
    good_documents,
    records_of_documents,
    standard_schema,
)
from rimekeep.errors import Fault, Malformed
from rimekeep.stock.core import gs1
from rimekeep.tracing.epcis.core import names
from rimekeep.tracing.epcis.core.asked import read_query
from rimekeep.tracing.epcis.core.checking import DEEPEST, faults_of, read_document
from rimekeep.tracing.epcis.core.keys import Form, digest, keys_of, shown
from rimekeep.tracing.epcis.core.mapping import TOLD, events_of
from rimekeep.tracing.epcis.core.names import House
from rimekeep.tracing.epcis.core.records import Cases, Fact, Temperature

AT = datetime(2026, 3, 16, 5, 0, 0, 250_000, tzinfo=UTC)
NORTH = House("NORTH", "9521234", "9521234000013")
NAMELESS = House("NORTH", "9521234")
SSCC, FROM = "095212340000000013", gs1.sscc(3, "9521234", 777)
LOT = "https://id.gs1.org/01/19521234000010/10/L2603A"


def fact(kind: str, **changed: Any) -> Fact:
    facts: dict[str, Any] = {
        "seq": 7, "event_id": "6f2b8c1e-8a54-4c1f-9e63-0c8f7f2d4b11", "kind": kind, "at": AT, "offset": "+01:00",
        "sscc": None if kind.startswith("lot.") else SSCC, "contents": (Cases(LOT, 48),), "zone": "COLD", "bay": "B1-03",
        "data": {"from_sscc": FROM, "cases_after": 45, "order": "SO 7/8", "customer": "INN", "trip_id": 3, "is_new": True},
    }  # fmt: skip
    if kind in ("unit.loaded", "unit.temperature-taken"):
        facts["temperature"] = Temperature(3.4, "P 1", AT)
    return Fact(**{**facts, **changed})


def faults(told: Any) -> list[Fault]:
    """What is wrong with a document, or with any event of it."""
    try:
        return [fault for one in read_document(json.dumps(told).encode()) for fault in faults_of(one)]
    except Malformed as error:
        return list(error.faults)


@pytest.mark.parametrize("record", records("gs1_digital_link", "urn"), ids=by_id)
def test_a_urn_and_a_digital_link_of_one_thing_are_one_name(record: dict[str, Any]) -> None:
    uris = [
        value
        for value in (*record["inputs"].values(), *record["expected"].values())
        if isinstance(value, str)
    ]
    urns = [uri for uri in uris if uri.startswith("urn:epc:")]
    links = [uri for uri in uris if uri.startswith("https://id.gs1.org/")]
    for urn in urns:
        for link in links:
            assert names.canonical(urn) == names.canonical(link) == link
            prefix = urn.split(":")[4].split(".")[0]
            assert names.as_urn(link, prefix) == urn


@pytest.mark.parametrize(
    ("urn", "link"),
    [
        # The SGLN of the EPCIS 2.0 examples; GLN 0614141073467 (check digit by the General Specifications' rule).
        ("urn:epc:id:sgln:0614141.07346.1234", "https://id.gs1.org/414/0614141073467/254/1234"),
        ("urn:epc:id:sgln:9521234.00001.0", "https://id.gs1.org/414/9521234000013"),
        ("urn:epc:id:sgln:9521234.00001.B1-03%2F2", "https://id.gs1.org/414/9521234000013/254/B1-03%2F2"),
    ],
)
def test_a_place_has_one_name_in_both_forms(urn: str, link: str) -> None:
    assert names.canonical(urn) == names.canonical(link) == link
    assert names.as_urn(link, urn.split(":")[4].split(".")[0]) == urn


STARTS = [
    "urn:epc:id:sgln:",
    "urn:epc:id:sscc:",
    "urn:epc:class:lgtin:9521234.",
    "https://id.gs1.org/414/",
    "",
    "http://[",
]


@settings(max_examples=100)
@given(st.tuples(st.sampled_from(STARTS), st.text("0123456789./:%Aé ", max_size=30)).map("".join))
def test_a_name_stays_one_name_however_often_it_is_made_canonical(name: str) -> None:
    once = names.canonical(name)
    assert names.canonical(once) == once


def test_a_key_of_another_company_is_never_cut_at_our_prefix() -> None:
    link = "https://id.gs1.org/00/106141412345678908"
    assert names.as_urn(link, "9521234") == link


def told_events() -> list[dict[str, Any]]:
    """Every kind of fact that is told, by a house with a GLN and by one without, in every form."""
    made = []
    for house in (NORTH, NAMELESS):
        for kind in sorted(TOLD):
            for found in events_of(house, fact(kind)):
                made += [shown(found, AT, house, form, is_own=True) for form in Form]
    return made


def test_every_kind_of_fact_is_told_by_the_standard_s_rules() -> None:
    assert len(told_events()) > 2 * len(TOLD) * len(Form)
    for told in told_events():
        assert faults_of(told) == [], told


def test_every_kind_of_fact_is_valid_by_the_standard_s_own_schema() -> None:
    schema = standard_schema()
    for told in told_events():
        assert list(schema.iter_errors(document(told))) == [], told


def test_a_picked_case_is_unpacked_from_one_pallet_and_packed_on_the_other() -> None:
    off, onto = events_of(NORTH, fact("cases.picked"))
    assert (off["action"], off["bizStep"], off["parentID"]) == ("DELETE", "unpacking", names.pallet(FROM))
    assert (onto["action"], onto["bizStep"], onto["parentID"]) == ("ADD", "packing", names.pallet(SSCC))
    assert off["childQuantityList"] == onto["childQuantityList"] == [{"epcClass": LOT, "quantity": 48}]
    assert onto["eventID"] == "urn:uuid:6f2b8c1e-8a54-4c1f-9e63-0c8f7f2d4b11" != off["eventID"]


def test_destroyed_cases_leave_their_pallet_and_then_the_world() -> None:
    off, gone = events_of(NORTH, fact("cases.destroyed"))
    assert (off["action"], off["parentID"]) == ("DELETE", names.pallet(SSCC))
    assert (gone["action"], gone["bizStep"], gone["disposition"]) == ("DELETE", "destroying", "destroyed")
    assert "epcList" not in gone
    assert gone["quantityList"] == off["childQuantityList"] == [{"epcClass": LOT, "quantity": 48}]


def test_a_departure_names_pallet_lot_order_despatch_and_customer() -> None:
    (told,) = events_of(NORTH, fact("unit.departed"))
    assert told == {
        "type": "ObjectEvent",
        "eventID": "urn:uuid:6f2b8c1e-8a54-4c1f-9e63-0c8f7f2d4b11",
        "eventTime": "2026-03-16T05:00:00.250000Z",
        "eventTimeZoneOffset": "+01:00",
        "epcList": ["https://id.gs1.org/00/095212340000000013"],
        "quantityList": [{"epcClass": LOT, "quantity": 48}],
        "action": "OBSERVE",
        "bizStep": "shipping",
        "disposition": "in_transit",
        "readPoint": {"id": "https://id.gs1.org/414/9521234000013"},
        "bizTransactionList": [
            {"type": "po", "bizTransaction": "urn:epcglobal:cbv:bt:9521234000013:SO%207%2F8"},
            {"type": "desadv", "bizTransaction": "urn:epcglobal:cbv:bt:9521234000013:trip-3"},
        ],
        "destinationList": [{"type": "owning_party", "destination": "urn:x-rimekeep:NORTH:customer:INN"}],
    }
    as_urns = shown(told, AT, NORTH, Form.URN, is_own=True)
    assert as_urns["epcList"] == ["urn:epc:id:sscc:9521234.0000000001"]
    assert as_urns["quantityList"][0]["epcClass"] == "urn:epc:class:lgtin:9521234.100001.L2603A"
    assert as_urns["readPoint"] == {"id": "urn:epc:id:sgln:9521234.00001.0"}


@pytest.mark.parametrize("kind", ["cases.refused", "unit.taken-back"])
def test_what_comes_from_a_customer_is_not_told_as_going_there(kind: str) -> None:
    for told in events_of(NORTH, fact(kind)):
        assert "destinationList" not in told
        assert len(told["bizTransactionList"]) == 2


def test_what_a_customer_refuses_does_not_stand_in_the_store() -> None:
    """bizLocation is where things are from then on; they are on the truck, at the customer's."""
    for told in events_of(NORTH, fact("cases.refused", zone=None, bay=None)):
        assert "bizLocation" not in told
        assert "readPoint" not in told


def test_the_temperature_at_loading_goes_with_the_pallet() -> None:
    (told,) = events_of(NORTH, fact("unit.loaded"))
    (report,) = told["sensorElementList"][0]["sensorReport"]
    assert (report["type"], report["value"], report["uom"]) == ("Temperature", 3.4, "CEL")


def test_a_fact_about_nothing_is_not_told() -> None:
    assert events_of(NORTH, fact("unit.moved", sscc=None, contents=())) == []
    assert events_of(NORTH, fact("lot.registered", contents=(Cases(LOT, 0),))) == []


@pytest.mark.parametrize("record", records_of_documents(), ids=by_id)
def test_documents_are_judged_as_by_the_standard_s_schema(record: dict[str, Any]) -> None:
    assert (faults(record["inputs"]["document"]) == []) == record["expected"]["schema_valid"]


def test_the_standard_s_own_examples_are_believed() -> None:
    assert [faults(one) for one in examples()] == [[] for _ in examples()]


# What nobody should send, put in the place of anything.
ODD: list[Any] = [
    None, 1, -1.5, True, "", "x", "urn:x:y", "ADD", "shipping", "2026-01-01T00:00:00Z", "+25:00", [], {}, [{}], [1],
    ["urn:a:b", "urn:a:b"], {"id": "urn:x:y"}, "urn:epcglobal:cbv:bizstep:shipping", "https://ns.gs1.org/cbv/BizStep-x",
]  # fmt: skip


def places(part: Any) -> list[tuple[Any, Any]]:
    """Every place in a document: what it is in, and under which key."""
    keys = list(part) if isinstance(part, dict) else list(range(len(part))) if isinstance(part, list) else []
    return [place for key in keys for place in ((part, key), *places(part[key]))]


def broken(draw: Any, whole: dict[str, Any]) -> dict[str, Any]:
    made = deepcopy(whole)
    for _ in range(draw(st.integers(1, 3))):
        found = places(made["epcisBody"])
        if not found:
            break
        inside, key = draw(st.sampled_from(found))
        how = draw(st.sampled_from(["odd", "gone", "more"]))
        if how == "odd":
            inside[key] = deepcopy(draw(st.sampled_from(ODD)))
        elif how == "gone":
            del inside[key]
        elif isinstance(inside, dict):
            name = draw(st.sampled_from(["extra", "ex:tra", "action", "ilmd", "type"]))
            inside[name] = deepcopy(draw(st.sampled_from(ODD)))
    return made


@settings(max_examples=400)
@given(data=st.data())
def test_broken_documents_are_judged_as_by_the_standard_s_own_schema(data: st.DataObject) -> None:
    schema = standard_schema()
    made = broken(data.draw, data.draw(st.sampled_from([*examples(), *good_documents()])))
    assert (faults(made) == []) == schema.is_valid(made), (faults(made), made)


@settings(max_examples=150)
@given(data=st.data())
def test_whatever_is_in_a_document_is_judged_and_what_is_believed_can_be_stored(data: st.DataObject) -> None:
    made = broken(data.draw, data.draw(st.sampled_from(good_documents())))
    try:
        events = read_document(json.dumps(made).encode())
    except Malformed as error:
        events, refused = [], error.faults
    else:
        refused = ()
    assert all(fault.field and fault.detail and fault.mend for fault in refused)
    for one in events:
        found = faults_of(one)
        assert all(fault.field and fault.detail and fault.mend for fault in found)
        if not found:
            assert all(len(value.encode()) <= 1100 for _, value in keys_of(one))
            assert len(digest(one)) == 64
            assert all(faults_of(shown(one, AT, NORTH, form, is_own=False)) == [] for form in Form)


@settings(max_examples=150)
@given(
    st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass"))
)
def test_any_bytes_are_refused_with_a_reason(data: bytes) -> None:
    with pytest.raises(Malformed) as refused:
        read_document(data)
    assert refused.value.faults


HOSTILE = {
    "nested": b"[" * 200_000,
    "closed": b'{"a":' * 5_000 + b"1" + b"}" * 5_000,
    "deep": json.dumps(document(event(**{"ex:a": json.loads("[" * 50 + "]" * 50)}))).encode(),
    "digits": b'{"type": ' + b"9" * 10_000 + b"}",
    "endless": b'{"type": "ObjectEvent", "ex:a": 1e999}',
    "no number": b'{"type": "ObjectEvent", "ex:a": NaN}',
    "twice": b'{"type": "ObjectEvent", "type": "EPCISDocument"}',
    "half": b'{"type": "ObjectEvent", "ex:a": "\\ud800"}',
    "NUL": b'{"type": "ObjectEvent", "ex:a": "\\u0000"}',
    "UTF-16": '{"type": "ObjectEvent"}'.encode("utf-16"),
    "list": b"[]",
    "word": b'"EPCISDocument"',
    "nothing": b"",
    "other": b'{"type": "EPCISQueryDocument"}',
    "version": json.dumps(document(event(), schemaVersion="1.2")).encode(),
    "context": json.dumps(document(event(), **{"@context": [{"ex": "urn:ex:" + "x" * 5_000}]})).encode(),
    "many": json.dumps(document(*[{}] * 10_001)).encode(),
}


@pytest.mark.parametrize("what", sorted(HOSTILE))
def test_hostile_documents_are_refused_with_a_reason(what: str) -> None:
    with pytest.raises(Malformed) as refused:
        read_document(HOSTILE[what])
    assert all(fault.field and fault.detail and fault.mend for fault in refused.value.faults)
    assert DEEPEST < 50


def test_in_an_event_of_another_kind_names_of_the_standard_are_read_only_where_they_fit() -> None:
    """The standard's schema admits anything in an event of a kind of one's own."""
    good = "urn:epc:id:sscc:9521234.0000000001"
    odd: list[Any] = [
        5, "urn:x:y", [5], [{}], [{"epcClass": 5}], {"id": 5}, {}, None, ["x" * 5_000], {"id": "x" * 5_000},
    ]  # fmt: skip
    fields = (
        "epcList",
        "quantityList",
        "parentID",
        "bizTransactionList",
        "sourceList",
        "readPoint",
        "transformationID",
    )
    for value in odd:
        one = event(type="ex:poured") | {"childEPCs": [good], **dict.fromkeys(fields, value)}
        one |= {"action": value, "bizStep": value, "disposition": value}
        assert faults_of(one) == []
        assert ("epc", names.canonical(good)) in set(keys_of(one))
        assert all(len(name.encode()) <= 1100 for _, name in keys_of(one))
        assert all(shown(one, AT, NORTH, form, is_own=False)["epcList"] == value for form in Form)


def test_an_event_keeps_the_prefixes_its_document_gave_it() -> None:
    context = [
        "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
        {"ex": "https://example.org/"},
    ]
    (read,) = read_document(
        json.dumps(document(event(**{"ex:colour": "amber"}), **{"@context": context})).encode()
    )
    assert read["@context"] == [{"ex": "https://example.org/"}]
    assert faults_of(read) == []


@pytest.mark.parametrize(
    "asked",
    [
        [("MATCH_everything", "x")], [("", "")], [("GE_eventTime", "yesterday")], [("GE_eventTime", "2026-03-01")],
        [("perPage", "0")], [("perPage", "1001")], [("perPage", "ten")], [("orderBy", "bizStep")], [("orderDirection", "UP")],
        [("nextPageToken", "x")], [("nextPageToken", "W10")], [("eventType", "")], [("MATCH_epc", "urn:epc:idpat:sscc:9521234.*")],
        [("GE_eventTime", "2026-03-01T00:00:00Z"), ("GE_eventTime", "2026-03-02T00:00:00Z")], [("EQ_eventID", "a\x00b")],
    ],
)  # fmt: skip
def test_a_query_that_cannot_be_meant_is_refused_with_a_reason(asked: list[tuple[str, str]]) -> None:
    with pytest.raises(Malformed) as refused:
        read_query(asked)
    assert all(fault.field and fault.detail and fault.mend for fault in refused.value.faults)


@settings(max_examples=150)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["nextPageToken", "perPage", "GE_eventTime", "MATCH_anyEPC", "EQ_bizStep", "x"]),
            st.text(),
        )
    )
)
def test_any_query_is_read_or_refused(asked: list[tuple[str, str]]) -> None:
    try:
        read = read_query(asked)
    except Malformed as error:
        read, refused = None, error.faults
    else:
        refused = ()
    assert (read is None) == bool(refused)
