"""Decks laid out from their length and width: known counts of pallets, and footprints that share a deck."""

from typing import Any

import pytest

from builders.fleets import SEMI, load, pallets
from rimekeep.errors import Invalid
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.layouts import layouts
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

EUR, WIDE = (1200.0, 800.0), (1200.0, 1000.0)
# A 13.6 m semi-trailer with limits far away.
LONG: dict[str, Any] = {
    **{key: value for key, value in SEMI.items() if key != "rows"},
    "d_k_mm": 1600,
    "L_s_mm": 7700,
    "K_max_kg": 16_000,
    "front_max_kg": 9000,
    "drive_max_kg": 13_500,
    "bogie_max_kg": 27_000,
    "payload_max_kg": 26_000,
    "gross_max_kg": 40_000,
    "deck": {"length_mm": 13_600, "width_mm": 2450},
}


@pytest.mark.parametrize(("footprint", "counts"), [(EUR, [34, 33]), (WIDE, [26])])
def test_deck_of_13_6_m_takes_the_known_number_of_pallets(
    footprint: tuple[float, float], counts: list[int]
) -> None:
    """33 pallets of 800 × 1200 mm, or 34 turned crosswise, and 26 of 1000 × 1200 mm: common practice."""
    found = layouts(13_600, 2450, [footprint])
    assert [sum(row.lanes for row in rows) for rows in found] == counts


def test_rows_stand_one_behind_the_other_and_within_the_deck() -> None:
    for rows in layouts(13_600, 2450, [EUR, WIDE]):
        at = 0.0
        for row in rows:
            assert row.x_mm - row.along_mm / 2 == pytest.approx(at)
            assert row.lanes * row.across_mm <= 2450
            at += row.along_mm
        assert at <= 13_600


def test_narrow_deck_is_filled_both_ways_where_that_holds_more() -> None:
    """2000 mm of length: one row of three turned along it, one row of two crosswise: five, not three or four."""
    found = layouts(2000, 2450, [EUR])
    assert sum(row.lanes for row in found[0]) == 5


@pytest.mark.parametrize(
    ("goods", "trucks"),
    [
        (pallets("A", 33, 300, footprint="800x1200"), 1),
        (pallets("A", 35, 300, footprint="800x1200"), 2),
        (pallets("A", 26, 300, footprint="1000x1200"), 1),
        (pallets("A", 27, 300, footprint="1000x1200"), 2),
        # Seven rows of two wide places, five of three: 7000 + 6000 mm.
        (pallets("A", 14, 300, footprint="1000x1200") + pallets("A", 15, 300, footprint="800x1200"), 1),
        (pallets("A", 14, 300, footprint="1000x1200") + pallets("A", 18, 300, footprint="800x1200"), 2),
    ],
)
def test_footprints_share_a_deck(goods: list[dict[str, Any]], trucks: int) -> None:
    request = load_request(load([LONG], goods))
    plan = plan_loads(request)
    assert plan.status == "optimal"
    assert len(plan.vehicles) == trucks
    assert check_plan(request, plan.placed, plan.trucks) == []


def test_drops_and_footprints_mix() -> None:
    goods = [
        *pallets("A", 6, 400, footprint="800x1200"),
        *pallets("B", 8, 400, footprint="1000x1200"),
        *pallets("C", 9, 400, footprint="800x1200"),
    ]
    request = load_request(load([LONG], goods))
    plan = plan_loads(request)
    assert (plan.status, len(plan.vehicles)) == ("optimal", 1)
    assert check_plan(request, plan.placed, plan.trucks) == []


def test_air_gaps_at_wall_and_doors_take_their_length() -> None:
    """100 mm at the front moves every row; 13 rows of 1000 mm need 13 000 of 13 600 mm."""
    deck = LONG["deck"] | {"front_gap_mm": 100, "door_gap_mm": 500}
    goods = pallets("A", 26, 300, footprint="1000x1200")
    request = load_request(load([LONG | {"deck": deck}], goods))
    assert request.truck.places == 26
    assert request.truck.rows[0].x_mm == 600
    tight = load([LONG | {"deck": deck | {"door_gap_mm": 501}}], goods)
    assert load_request(tight).truck.places == 24


def test_given_layouts_are_a_choice_of_one_vehicle() -> None:
    """One vehicle in the yard, laid out for four or for six: both layouts share it."""
    rows = SEMI["rows"]
    truck = {key: value for key, value in SEMI.items() if key != "rows"} | {
        "available": 1,
        "layouts": [{"rows": rows[:2]}, {"rows": rows[:3]}],
    }
    request = load_request(load([truck], pallets("A", 6, 300)))
    assert (request.available, len(request.trucks)) == (1, 2)
    assert plan_loads(request).trucks == [1]
    assert plan_loads(load_request(load([truck], pallets("A", 7, 300)))).status == "infeasible"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"deck": {"length_mm": 13_600}}, "trucks[0].deck.width_mm"),
        ({"deck": {"length_mm": 600, "width_mm": 2450}}, "trucks[0].deck"),
        ({"rows": SEMI["rows"]}, "trucks[0].deck"),
        ({"deck": {"length": 13_600, "width_mm": 2450}}, "trucks[0].deck.length"),
    ],
)
def test_deck_that_cannot_be_is_refused_by_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        load_request(load([LONG | change], pallets("A", 1, 300, footprint="800x1200")))
    assert field in [fault.field for fault in caught.value.faults]
