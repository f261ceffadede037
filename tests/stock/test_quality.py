"""QA's word: what it stops, who may speak it, and that it stays on record; counts that differ."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select
from sqlmodel import col

from builders import stock as make
from builders.api import Api
from rimekeep.errors import Conflict, Invalid, Missing, Refused
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries
from rimekeep.stock.usecases import hold_units

WHY = {"reason": "haze in the retained sample"}


@pytest.fixture
def unit(api: Api, database: Any, clock: Any) -> dict[str, Any]:
    with database.transaction() as session:
        made = make.make_unit(session, clock.now, api.callers["lead"])
        return {"sscc": made.sscc, "lot_id": queries.unit_view(session, made).contents[0].lot_id}


def test_a_lot_is_held_released_and_rejected_for_good(api: Api, unit: dict[str, Any]) -> None:
    path, qa = f"/v1/lots/{unit['lot_id']}", api.as_("qa")
    held = qa.made(f"{path}/hold", WHY)
    assert (held["qa_state"], held["qa_reason"]) == ("held", WHY["reason"])
    qa.refused(f"{path}/hold", WHY, 409, "qa-state")
    assert qa.made(f"{path}/release", WHY)["qa_state"] == "released"
    assert qa.made(f"{path}/reject", WHY)["qa_state"] == "rejected"
    for word in ("hold", "release", "reject"):
        qa.refused(f"{path}/{word}", WHY, 409, "rejected-is-final")


def test_a_unit_is_held_released_and_rejected_for_good(api: Api, unit: dict[str, Any]) -> None:
    path, qa = f"/v1/units/{unit['sscc']}", api.as_("qa")
    assert qa.made(f"{path}/hold", WHY)["qa_state"] == "held"
    qa.refused(f"{path}/hold", WHY, 409, "qa-state")
    assert qa.made(f"{path}/release", WHY)["qa_state"] == "released"
    assert qa.made(f"{path}/reject", WHY)["qa_reason"] == WHY["reason"]
    qa.refused(f"{path}/release", WHY, 409, "rejected-is-final")


def test_the_lead_may_stop_but_only_qa_may_let_go(api: Api, unit: dict[str, Any]) -> None:
    lead, path = api.as_("lead"), f"/v1/lots/{unit['lot_id']}"
    lead.made(f"{path}/hold", WHY)
    assert lead.post(f"{path}/release", WHY).status_code == 403
    assert lead.post(f"{path}/reject", WHY).status_code == 403
    assert api.as_("picker").post(f"/v1/units/{unit['sscc']}/hold", WHY).status_code == 403


def test_qa_gives_a_reason(api: Api, unit: dict[str, Any]) -> None:
    for reason in ("", "  x  ", None):
        problem = api.refused(f"/v1/lots/{unit['lot_id']}/hold", {"reason": reason}, 422, "invalid-input")
        assert problem["errors"][0]["field"] == "reason"


def test_qas_word_is_in_the_ledger_with_who_and_why(api: Api, unit: dict[str, Any], database: Any) -> None:
    api.as_("qa").made(f"/v1/lots/{unit['lot_id']}/hold", WHY)
    with database.transaction(readonly=True) as session:
        event = session.scalars(select(LedgerEvent).where(col(LedgerEvent.kind) == "lot.held")).one()
    assert (event.lot_id, event.actor_id, event.reason) == (
        unit["lot_id"],
        api.callers["qa"].id,
        WHY["reason"],
    )
    assert event.data["before"] == "released"


def test_many_units_are_held_at_once_and_only_those_that_can_be(store: Any) -> None:
    (first, _), (second, _), (empty, content) = store.pallet(), store.pallet(), store.pallet(5)
    store.act("hold_unit", unit_id=second, reason="was warm before")
    store.act("adjust_cases", content_id=content, cases=0, reason="all broken")
    with store.database.transaction() as session:
        held = hold_units(
            session, store.now, store.caller.site_id, unit_ids=[first, second, empty, 999], reason="too warm"
        )
    assert held == [first]
    assert store.unit(first).qa_reason == "too warm"
    assert store.unit(second).qa_reason == "was warm before"
    assert store.disagreements() == []


def test_a_count_sets_the_cases_and_the_change_is_on_record(
    api: Api, unit: dict[str, Any], database: Any
) -> None:
    path = f"/v1/units/{unit['sscc']}"
    content = api.ok("GET", path)["contents"][0]
    count = {"content_id": content["id"], "cases": 45, "was_cases": 48, "reason": "three cases broken"}
    assert api.as_("lead").made(f"{path}/adjust", count)["contents"][0]["cases"] == 45
    problem = api.refused(f"{path}/adjust", {**count, "cases": 44}, 409, "count-outdated")
    assert problem["data"] == {"cases": 45}
    with database.transaction(readonly=True) as session:
        event = session.scalars(select(LedgerEvent).where(col(LedgerEvent.kind) == "cases.adjusted")).one()
    assert (event.cases, event.reason, event.lot_id) == (-3, "three cases broken", unit["lot_id"])


def test_counts_that_cannot_be_are_refused(api: Api, unit: dict[str, Any], database: Any, clock: Any) -> None:
    path = f"/v1/units/{unit['sscc']}"
    content = api.ok("GET", path)["contents"][0]["id"]
    good = {"content_id": content, "cases": 45, "reason": "counted twice"}
    with database.transaction() as session:
        other = make.make_unit(session, clock.now, api.callers["lead"]).sscc
    for changes, status in (
        ({"cases": -1}, 422),
        ({"cases": 4.5}, 422),
        ({"content_id": 999}, 404),
        ({"reason": "x"}, 422),
    ):
        assert api.post(f"{path}/adjust", {**good, **changes}).status_code == status, changes
    assert (
        api.refused(f"/v1/units/{other}/adjust", good, 422, "invalid-input")["errors"][0]["field"]
        == "content_id"
    )
    assert api.ok("GET", path)["contents"][0]["cases"] == 48


def test_a_count_never_goes_below_what_is_reserved(store: Any) -> None:
    _, content = store.pallet(48)
    store.bare("reserve_cases", content, 20)
    with pytest.raises(Refused) as caught:
        store.act("adjust_cases", content_id=content, cases=19, reason="counted")
    assert (caught.value.code, caught.value.data["reserved_cases"]) == ("below-reserved", 20)
    assert store.act("adjust_cases", content_id=content, cases=20, reason="counted").cases == 20


def test_a_unit_counted_empty_is_out_of_qas_reach_until_it_is_found_again(store: Any) -> None:
    unit, content = store.pallet(5)
    store.act("adjust_cases", content_id=content, cases=0, reason="all broken")
    assert store.unit(unit).state == "empty"
    for verb, facts in (
        ("hold_unit", {"unit_id": unit, "reason": "late"}),
        ("move_unit", {"unit_id": unit, "zone_id": store.zones["other"]}),
    ):
        with pytest.raises(Refused):
            store.act(verb, **facts)
    assert store.disagreements() == []
    store.act("adjust_cases", content_id=content, cases=5, reason="found again")
    assert (store.unit(unit).state, store.contents(unit)[0].cases) == ("in_store", 5)
    store.act("hold_unit", unit_id=unit, reason="late")
    assert store.disagreements() == []


def test_use_cases_themselves_want_reasons_and_things_of_this_site(store: Any) -> None:
    with pytest.raises(Invalid):
        store.act("hold_lot", lot_id=store.lot_id, reason="  ")
    for verb, key in (("hold_lot", "lot_id"), ("hold_unit", "unit_id")):
        with pytest.raises(Missing):
            store.act(verb, reason="not there", **{key: 999})
    with pytest.raises(Conflict):
        store.act("release_lot", lot_id=store.lot_id, reason="is released already")
