"""QA's word on each lot: signed, applied to the units it is about, kept for ever, and the end of the matter."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.room import NOW, START, Room, add_rule, lot_of, pallet, warm
from rimekeep.excursions import usecases
from rimekeep.excursions.tables import Excursion, ExcursionDecision
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.shelflife import usecases as shelflife
from rimekeep.shelflife.queries import expires_on_by_content
from rimekeep.stock import usecases as stock
from rimekeep.stock.tables import Lot, Unit, UnitContent


class Failed:
    """An excursion that is over and stopped some pallets."""

    def __init__(self, room: Room, database: Database, api: Api) -> None:
        self.room, self.database, self.api = room, database, api
        self.key = 0

    def happen(self, session: Session, **overrides: Any) -> None:
        add_rule(session, self.room, holds_stock=True, **overrides)
        warm(session, self.room, hours=2)
        shelflife.refresh_life(session, NOW, self.room.site_id)
        self.key = usecases.check_site(session, NOW, self.room.site_id).opened[0].id
        # Holding many at once leaves what is loaded to be read again.
        for one in list(session):
            session.refresh(one)

    @property
    def path(self) -> str:
        return f"/v1/excursions/{self.key}"

    def body(self, lot: Lot, decision: str = "release", **changed: Any) -> dict[str, Any]:
        token = self.api.tokens["qa"]
        return {
            "lot_id": lot.id,
            "decision": decision,
            "reason": "tasted, fit to sell",
            "signature_token": token,
            **changed,
        }

    def decide(self, lot: Lot, decision: str = "release", **changed: Any) -> dict[str, Any]:
        made: dict[str, Any] = self.api.as_("qa").made(
            f"{self.path}/decisions", self.body(lot, decision, **changed)
        )
        return made

    def refused(self, body: dict[str, Any], status: int, code: str, role: str = "qa") -> dict[str, Any]:
        return self.api.as_(role).refused(f"{self.path}/decisions", body, status, code)

    def shown(self) -> dict[str, Any]:
        found: dict[str, Any] = self.api.as_("qa").ok("GET", self.path)
        return found

    def states(self, *units: Unit) -> list[str]:
        with self.database.transaction(readonly=True) as session:
            return [session.get_one(Unit, unit.id).qa_state for unit in units]


@pytest.fixture
def failed(room: Room, database: Database, api: Api) -> Failed:
    """To be filled with stock, then to happen."""
    return Failed(room, database, api)


def test_release_lets_the_lot_s_held_units_go_and_no_others(failed: Failed) -> None:
    with failed.database.transaction() as session:
        mine, other = lot_of(session, failed.room), lot_of(session, failed.room)
        first, second, foreign = (pallet(session, failed.room, lot) for lot in (mine, mine, other))
        failed.happen(session)
    assert failed.states(first, second, foreign) == ["held"] * 3
    done = failed.decide(mine)
    assert failed.states(first, second, foreign) == ["released", "released", "held"]
    assert (done["decision"]["units"], done["left_on_hold"]) == (2, [])
    assert done["decision"]["decided_by_name"] == "the qa"


def test_rejection_stops_the_lot_s_units_for_good(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        failed.happen(session)
    assert failed.decide(lot, "reject", reason="core was at 14 °C")["decision"]["units"] == 1
    assert failed.states(unit) == ["rejected"]
    problem = failed.refused(failed.body(lot), 409, "rejected-is-final")
    assert problem["errors"][0]["mend"]


def test_shortened_date_is_the_lot_s_own_from_then_on_and_never_longer(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        failed.happen(session)
    before_on, new_on = lot.best_before_on, lot.best_before_on - timedelta(days=170)
    for wrong in (before_on, before_on + timedelta(days=1)):
        body = failed.body(lot, "shorten date", best_before_on=str(wrong))
        assert failed.refused(body, 409, "date-not-shortened")["data"] == {"best_before_on": str(before_on)}
    done = failed.decide(lot, "shorten date", best_before_on=str(new_on))
    decision = done["decision"]
    assert (decision["best_before_on"], decision["best_before_was_on"]) == (str(new_on), str(before_on))
    assert failed.states(unit) == ["released"]
    with failed.database.transaction() as session:
        assert session.get_one(Lot, lot.id).best_before_on == new_on
        event = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "lot.date-shortened")).one()
        assert (event.lot_id, event.data["before"], event.data["after"]) == (
            lot.id,
            str(before_on),
            str(new_on),
        )
        content_id = session.scalars(select(UnitContent.id).where(UnitContent.unit_id == unit.id)).one()
        # What picking goes by has it at once.
        assert expires_on_by_content(session, failed.room.site_id, [content_id])[content_id] == new_on


def test_every_word_stays_on_record_and_the_newest_stands(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        failed.happen(session)
    failed.decide(lot, reason="looks fine")
    failed.refused(failed.body(lot), 409, "decided")
    failed.decide(lot, "reject", reason="forced sample failed")
    assert failed.states(unit) == ["rejected"]
    (shown,) = failed.shown()["lots"]
    assert [(one["decision"], one["reason"], one["is_standing"]) for one in shown["decisions"]] == [
        ("release", "looks fine", False),
        ("reject", "forced sample failed", True),
    ]


def test_pallet_of_two_lots_waits_for_both(failed: Failed) -> None:
    with failed.database.transaction() as session:
        one, other = lot_of(session, failed.room), lot_of(session, failed.room)
        both = pallet(session, failed.room, contents=[(one.id, 10), (other.id, 12)])
        failed.happen(session)
    assert failed.decide(one)["left_on_hold"] == [both.sscc]
    assert failed.states(both) == ["held"]
    assert failed.decide(other)["left_on_hold"] == []
    assert failed.states(both) == ["released"]


def test_pallet_of_a_good_and_a_bad_lot_is_left_to_be_sorted(failed: Failed) -> None:
    with failed.database.transaction() as session:
        good, bad = lot_of(session, failed.room), lot_of(session, failed.room)
        both = pallet(session, failed.room, contents=[(good.id, 10), (bad.id, 12)])
        failed.happen(session)
        usecases.acknowledge(session, NOW, failed.room.caller, excursion_id=failed.key)
    failed.decide(good)
    done = failed.decide(bad, "reject")
    assert failed.states(both) == ["held"]
    assert done["left_on_hold"] == [both.sscc]
    assert len(done["open_points"]) == 1
    assert both.sscc in done["open_points"][0]
    with failed.database.transaction() as session:
        stock.reject_unit(session, NOW, failed.room.caller, unit_id=both.id, reason="not worth sorting")
    assert failed.shown()["is_closed"] is True


def test_unit_held_for_another_reason_stays_on_hold(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        before, after, free = (pallet(session, failed.room, lot) for _ in range(3))
        stock.hold_unit(session, NOW, failed.room.caller, unit_id=before.id, reason="leaking keg on top")
        failed.happen(session)
        stock.release_unit(session, NOW, failed.room.caller, unit_id=after.id, reason="mixed up")
        stock.hold_unit(session, NOW, failed.room.caller, unit_id=after.id, reason="seal broken")
    assert failed.decide(lot)["decision"]["units"] == 1
    assert failed.states(before, after, free) == ["held", "held", "released"]


def test_unit_that_two_excursions_stopped_waits_for_both(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        add_rule(session, failed.room, holds_stock=True, limit_c=10.0)
        failed.happen(session)
        keys = list(session.scalars(select(Excursion.id).order_by(Excursion.id)))
    assert len(keys) == 2
    failed.key = keys[0]
    assert failed.decide(lot)["left_on_hold"] == [unit.sscc]
    assert failed.states(unit) == ["held"]
    failed.key = keys[1]
    assert failed.decide(lot)["left_on_hold"] == []
    assert failed.states(unit) == ["released"]


def test_closed_when_over_acknowledged_and_every_held_lot_is_decided(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lots = [lot_of(session, failed.room) for _ in range(2)]
        for lot in lots:
            pallet(session, failed.room, lot)
        failed.happen(session)
    shown = failed.shown()
    assert (shown["is_closed"], len(shown["open_points"])) == (False, 3)
    failed.api.as_("qa").made(f"{failed.path}/acknowledge", {})
    failed.decide(lots[0])
    (left,) = failed.shown()["open_points"]
    assert lots[1].code in left
    assert failed.decide(lots[1], "reject")["open_points"] == []
    assert failed.shown()["is_closed"] is True


def test_what_was_signed_is_stored_with_its_hash_and_recorded(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        pallet(session, failed.room, lot)
        failed.happen(session)
    decision = failed.decide(lot)["decision"]
    with failed.database.transaction(readonly=True) as session:
        row = session.scalars(select(ExcursionDecision)).one()
        assert hashlib.sha256(row.signed.encode()).hexdigest() == row.sha256 == decision["sha256"]
        signed = json.loads(row.signed)
        assert row.signed == json.dumps(signed, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert (signed["decision"]["word"], signed["decision"]["lot"]) == ("release", lot.code)
        assert signed["excursion"]["excursion_id"] == failed.key
        assert signed["excursion"]["peak_c"] == 15.0
        assert signed["signed_by"] == {"id": failed.room.caller.id, "name": "the qa"}
        event = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "excursion.decided")).one()
        assert (event.lot_id, event.reason, event.data["sha256"]) == (
            lot.id,
            "tasted, fit to sell",
            row.sha256,
        )
        # The token itself is nowhere.
        token = failed.api.tokens["qa"]
        assert token not in row.signed
        kept = json.dumps([one.data for one in session.scalars(select(LedgerEvent))])
        assert token not in kept


def test_signature_of_somebody_else_decides_nothing(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        failed.happen(session)
    for token in (failed.api.tokens["lead"], failed.api.tokens["admin"], "rk_nobody", "x"):
        failed.refused(failed.body(lot, signature_token=token), 403, "signature-not-confirmed")
    assert failed.states(unit) == ["held"]
    with failed.database.transaction(readonly=True) as session:
        assert session.scalar(select(func.count()).select_from(ExcursionDecision)) == 0
    assert failed.api.as_("lead").post(f"{failed.path}/decisions", failed.body(lot)).status_code == 403


def test_decisions_nobody_can_mean_are_refused_with_the_mend(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot, elsewhere = lot_of(session, failed.room), lot_of(session, failed.room)
        pallet(session, failed.room, lot)
        failed.happen(session)
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"decision": "shrug"}, "decision"),
        ({"decision": "shorten date"}, "best_before_on"),
        ({"best_before_on": "2026-06-01"}, "best_before_on"),
        ({"decision": "shorten date", "best_before_on": "soon"}, "best_before_on"),
        ({"decision": "shorten date", "best_before_on": "2020-01-01"}, "best_before_on"),
        ({"reason": ""}, "reason"),
        ({"lot_id": elsewhere.id}, "lot_id"),
        ({"lot_id": 2**62}, "lot_id"),
        ({"lot_id": 0}, "lot_id"),
        ({"signature_token": ""}, "signature_token"),
        ({"colour": "red"}, "colour"),
    ]
    for change, field in wrong:
        problem = failed.refused(failed.body(lot, **{"decision": "release", **change}), 422, "invalid-input")
        assert problem["errors"][0]["field"] == field
        assert problem["errors"][0]["mend"]
    failed.key = 10**9
    failed.refused(failed.body(lot), 404, "excursion-not-found")


def test_record_says_what_each_lot_lost_and_when_it_ends_now_and_without(failed: Failed) -> None:
    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        for hours in (1, 11):
            pallet(session, failed.room, lot, received_at=START + timedelta(hours=hours))
        failed.happen(session)
    shown = failed.shown()
    (lot_shown,) = shown["lots"]
    worst = max(one["life_lost_days"] for one in shown["touched"])
    assert (lot_shown["units"], lot_shown["cases"], lot_shown["held_units"]) == (2, 96, 2)
    assert lot_shown["worst_life_lost_days"] == worst > 0
    assert lot_shown["expires_at"] == min(one["expires_at"] for one in shown["touched"])
    assert lot_shown["cautious_at"] == min(one["cautious_at"] for one in shown["touched"])
    # Here the label ends it, which warmth does not move.
    assert lot_shown["expires_before_at"] == lot_shown["expires_at"]


def test_decisions_at_once_leave_one_standing(failed: Failed) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with failed.database.transaction() as session:
        lot = lot_of(session, failed.room)
        unit = pallet(session, failed.room, lot)
        failed.happen(session)
    address = f"{failed.path}/decisions"
    with ThreadPoolExecutor(4) as pool:
        answers = list(
            pool.map(lambda _: failed.api.as_("qa").post(address, failed.body(lot)).status_code, range(4))
        )
    assert sorted(answers) == [201, 409, 409, 409]
    assert failed.states(unit) == ["released"]


def test_units_stopped_after_a_decision_want_another(room: Room, database: Database, api: Api) -> None:
    failed = Failed(room, database, api)
    told_at = START + timedelta(hours=10, minutes=40)
    with database.transaction() as session:
        lot = lot_of(session, room)
        first = pallet(session, room, lot)
        add_rule(session, room, holds_stock=True)
        warm(session, room, hours=99, until=told_at)
        failed.key = usecases.check_site(session, told_at, room.site_id).opened[0].id
        session.refresh(first)
    failed.decide(lot)
    with database.transaction() as session:
        second = pallet(session, room, lot, received_at=told_at + timedelta(minutes=1))
        usecases.check_site(session, told_at + timedelta(minutes=5), room.site_id)
        session.refresh(second)
    assert failed.states(first, second) == ["released", "held"]
    assert any("after QA decided" in point for point in failed.shown()["open_points"])
    failed.decide(lot)
    assert failed.states(first, second) == ["released", "released"]
