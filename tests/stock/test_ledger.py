"""Every act on stock is in the ledger, chained; the ledger itself lets nothing be changed."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import delete, select, update
from sqlalchemy.exc import DatabaseError
from sqlmodel import col

from rimekeep.errors import Invalid
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.stock import usecases


def test_every_kind_of_act_is_recorded_and_the_chain_holds(store: Any) -> None:
    zones = store.zones
    unit, content = store.pallet(20)
    store.act("move_unit", unit_id=unit, zone_id=zones["other"])
    for verb in ("hold_unit", "release_unit"):
        store.act(verb, unit_id=unit, reason="checked")
    for verb in ("hold_lot", "release_lot"):
        store.act(verb, lot_id=store.lot_id, reason="checked")
    store.act("adjust_cases", content_id=content, cases=19, reason="one broken")
    store.bare("reserve_cases", content, 19)
    built = store.act("build_unit", zone_id=zones["staging"]).id
    store.act("take_cases", content_id=content, cases=4, to_unit_id=built)
    store.act("pick_whole_unit", unit_id=unit, zone_id=zones["staging"])
    store.act("load_units", unit_ids=[unit, built], zone_id=zones["truck"])
    store.act("unload_units", unit_ids=[built], zone_id=zones["staging"])
    store.act("depart_units", unit_ids=[unit])
    store.act("reject_unit", unit_id=built, reason="dropped")
    store.act("reject_lot", lot_id=store.lot_id, reason="recalled")
    with store.database.transaction(readonly=True) as session:
        events = session.scalars(select(LedgerEvent).order_by(col(LedgerEvent.seq))).all()
    assert {event.kind for event in events} >= {
        "product.registered", "zone.registered", "lot.registered", "unit.received", "unit.moved", "unit.held",
        "unit.released", "unit.rejected", "lot.held", "lot.released", "lot.rejected", "cases.adjusted", "unit.built",
        "cases.picked", "unit.picked", "unit.loaded", "unit.unloaded", "unit.departed",
    }  # fmt: skip
    assert store.disagreements() == []


def test_a_refused_act_leaves_no_trace(store: Any) -> None:
    unit, content = store.pallet(20)

    def count() -> int:
        with store.database.transaction(readonly=True) as session:
            return len(session.scalars(select(col(LedgerEvent.seq))).all())

    def move_and_miscount() -> None:
        with store.database.transaction() as session:
            usecases.move_unit(session, store.now, store.caller, unit_id=unit, zone_id=store.zones["other"])
            usecases.adjust_cases(
                session, store.now, store.caller, content_id=content, cases=-1, reason="slip"
            )

    before = count()
    with pytest.raises(Invalid):
        move_and_miscount()
    assert count() == before
    assert store.unit(unit).zone_code == "cold"
    assert store.disagreements() == []


def test_the_database_refuses_to_edit_or_remove_what_happened(store: Any) -> None:
    store.pallet()
    for statement in (
        update(LedgerEvent).where(col(LedgerEvent.kind) == "unit.received").values(cases=47),
        delete(LedgerEvent).where(col(LedgerEvent.kind) == "unit.received"),
    ):
        with pytest.raises(DatabaseError, match="append-only"), store.database.transaction() as session:
            session.execute(statement)
    with store.database.transaction(readonly=True) as session:
        assert list(broken_links(session, store.caller.site_id)) == []
