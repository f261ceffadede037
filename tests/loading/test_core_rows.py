"""How a load is held row by row, as it empties."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.loading.core.friction import Condition, Floor, Pallet, friction_factor
from rimekeep.loading.core.gear import Gear, Law, Room, Walls, Way, wall_strengths_dan
from rimekeep.loading.core.held import RowState
from rimekeep.loading.core.rows import securing
from rimekeep.loading.core.tipping import Standing
from rimekeep.loading.core.vehicle import Row

# 1000 × 1200 mm, two abreast, on 2.46 m by 5 m.
ROWS = tuple(Row(500.0 + 1000 * k, 2, 0, 1000.0, 1200.0) for k in range(5))
BOX = Room(2460.0, 5050.0)
NOTHING = dict.fromkeys(Way, 0)


def full(rows: int = 5, mass_kg: float = 800.0) -> list[Standing]:
    """Two units a row; the rows from the doors on are delivered first, row by row."""
    return [Standing(row, lane, mass_kg, rows - row) for row in range(rows) for lane in range(2)]


def shown(states: tuple, after: int) -> dict[int, RowState]:
    return {one.row: one for state in states if state.after_drop == after for one in state.rows}


def test_a_full_deck_is_held_by_walls_doors_and_itself() -> None:
    states = securing(ROWS, full(), drops=[1, 2, 3, 4, 5], room=BOX)
    assert [state.after_drop for state in states] == [0, 1, 2, 3, 4]
    start = shown(states, 0)
    assert start[0].held_by == {
        Way.FORWARD: "the front wall",
        Way.BACKWARD: "row 2",
        Way.SIDEWAYS: "the side walls",
    }
    assert start[4].held_by[Way.BACKWARD] == "the doors"
    assert start[3].held_by[Way.FORWARD] == "row 3"
    assert all(one.is_held and one.lashings == one.bars == NOTHING for one in start.values())
    assert start[0].text == "Row 1: held by row 2, the front wall, the side walls."


def test_after_each_drop_the_row_that_lost_its_neighbour_needs_a_bar_or_a_strap() -> None:
    """
    EN 12195-1:2010 backward as circulated, by hand, for all rows that lean on the last one standing.

    Straps (0.5 − 0.3) m g × 1.1 / (2 × 0.3 sin 60° × 3000 N), bars (0.5 − 0.3) m g / 4000 N.
    """
    states = securing(ROWS, full(), drops=[1, 2, 3, 4, 5], room=BOX)
    for after in (1, 2, 3, 4):
        rows = shown(states, after)
        mass_kg = 1600 * len(rows)
        last = rows.pop(4 - after)
        assert last.held_by[Way.BACKWARD] is None
        assert last.lost == (Way.BACKWARD,)
        straps = ceil(0.2 * mass_kg * 9.81 * 1.1 / (2 * 0.3 * sin(radians(60)) * 3000))
        bars = ceil(0.2 * mass_kg * 9.81 / 4000)
        assert (last.lashings[Way.BACKWARD], last.bars[Way.BACKWARD]) == (straps, bars)
        assert f"{bars} bar" in last.text
        assert "since the last drop" in last.text
        assert all(one.is_held and not one.lost for one in rows.values())
    assert shown(states, 4)[0].bars[Way.BACKWARD] == 1
    assert shown(states, 1)[3].lashings[Way.BACKWARD] == 9


def test_a_missing_unit_leaves_its_row_loose_sideways_and_those_behind_it_forward() -> None:
    """By hand: sideways (0.5 − 0.3) × 800 × 9.81 × 1.1, forward (0.8 − 0.3) × 3200 × 9.81 × 1.25, in straps."""
    one_strap = 2 * 0.3 * sin(radians(60)) * 3000
    load = [one for one in full() if (one.row, one.lane) != (2, 1)]
    start = shown(securing(ROWS, load, drops=[1], room=BOX), 0)
    assert start[2].held_by[Way.SIDEWAYS] is None
    assert start[2].lashings[Way.SIDEWAYS] == ceil(0.2 * 800 * 9.81 * 1.1 / one_strap) == 2
    assert start[2].bars[Way.SIDEWAYS] == 0
    assert start[2].held_by[Way.FORWARD] == "row 2"
    # Row 5 leans on row 4, one unit of which has nothing ahead of it.
    assert start[3].held_by[Way.FORWARD] is None
    assert start[3].lashings[Way.FORWARD] == ceil(0.5 * 3200 * 9.81 * 1.25 / one_strap) == 13
    assert start[3].bars[Way.FORWARD] == ceil(0.5 * 3200 * 9.81 / 4000) == 4
    assert start[3].lashings_needed == 13
    assert start[4].held_by[Way.FORWARD] == "row 4"
    # Backward, rows 1 and 2 are as badly off, and the single unit of row 3 leans on row 4.
    assert start[1].lashings[Way.BACKWARD] == ceil(0.2 * 3200 * 9.81 * 1.1 / one_strap) == 5
    assert start[2].held_by[Way.BACKWARD] == "row 4"


def test_a_unit_has_to_stand_behind_one_not_beside_it() -> None:
    load = [Standing(0, 0, 500, 1), Standing(1, 1, 500, 1)]
    start = shown(securing(ROWS, load, drops=[1], room=BOX), 0)
    assert start[1].held_by[Way.FORWARD] is None
    straight = [Standing(0, 1, 500, 1), Standing(1, 1, 500, 1)]
    assert shown(securing(ROWS, straight, drops=[1], room=BOX), 0)[1].held_by[Way.FORWARD] == "row 1"


def test_gaps_wider_than_a_form_fit_hold_nothing() -> None:
    """CTU Code: 150 mm in all (from memory)."""
    wide = shown(securing(ROWS, full(), drops=[1], room=Room(2551.0, 5050.0)), 0)
    assert {one.held_by[Way.SIDEWAYS] for one in wide.values()} == {None}
    fits = shown(securing(ROWS, full(), drops=[1], room=Room(2550.0, 5150.0)), 0)
    assert all(one.is_held for one in fits.values())
    doors = shown(securing(ROWS, full(), drops=[1], room=Room(2460.0, 5151.0)), 0)
    assert doors[4].held_by[Way.BACKWARD] is None
    apart = tuple(Row(500.0 + 1200 * k, 2, 0, 1000.0, 1200.0) for k in range(3))
    spread = shown(securing(apart, full(3), drops=[1], room=Room(2460.0, 3400.0)), 0)
    assert (spread[0].held_by[Way.FORWARD], spread[1].held_by[Way.FORWARD]) == ("the front wall", None)
    assert (
        shown(securing(ROWS, full(), drops=[1], room=Room(doors_hold=False)), 0)[4].held_by[Way.BACKWARD]
        is None
    )


def test_the_front_wall_holds_no_more_than_it_is_built_for() -> None:
    """By hand: (0.8 − 0.3) × 1600 × 9.81 = 785 daN a row; a wall of 2000 daN holds two rows, not three."""
    start = shown(securing(ROWS, full(), drops=[1], room=Room(2460.0, 5050.0, front_dan=2000.0)), 0)
    assert [bool(start[row].held_by[Way.FORWARD]) for row in range(5)] == [True, True, False, True, True]
    assert start[2].bars[Way.FORWARD] == ceil(0.5 * 4800 * 9.81 / 4000) == 6


def test_wall_strengths_are_those_of_the_standard() -> None:
    """EN 12642 (from memory): L 0.4 P up to 5000 daN and 0.25 P up to 3100 daN; XL 0.5 P and 0.3 P."""
    assert wall_strengths_dan(Walls.CODE_L, 9000) == pytest.approx((0.4 * 8829, 0.25 * 8829))
    assert wall_strengths_dan(Walls.CODE_L, 24000) == (5000, 3100)
    assert wall_strengths_dan(Walls.CODE_XL, 24000) == pytest.approx((11772, 7063.2))


def test_each_body_of_a_combination_has_its_own_walls() -> None:
    rows = (*ROWS[:2], Row(500.0, 2, 1, 1000.0, 1200.0), Row(1500.0, 2, 1, 1000.0, 1200.0))
    start = shown(securing(rows, full(4), drops=[1]), 0)
    assert start[2].held_by[Way.FORWARD] == "the front wall"
    assert start[1].held_by[Way.BACKWARD] == "the doors"


def test_in_the_united_states_a_contained_row_needs_no_tiedown_and_a_loose_one_the_counted() -> None:
    """
    49 CFR 393.110 and 393.106(d), by hand (from memory): two rows of 2 m (6.6 ft) and 3200 kg (7055 lb).

    Not blocked forward and above 1,100 lb: two up to 10 ft; half the weight over 3,333 lb: two. So two.
    """
    start = shown(securing(ROWS, full(), drops=[1], law=Law.US, room=BOX), 0)
    assert all(one.lashings == NOTHING for one in start.values())
    load = [one for one in full() if (one.row, one.lane) != (2, 1)]
    loose = shown(securing(ROWS, load, drops=[1], law=Law.US, room=BOX), 0)
    assert loose[3].lashings == {Way.FORWARD: 2, Way.BACKWARD: 0, Way.SIDEWAYS: 0}
    # Blocked forward: one per 10 ft, but 3527 lb of working load; straps of 3,333 lb: two, of 800 lb: five.
    assert loose[1].lashings[Way.BACKWARD] == 2
    weak = shown(securing(ROWS, load, drops=[1], law=Law.US, room=BOX, gear=Gear(working_load_lb=800)), 0)
    assert weak[1].lashings[Way.BACKWARD] == 5


def test_what_rides_along_holds_on() -> None:
    load = [Standing(one.row, one.lane, one.mass_kg, None if one.row == 4 else one.drop) for one in full()]
    after = shown(securing(ROWS, load, drops=[1, 2], room=BOX), 1)
    assert after[4].units == 2
    assert all(one.is_held for one in after.values())


@pytest.mark.parametrize(
    ("pallet", "floor", "dry"),
    [
        ("wood", "plywood", 0.45), ("wood", "grooved_aluminium", 0.4), ("wood", "stainless_steel", 0.3),
        ("plastic", "plywood", 0.2), ("plastic", "grooved_aluminium", 0.15), ("steel", "plywood", 0.45),
        ("steel", "grooved_aluminium", 0.3), ("steel", "stainless_steel", 0.2),
    ],
)  # fmt: skip
def test_friction_agrees_with_the_table(pallet: str, floor: str, dry: float) -> None:
    """CTU Code, Annex 7, Appendix 2 (friction factors), read on UNECE's pages."""
    kinds = Pallet(pallet), Floor(floor)
    assert friction_factor(*kinds, Condition.SWEPT) == dry
    assert friction_factor(*kinds, Condition.NOT_SWEPT) == min(dry, 0.3)
    assert friction_factor(*kinds, Condition.FROST) == min(dry, 0.2)


