"""From pallets to an allocation and back: nothing promised twice, nothing the rules forbid, all of it accounted for."""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.stock import new_gtin, new_sscc
from rimekeep.errors import Invalid, Refused
from rimekeep.picking.core.allocation import Line
from rimekeep.picking.core.scan import Scanned, Wanted, check_scan, is_same_code, read_scan
from rimekeep.picking.core.wave import Wave, plan_wave
from rimekeep.stock.core.records import Pickable

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"
DAY_0 = date(2026, 3, 16)
MIDNIGHT = datetime(2026, 3, 16, tzinfo=UTC)


def pallet(content_id: int, *, lot_id: int = 1, cases: int = 48, **changed: Any) -> Pickable:
    facts: dict[str, Any] = {
        "content_id": content_id, "unit_id": content_id, "sscc": f"{content_id:018}", "lot_id": lot_id, "lot_code": f"L{lot_id}",
        "product_id": 1, "cases": cases, "reserved_cases": 0, "zone_id": 1, "zone_kind": "store", "bay_id": None, "bay_code": None,
        "aisle": 1, "slot": content_id, "level": 0, "packaged_at": MIDNIGHT, "received_at": MIDNIGHT,
        "best_before_on": DAY_0 + timedelta(days=100), "lot_qa_state": "released", "unit_qa_state": "released", "is_opened": False,
        "full_pallet_cases": 48, "cases_per_layer": 8, **changed,
    }  # fmt: skip
    return Pickable(**{"free_cases": facts["cases"] - facts["reserved_cases"], **facts})


def line(line_id: int, cases: int, **rules: Any) -> Line:
    return Line(
        **{
            "id": line_id,
            "customer": line_id,
            "product": 1,
            "cases": cases,
            "ship_on": DAY_0,
            "deliver_on": DAY_0,
            **rules,
        }
    )


def plan(stock: list[Pickable], lines: list[Line], days: dict[int, int] | None = None, **more: Any) -> Wave:
    expires_on = {content: DAY_0 + timedelta(days=left) for content, left in (days or {}).items()}
    return plan_wave(stock, lines, expires_on=expires_on, zone=UTC, **more)


# Stock in this house is there already: instances with lots that come later are for the core alone.
LISTS = [
    pytest.param(one, id=one["id"])
    for one in json.loads((CHECKS / "greedy_fefo_lines.json").read_text())["instances"]
    if all(lot["available_from_day"] is None for lot in one["lots"])
]


@pytest.mark.parametrize("record", LISTS)
def test_lots_on_pallets_are_taken_in_the_order_of_the_proven_lists(record: dict[str, Any]) -> None:
    """Compare with fixtures/checks/greedy_fefo_lines.json; its days count from a day of ours."""
    stock, days = [], {}
    asked = record["line"]
    lots = [lot for lot in record["lots"] if lot["sku"] == asked["sku"]]
    number = 0
    for lot_id, lot in enumerate(lots):
        for start in range(0, lot["qty"], 12):
            number += 1
            expires_on = DAY_0 + timedelta(days=lot["effective_expiry_day"])
            days[number] = lot["effective_expiry_day"]
            stock.append(
                pallet(
                    number, lot_id=lot_id, lot_code=lot["id"], cases=min(12, lot["qty"] - start), best_before_on=expires_on,
                    received_at=MIDNIGHT + timedelta(days=lot["received_day"]), lot_qa_state="held" if lot["held"] else "released",
                )
            )  # fmt: skip
    last = asked["last_delivered_expiry_day"]
    wave = plan(
        stock,
        [
            line(
                1, asked["qty"], ship_on=DAY_0 + timedelta(days=asked["ship_day"]), deliver_on=DAY_0 + timedelta(days=asked["delivery_day"]),
                min_life_days=asked["min_remaining_days"], max_lots=asked["max_lots"],
                last_delivered_on=None if last is None else DAY_0 + timedelta(days=last),
            )
        ],
        days,
    )  # fmt: skip
    got: dict[str, int] = defaultdict(int)
    for take in wave.takes:
        got[take.content.lot_code] += take.cases
    assert list(got.items()) == [(pick["lot"], pick["qty"]) for pick in record["expected_picks"]]
    assert (wave.served, wave.short[1].cases if wave.short else 0) == (record["served"], record["short"])


stocks = st.lists(
    st.tuples(st.integers(1, 4), st.integers(1, 60), st.integers(0, 30), st.integers(1, 40), st.booleans()),
    min_size=1,
    max_size=12,
)
wants = st.lists(
    st.tuples(st.integers(1, 120), st.integers(0, 30), st.none() | st.integers(1, 3), st.integers(0, 1)),
    min_size=1,
    max_size=6,
)


