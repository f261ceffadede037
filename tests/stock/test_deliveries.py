"""Units leave a vehicle for good, or come back: their stays follow without a gap."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from rimekeep.errors import Invalid, Missing, Refused
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries


def on_the_road(store: Any) -> tuple[int, int]:
    """A pallet that was picked, loaded and sent off; the store's clock is an hour later."""
    unit_id, content_id = store.pallet()
    store.bare("reserve_cases", content_id, 48)
    store.act("pick_whole_unit", unit_id=unit_id, zone_id=store.zones["staging"])
    store.act("load_units", unit_ids=[unit_id], zone_id=store.zones["truck"])
    store.act("depart_units", unit_ids=[unit_id])
    store.now += timedelta(hours=1)
    return unit_id, content_id


def legs(store: Any, content_id: int) -> Any:
    return store.read(queries.paths, [content_id])[content_id]


def test_a_delivered_unit_s_way_ends_when_it_was_handed_over(store: Any) -> None:
    unit_id, content_id = on_the_road(store)
    at = store.now - timedelta(minutes=20)
    facts = {unit_id: {"customer": "INN", "trip_id": 3}}
    store.act("deliver_units", unit_ids=[unit_id], at=at, facts=facts)
    last = legs(store, content_id)[-1]
    assert (last.zone_id, last.left_at) == (store.zones["truck"], at)
    assert store.unit(unit_id).state == "departed"
    assert store.disagreements() == []
    with store.database.transaction(readonly=True) as session:
        found = [
            (row.at, row.cases, row.data["customer"])
            for row in session.query(LedgerEvent).filter(LedgerEvent.kind == "unit.delivered")
        ]
        changed = {unit for _, unit in queries.changed_units(session, store.caller.site_id)}
    assert found == [(at, 48, "INN")]
    assert unit_id in changed


def test_a_unit_taken_back_stands_in_the_store_from_that_moment_and_may_be_promised(store: Any) -> None:
    unit_id, content_id = on_the_road(store)
    store.act("take_back_units", unit_ids=[unit_id], zone_id=store.zones["other"], at=store.now, facts={})
    before, after = legs(store, content_id)[-2:]
    assert (before.zone_id, before.left_at) == (store.zones["truck"], store.now)
    assert (after.zone_id, after.entered_at, after.left_at) == (store.zones["other"], store.now, None)
    unit = store.unit(unit_id)
    assert (unit.state, unit.zone_code, unit.contents[0].reserved_cases) == ("in_store", "other", 0)
    assert [one.free_cases for one in store.read(queries.pickable, None)] == [48]
    assert store.disagreements() == []


def test_what_is_not_on_the_road_is_neither_delivered_nor_taken_back(store: Any) -> None:
    unit_id, _ = store.pallet()
    with pytest.raises(Refused, match="not on the road"):
        store.act("deliver_units", unit_ids=[unit_id], at=store.now, facts={})
    with pytest.raises(Refused, match="not on the road"):
        store.act("take_back_units", unit_ids=[unit_id], zone_id=store.zones["cold"], at=store.now, facts={})
    with pytest.raises(Missing):
        store.act("deliver_units", unit_ids=[2**40], at=store.now, facts={})


def test_a_time_that_cannot_be_is_refused_and_nothing_changes(store: Any) -> None:
    unit_id, content_id = on_the_road(store)
    before = legs(store, content_id)
    for at in (store.now + timedelta(minutes=1), store.now - timedelta(hours=2)):
        with pytest.raises(Invalid, match=r"^The input cannot be used as it is\. at: "):
            store.act("deliver_units", unit_ids=[unit_id], at=at, facts={})
    with pytest.raises(Invalid, match="load space"):
        store.act("take_back_units", unit_ids=[unit_id], zone_id=store.zones["truck"], at=store.now, facts={})
    assert legs(store, content_id) == before


def test_a_stay_ended_by_the_next_load_is_only_ever_shortened(store: Any) -> None:
    unit_id, content_id = on_the_road(store)
    other, other_content = store.pallet()
    store.bare("reserve_cases", other_content, 48)
    store.act("pick_whole_unit", unit_id=other, zone_id=store.zones["staging"])
    store.act("load_units", unit_ids=[other], zone_id=store.zones["truck"])
    reloaded = store.now
    assert legs(store, content_id)[-1].left_at == reloaded
    store.now += timedelta(hours=1)
    with pytest.raises(Invalid, match="loaded anew"):
        store.act("deliver_units", unit_ids=[unit_id], at=store.now, facts={})
    at = reloaded - timedelta(minutes=30)
    store.act("deliver_units", unit_ids=[unit_id], at=at, facts={})
    assert legs(store, content_id)[-1].left_at == at
    assert store.disagreements() == []