def test_a_combination_the_table_does_not_have_is_refused() -> None:
    with pytest.raises(Invalid):
        friction_factor("paper", Floor.PLYWOOD, Condition.SWEPT)  # type: ignore[arg-type]


loads = st.sets(st.tuples(st.integers(0, 4), st.integers(0, 1)), min_size=1).map(
    lambda places: [Standing(row, lane, 700.0, 1 + (4 - row) // 2) for row, lane in sorted(places)]
)


@given(loads, st.floats(0.15, 0.6), st.sampled_from(list(Law)))
def test_more_grip_never_needs_more_and_nothing_loose_goes_unsaid(
    load: list[Standing], friction: float, law: Law
) -> None:
    some = securing(ROWS, load, drops=[1, 2, 3], law=law, gear=Gear(friction=friction), room=BOX)
    more = securing(ROWS, load, drops=[1, 2, 3], law=law, gear=Gear(friction=friction + 0.1), room=BOX)
    for one, other in zip(some, more, strict=True):
        for row, better in zip(one.rows, other.rows, strict=True):
            for way in Way:
                assert better.lashings[way] <= row.lashings[way]
                assert better.bars[way] <= row.bars[way]
                assert row.held_by[way] is None or row.lashings[way] == row.bars[way] == 0
                if row.held_by[way] is None and law == Law.EU and friction < 0.5:
                    assert row.lashings[way] > 0
    left = [[unit for unit in load if unit.drop > after] for after in (0, 1, 2)]  # type: ignore[operator]
    assert [sum(row.units for row in state.rows) for state in some] == [len(units) for units in left]


def test_stacked_units_count_and_push_but_take_no_lane_of_their_own() -> None:
    load = [*full(), Standing(2, 0, 300.0, 3)]
    start = shown(securing(ROWS, load, drops=[1], room=BOX), 0)
    assert (start[2].units, start[2].mass_kg) == (3, 1900.0)
    assert start[2].is_held
    half = [Standing(0, 0, 300.0, 1), Standing(0, 0, 300.0, 1)]
    assert shown(securing(ROWS, half, drops=[1], room=BOX), 0)[0].held_by[Way.SIDEWAYS] is None


def stacks(rows: int, low_mm: float = 1200.0, top_mm: float = 1200.0) -> list[Standing]:
    """Two stacks a row: 600 kg below 300 kg."""
    return [
        Standing(row, lane, mass_kg, rows - row, tier=tier, height_mm=height_mm)
        for row in range(rows)
        for lane in range(2)
        for tier, mass_kg, height_mm in ((0, 600.0, low_mm), (1, 300.0, top_mm))
    ]


def test_what_is_on_top_slides_on_what_is_below_where_nothing_stands_beside_it() -> None:
    """
    EN 12195-1:2010 friction lashing between the units of a stack, by hand: μ 0.3, sawn wood on shrink film (from
    memory).

    Forward (0.8 − 0.3) × 600 × 9.81 × 1.25, backward (0.5 − 0.3) × 600 × 9.81 × 1.1, over 2 × 0.3 sin 60° × 3000 N.
    """
    single = [Standing(0, lane, 800, 2, height_mm=1100) for lane in range(2)]
    load = [*single, *(replace(one, row=1) for one in stacks(1))]
    start = shown(securing(ROWS, load, drops=[1, 2], room=BOX), 0)
    assert start[0].above is None
    above = start[1].above
    assert above is not None
    assert (above.units, above.mass_kg) == (2, 600)
    assert above.held_by == {Way.FORWARD: None, Way.BACKWARD: None, Way.SIDEWAYS: "the side walls"}
    assert above.lashings == {Way.FORWARD: 3, Way.BACKWARD: 1, Way.SIDEWAYS: 0}
    # The stack itself leans on the row ahead, which is higher than its centre: (600 × 600 + 300 × 1800) / 900 mm.
    assert start[1].held_by[Way.FORWARD] == "row 1"
    assert start[1].tipping == NOTHING
    assert start[1].said.endswith(
        "On top 2: nothing stops a slide or a fall forward, backward; 3 lashings over the stack."
    )
    assert not start[1].is_held
    grip = Gear(friction_between=0.8)
    sure = shown(securing(ROWS, load, drops=[1, 2], room=BOX, gear=grip), 0)[1].above
    assert sure is not None
    assert sure.lashings == NOTHING


def test_a_stack_tips_over_what_is_lower_than_its_centre() -> None:
    """
    Tipping c d > w, from memory of EN 12195-1:2010, by hand: d 1000 mm, w 500 mm along and 600 mm across.

    Forward 0.8 × 1000 > 500, backward 0.5 × 1000 = 500 just stands, sideways 500 < 600. Each stack needs
    (800 − 500) × 900 × 9.81 × 1.25 / (2 × 500 sin 60° × 3000 N) = 1.27 lashings.
    """
    load = [Standing(0, lane, 800, 2, height_mm=900) for lane in range(2)]
    load += [replace(one, row=1) for one in stacks(1)]
    start = shown(securing(ROWS, load, drops=[1, 2], room=BOX), 0)
    one = (800 - 500) * 900 * 9.81 * 1.25 / (2 * 500 * sin(radians(60)) * 3000)
    assert start[1].tipping == {Way.FORWARD: ceil(2 * one), Way.BACKWARD: 0, Way.SIDEWAYS: 0}
    assert ceil(2 * one) == 3
    assert "May tip forward: 3 lashings over the top; a bar does not stop that." in start[1].text
    # A narrower pallet tips sideways too: 0.5 × 1000 > 400.
    narrow = [replace(unit, long_mm=1200, short_mm=800, is_turned=True) for unit in load if unit.row == 1]
    tips = shown(securing(ROWS, narrow, drops=[1], room=BOX), 0)[1].tipping
    assert tips[Way.SIDEWAYS] > 0


def test_a_tall_unit_tips_once_nothing_is_behind_it() -> None:
    """By hand: 2.2 m high, 1 m along: 0.5 × 1100 > 500; (550 − 500) × 800 × 9.81 × 1.1 / (1000 sin 60° × 3000 N)."""
    load = [replace(one, height_mm=2200) for one in full()]
    states = securing(ROWS, load, drops=[1, 2, 3, 4, 5], room=BOX)
    assert all(one.tipping == NOTHING for one in shown(states, 0).values())
    after = shown(states, 1)
    one = 50 * 800 * 9.81 * 1.1 / (1000 * sin(radians(60)) * 3000)
    # The rows ahead lean on the last one standing, and go with it.
    assert after[3].tipping[Way.BACKWARD] == ceil(2 * 4 * one) == 2
    assert all(after[row].tipping == NOTHING for row in range(3))
    unknown = securing(ROWS, full(), drops=[1, 2, 3, 4, 5], room=BOX)
    assert all(row.tipping == NOTHING for state in unknown for row in state.rows)


def test_upper_units_hold_each_other_until_a_drop_takes_some() -> None:
    states = securing(ROWS, stacks(5), drops=[1, 2, 3, 4, 5], room=BOX)
    assert all(one.is_held for one in shown(states, 0).values())
    assert shown(states, 0)[1].text == (
        "Row 2: held by row 1, row 3, the side walls. On top 2, held by row 1, row 3, the side walls."
    )
    last = shown(states, 1)[3]
    assert last.above is not None
    assert last.above.lost == (Way.BACKWARD,)
    # Eight upper units lean on it: (0.5 − 0.3) × 2400 × 9.81 × 1.1 over one strap's 1559 N, by hand.
    assert last.above.lashings[Way.BACKWARD] == ceil(0.2 * 2400 * 9.81 * 1.1 / 1558.8) == 4
    # Taken from the top only, the lower unit still stands fast and the drop is told all the same.
    tops_first = [replace(one, drop=1 if (one.row, one.tier) == (4, 1) else 2) for one in stacks(5)]
    row = shown(securing(ROWS, tops_first, drops=[1, 2], room=BOX), 1)[3]
    assert (row.lost, row.has_lost, row.lashings) == ((), True, NOTHING)


def test_upper_units_that_ride_on_were_set_down() -> None:
    load = [replace(one, drop=None if one.tier else 1) for one in stacks(1)]
    after = shown(securing(ROWS, load, drops=[1, 2], room=BOX), 1)
    assert (after[0].units, after[0].above) == (2, None)


def test_in_the_united_states_loose_upper_units_are_an_article_of_their_own() -> None:
    """
    49 CFR 393.110 and 393.106(d), by hand (from memory): 600 kg (1323 lb) on 1 m (3.3 ft), not blocked forward and
    above 1,100 lb: two; half the weight over 3,333 lb: one. Blocked forward one per 10 ft.
    """
    load = [Standing(0, lane, 800, 2, height_mm=1100) for lane in range(2)]
    load += [replace(one, row=1) for one in stacks(1)]
    above = shown(securing(ROWS, load, drops=[1, 2], law=Law.US, room=BOX), 0)[1].above
    assert above is not None
    assert above.lashings == {Way.FORWARD: 2, Way.BACKWARD: 2, Way.SIDEWAYS: 0}
    weak = Gear(working_load_lb=300)
    above = shown(securing(ROWS, load, drops=[1, 2], law=Law.US, room=BOX, gear=weak), 0)[1].above
    assert above is not None
    assert above.lashings[Way.FORWARD] == 3


@given(loads, st.floats(600, 2400), st.floats(0.1, 0.7), st.sampled_from(list(Law)))
def test_lower_or_better_gripping_stacks_never_need_more(
    load: list[Standing], height_mm: float, friction: float, law: Law
) -> None:
    def needed(height_mm: float, friction: float) -> list[int]:
        low = [replace(one, height_mm=height_mm) for one in load]
        tops = [replace(one, tier=1, mass_kg=200.0) for one in low]
        gear = Gear(friction_between=friction)
        states = securing(ROWS, [*low, *tops], drops=[1, 2, 3], law=law, room=BOX, gear=gear)
        return [row.lashings_needed for state in states for row in state.rows]

    some = needed(height_mm, friction)
    assert all(a <= b for a, b in zip(needed(height_mm * 0.9, friction), some, strict=True))
    assert all(a <= b for a, b in zip(needed(height_mm, friction + 0.1), some, strict=True))