@settings(max_examples=60, deadline=None)
@given(stocks, wants)
def test_every_case_is_free_released_in_date_and_taken_once(
    stock: list[tuple[int, int, int, int, bool]], wanted: list[tuple[int, int, int | None, int]]
) -> None:
    pallets = [
        pallet(
            number, lot_id=lot, cases=cases, reserved_cases=min(cases - 1, reserved), unit_qa_state="released" if free else "held",
            best_before_on=DAY_0 + timedelta(days=30 + lot),
        )
        for number, (lot, cases, reserved, _, free) in enumerate(stock, 1)
    ]  # fmt: skip
    days = {number: left for number, (_, _, _, left, _) in enumerate(stock, 1)}
    lines = [
        line(number, cases, min_life_days=life, max_lots=cap, priority=rank)
        for number, (cases, life, cap, rank) in enumerate(wanted, 1)
    ]
    wave = plan(pallets, lines, days, mixed_units=frozenset({1}))
    by_content: dict[int, int] = defaultdict(int)
    by_line: dict[int, int] = defaultdict(int)
    lots: dict[int, set[int]] = defaultdict(set)
    for take in wave.takes:
        one = take.content
        by_content[one.content_id] += take.cases
        by_line[take.line_id] += take.cases
        lots[take.line_id].add(one.lot_id)
        rules = lines[take.line_id - 1]
        assert one.is_released
        assert min(take.expires_on, one.best_before_on) >= DAY_0 + timedelta(days=rules.min_life_days)
        assert (take.how == "pallet") == (take.cases == one.cases and one.unit_id != 1)
        assert take.how != "layers" or take.cases % one.cases_per_layer == 0
    assert all(cases <= pallets[content - 1].free_cases for content, cases in by_content.items())
    for asked in lines:
        missing = wave.short[int(asked.id)].cases if asked.id in wave.short else 0
        assert by_line[int(asked.id)] + missing == asked.cases
        assert asked.max_lots is None or len(lots[int(asked.id)]) <= asked.max_lots
    assert wave.served == sum(by_line.values()) <= wave.bound


def test_a_line_at_its_cap_is_told_what_really_stops_it() -> None:
    stock = [pallet(1, lot_id=1, cases=5), pallet(2, lot_id=2, cases=40, unit_qa_state="held")]
    wave = plan(stock, [line(1, 30, max_lots=1, lots_had=frozenset({9}))])
    assert (wave.served, wave.short[1].reason, wave.short[1].blocked) == (
        0,
        "held",
        (("held", 30), ("lot_cap", 5)),
    )
    wave = plan(stock, [line(1, 30, max_lots=1, lots_had=frozenset({1}))])
    assert (wave.served, wave.short[1].cases, wave.short[1].reason) == (5, 25, "held")
    wave = plan([], [line(1, 30, max_lots=1, lots_had=frozenset({1}))])
    assert wave.short[1].reason == "no_stock"


def test_pallets_of_one_lot_that_aged_apart_are_one_lot_to_the_customer() -> None:
    stock = [pallet(1, cases=5), pallet(2, cases=5), pallet(3, lot_id=2, cases=6)]
    wave = plan(stock, [line(1, 10, max_lots=1)], {1: 90, 2: 80, 3: 85})
    assert [(take.content.content_id, take.cases) for take in wave.takes] == [(2, 5), (1, 5)]
    assert (wave.served, wave.bound, wave.is_proven) == (10, 10, True)


def test_an_sscc_is_read_as_typed_scanned_or_bracketed() -> None:
    sscc, gtin = new_sscc(), new_gtin()
    for scan in (sscc, f"00{sscc}", f"]C100{sscc}", f"(00){sscc}", f" {sscc}\n"):
        assert read_scan(scan, reference_year=2026) == Scanned(sscc=sscc)
    for scan in (f"01{gtin}10A/7\r\n", f"https://example.org/01/{gtin}/10/A%2F7"):
        assert read_scan(scan, reference_year=2026) == Scanned(gtin=gtin, lot_code="A/7")
    assert read_scan(f"]C102{gtin}3748\x1d00{sscc}", reference_year=2026) == Scanned(sscc=sscc, gtin=gtin)
    for scan in ("", "123", f"00{sscc[:-1]}", "99"):
        with pytest.raises(Invalid) as error:
            read_scan(scan, reference_year=2026)
        assert [fault.field for fault in error.value.faults] == ["scan"]


def test_a_product_without_gtin_is_confirmed_by_its_pallet_only() -> None:
    wanted = Wanted(new_sscc(), "L1", None, "SKU", is_whole_unit=False)
    with pytest.raises(Refused, match="has no GTIN"):
        check_scan(Scanned(gtin=new_gtin(), lot_code="L1"), wanted, lots_on_scanned=None)
    check_scan(Scanned(sscc=wanted.sscc), wanted, lots_on_scanned=None)


def test_a_check_code_is_read_whatever_its_capitals_and_blanks() -> None:
    assert is_same_code("a 17", "A17")
    assert not is_same_code("A71", "A17")
