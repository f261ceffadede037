"""Cases are promised once, taken as promised, loaded and sent off; what QA holds stays where it is."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from builders import stock as make
from rimekeep.errors import Conflict, Invalid, Missing, Refused, RimekeepError
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries, usecases
from rimekeep.stock.tables import Lot, UnitContent


def code_of(error: pytest.ExceptionInfo[RimekeepError]) -> str:
    return error.value.code


def test_only_free_cases_are_promised(store: Any) -> None:
    _, content = store.pallet(48)
    store.bare("reserve_cases", content, 40)
    with pytest.raises(Conflict) as caught:
        store.bare("reserve_cases", content, 9)
    assert (code_of(caught), caught.value.data["free_cases"]) == ("stock-taken", 8)
    store.bare("return_cases", content, 10)
    store.bare("reserve_cases", content, 18)
    with pytest.raises(Conflict, match="Fewer than 49"):
        store.bare("return_cases", content, 49)
    with pytest.raises(Missing):
        store.bare("reserve_cases", 999, 1)
    for cases in (0, -1, True):
        with pytest.raises(Invalid):
            store.bare("reserve_cases", content, cases)


def test_many_are_promised_together_or_not_at_all(store: Any) -> None:
    (_, first), (_, second) = store.pallet(10), store.pallet(10)
    with pytest.raises(Conflict):
        store.bare("reserve_many", {second: 5, first: 11})
    assert {row.free_cases for row in store.read(queries.pickable, None)} == {10}
    store.bare("reserve_many", {second: 5, first: 10})
    assert [(row.content_id, row.free_cases) for row in store.read(queries.pickable, None)] == [(second, 5)]
    with pytest.raises(Missing):
        store.bare("reserve_many", {second: 1, 999: 1})


def test_however_many_clients_reserve_nothing_is_oversold_and_nothing_lost(store: Any) -> None:
    """64 clients after 100 cases on two pallets: exactly the cases that were there are promised."""
    contents = [store.pallet(50)[1], store.pallet(50)[1]]

    def client(number: int) -> int:
        chooser = random.Random(number)
        got = 0
        for _ in range(3):
            wanted = (
                {chooser.choice(contents): 1} if number % 2 else dict.fromkeys(chooser.sample(contents, 2), 1)
            )
            try:
                if number % 2:
                    store.bare("reserve_cases", *next(iter(wanted.items())))
                else:
                    store.bare("reserve_many", wanted)
            except Conflict:  # taken by another client
                continue
            got += len(wanted)
        return got

    with ThreadPoolExecutor(64) as pool:
        got = sum(pool.map(client, range(64)))
    with store.database.transaction(readonly=True) as session:
        rows = session.execute(select(col(UnitContent.cases), col(UnitContent.reserved_cases))).all()
    assert [row[0] for row in rows] == [50, 50]
    assert sum(row[1] for row in rows) == got
    assert (
        90 <= got <= 100
    )  # 288 were asked for; a pair may fail for one pallet and leave the other's last cases


def test_a_blocked_lot_is_never_promised_picked_or_loaded(store: Any) -> None:
    unit, content = store.pallet(20)
    store.act("hold_lot", lot_id=store.lot_id, reason="under test")
    (flagged,) = store.read(queries.pickable, None)
    assert (flagged.lot_qa_state, flagged.is_released) == ("held", False)
    for attempt in (
        lambda: store.bare("reserve_cases", content, 1),
        lambda: store.bare("reserve_many", {content: 1}),
    ):
        with pytest.raises(Refused) as caught:
            attempt()
        assert code_of(caught) == "stock-held"
    store.act("release_lot", lot_id=store.lot_id, reason="passed")
    store.bare("reserve_cases", content, 20)
    built = store.act("build_unit", zone_id=store.zones["staging"]).id
    store.act("hold_unit", unit_id=unit, reason="strapping torn")
    for verb, facts in (
        ("take_cases", {"content_id": content, "cases": 1, "to_unit_id": built}),
        ("pick_whole_unit", {"unit_id": unit, "zone_id": store.zones["staging"]}),
    ):
        with pytest.raises(Refused, match="strapping torn") as caught:
            store.act(verb, **facts)
        assert code_of(caught) == "stock-held"
    store.act("release_unit", unit_id=unit, reason="strapped anew")
    store.act("pick_whole_unit", unit_id=unit, zone_id=store.zones["staging"])
    store.act("hold_lot", lot_id=store.lot_id, reason="under test again")
    with pytest.raises(Refused) as caught:
        store.act("load_units", unit_ids=[unit], zone_id=store.zones["truck"])
    assert code_of(caught) == "stock-held"
    store.act("release_lot", lot_id=store.lot_id, reason="passed again")
    store.act("load_units", unit_ids=[unit], zone_id=store.zones["truck"])
    store.act("hold_unit", unit_id=unit, reason="stop the truck")
    with pytest.raises(Refused):
        store.act("depart_units", unit_ids=[unit])
    assert store.unit(unit).state == "loaded"


def test_cases_are_taken_as_promised_and_the_last_ones_empty_the_unit(store: Any) -> None:
    unit, content = store.pallet(20)
    built = store.act("build_unit", zone_id=store.zones["staging"]).id
    take = {"content_id": content, "to_unit_id": built}
    with pytest.raises(Conflict) as caught:
        store.act("take_cases", cases=1, **take)
    assert code_of(caught) == "not-reserved"
    store.bare("reserve_cases", content, 20)
    taken = store.act("take_cases", cases=12, **take)
    assert (taken.cases, taken.reserved_cases, taken.parent_id, taken.split_at) == (
        12,
        12,
        content,
        store.now,
    )
    source = store.unit(unit)
    assert (source.is_opened, source.state, source.contents[0].cases, source.contents[0].reserved_cases) == (
        True,
        "in_store",
        8,
        8,
    )
    store.act("take_cases", cases=8, **take)
    assert store.unit(unit).state == "empty"
    assert [row.cases for row in store.contents(built)] == [12, 8]
    assert store.disagreements() == []


def test_takes_that_cannot_be_are_refused(store: Any) -> None:
    unit, content = store.pallet(20)
    other, _ = store.pallet(20)
    store.bare("reserve_cases", content, 20)
    built = store.act("build_unit", zone_id=store.zones["staging"]).id
    for to_unit, cases, kind, code in (
        (unit, 1, Refused, "same-unit"), (other, 1, Refused, "unit-not-open"), (999, 1, Missing, "unit-not-found"),
        (built, 21, Conflict, "not-reserved"), (built, 0, Invalid, "invalid-input"),
    ):  # fmt: skip
        with pytest.raises(kind) as caught:
            store.act("take_cases", content_id=content, cases=cases, to_unit_id=to_unit)
        assert code_of(caught) == code
    with pytest.raises(Missing):
        store.act("take_cases", content_id=999, cases=1, to_unit_id=built)
    store.act("pick_whole_unit", unit_id=unit, zone_id=store.zones["staging"])
    with pytest.raises(Refused) as caught:
        store.act("take_cases", content_id=content, cases=1, to_unit_id=built)
    assert code_of(caught) == "unit-not-there"


def test_a_whole_unit_goes_only_when_all_of_it_is_promised(store: Any) -> None:
    unit, content = store.pallet(20)
    store.bare("reserve_cases", content, 19)
    pick = {"unit_id": unit, "zone_id": store.zones["staging"]}
    with pytest.raises(Refused) as caught:
        store.act("pick_whole_unit", **pick)
    assert (code_of(caught), caught.value.data["free_cases"]) == ("not-fully-reserved", 1)
    store.bare("reserve_cases", content, 1)
    store.act("pick_whole_unit", **pick)
    view = store.unit(unit)
    assert (view.state, view.zone_code, view.contents[0].reserved_cases) == ("picked", "staging", 20)
    with pytest.raises(Refused) as caught:
        store.act("pick_whole_unit", **pick)
    assert code_of(caught) == "unit-not-there"


def test_units_are_loaded_unloaded_and_sent_off_with_their_customer_on_record(store: Any) -> None:
    unit, content = store.pallet(20)
    other, _ = store.pallet(20)
    store.bare("reserve_cases", content, 20)
    truck, staging = store.zones["truck"], store.zones["staging"]
    with pytest.raises(Refused) as caught:
        store.act("load_units", unit_ids=[unit], zone_id=truck)
    assert code_of(caught) == "unit-not-picked"
    store.act("pick_whole_unit", unit_id=unit, zone_id=staging)
    with pytest.raises(Invalid):
        store.act("load_units", unit_ids=[unit], zone_id=staging)
    with pytest.raises(Refused):  # one that is not picked stops them all
        store.act("load_units", unit_ids=[unit, other], zone_id=truck)
    with pytest.raises(Missing):
        store.act("load_units", unit_ids=[unit, 999], zone_id=truck)
    assert store.unit(unit).state == "picked"
    store.act("load_units", unit_ids=[unit], zone_id=truck)
    with pytest.raises(Refused):
        store.act("move_unit", unit_id=unit, zone_id=staging)
    store.act("unload_units", unit_ids=[unit], zone_id=staging)
    assert (store.unit(unit).state, store.unit(unit).zone_code) == ("picked", "staging")
    with pytest.raises(Refused) as caught:
        store.act("depart_units", unit_ids=[unit])
    assert code_of(caught) == "unit-not-loaded"
    store.act("load_units", unit_ids=[unit], zone_id=truck)
    store.act("depart_units", unit_ids=[unit], facts={unit: {"customer": "C-1"}})
    gone = store.unit(unit)
    assert (gone.state, gone.zone_code, gone.contents[0].cases, gone.contents[0].reserved_cases) == (
        "departed",
        "truck",
        20,
        0,
    )
    with store.database.transaction(readonly=True) as session:
        event = session.scalars(select(LedgerEvent).where(col(LedgerEvent.kind) == "unit.departed")).one()
    assert (event.lot_id, event.cases, event.data["customer"]) == (store.lot_id, 20, "C-1")
    assert store.disagreements() == []


def test_a_clock_that_stepped_back_is_refused_and_nothing_half_done(store: Any) -> None:
    unit, content = store.pallet(20)
    store.bare("reserve_cases", content, 20)
    before = store.unit(unit)
    store.now -= timedelta(days=2)
    with pytest.raises(Invalid, match="clock"):
        store.act("pick_whole_unit", unit_id=unit, zone_id=store.zones["staging"])
    store.now += timedelta(days=2)
    assert store.unit(unit) == before
    assert store.disagreements() == []


def test_what_is_pickable_is_told_with_all_that_choosing_needs(store: Any) -> None:
    with store.database.transaction() as session:
        bay = make.make_bay(
            session,
            store.now,
            store.caller,
            queries.zone(session, store.caller.site_id, store.zones["cold"]),
            aisle=3,
            slot=7,
            level=2,
        )
    unit, content = store.pallet(30, bay_id=bay.id)
    store.bare("reserve_cases", content, 4)
    (found,) = store.read(queries.pickable, [store.product_id])
    assert (found.content_id, found.unit_id, found.cases, found.reserved_cases, found.free_cases) == (
        content,
        unit,
        30,
        4,
        26,
    )
    assert (found.aisle, found.slot, found.level, found.bay_code, found.zone_kind) == (
        3,
        7,
        2,
        bay.code,
        "store",
    )
    assert (found.full_pallet_cases, found.cases_per_layer, found.is_opened, found.is_released) == (
        48,
        8,
        False,
        True,
    )
    assert store.read(queries.pickable, [store.product_id + 1]) == []
    assert store.read(queries.pickable, []) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_after_any_acts_in_any_order_everything_adds_up(store: Any, seed: int) -> None:
    """No case appears or vanishes: what each lot made is on its units, or was counted away on record."""
    chooser = random.Random(seed)
    zones = [store.zones[name] for name in ("cold", "other", "staging")]
    units = [store.pallet(chooser.randint(1, 48))[0] for _ in range(3)]
    refused = done = 0
    for _ in range(60):
        store.now += timedelta(minutes=chooser.randint(0, 90))
        unit = chooser.choice(units)
        on_it = store.contents(unit)
        content = chooser.choice(on_it).id if on_it else 1
        cases = chooser.randint(1, 12)
        try:
            match chooser.randint(0, 9):
                case 0:
                    units.append(store.pallet(chooser.randint(1, 48), received_at=store.now)[0])
                case 1 | 2:
                    store.act("move_unit", unit_id=unit, zone_id=chooser.choice(zones))
                case 3:
                    store.bare("reserve_cases", content, cases)
                case 4:
                    store.bare("return_cases", content, cases)
                case 5:
                    built = store.act("build_unit", zone_id=chooser.choice(zones)).id
                    units.append(built)
                    with store.database.transaction() as session:
                        usecases.reserve_cases(session, content, cases)
                        usecases.take_cases(
                            session,
                            store.now,
                            store.caller,
                            content_id=content,
                            cases=cases,
                            to_unit_id=built,
                        )
                case 6:
                    with store.database.transaction() as session:
                        usecases.reserve_many(
                            session,
                            {
                                row.id: row.cases - row.reserved_cases
                                for row in on_it
                                if row.cases > row.reserved_cases
                            },
                        )
                        usecases.pick_whole_unit(
                            session, store.now, store.caller, unit_id=unit, zone_id=store.zones["staging"]
                        )
                case 7:
                    store.act("load_units", unit_ids=[unit], zone_id=store.zones["truck"])
                case 8:
                    store.act("depart_units", unit_ids=[unit])
                case _:
                    store.act("adjust_cases", content_id=content, cases=cases, reason="counted")
            done += 1
        except RimekeepError:
            refused += 1
    assert done > 15
    assert store.disagreements() == []
    with store.database.transaction(readonly=True) as session:
        made = session.scalar(select(col(Lot.cases_made)).where(col(Lot.id) == store.lot_id))
        there = session.scalar(select(func.sum(col(UnitContent.cases))))
        counted = session.scalar(
            select(func.sum(col(LedgerEvent.cases))).where(col(LedgerEvent.kind) == "cases.adjusted")
        )
    assert made + (counted or 0) == there
    for legs in store.read(queries.paths, None).values():
        assert legs[-1].left_at is None
        assert all(before.left_at == after.entered_at for before, after in pairwise(legs))
