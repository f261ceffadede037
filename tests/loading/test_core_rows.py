"""How a load is held row by row, as it empties."""

from __future__ import annotations

from math import ceil, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.loading.core.friction import Condition, Floor, Pallet, friction_factor
from rimekeep.loading.core.gear import Gear, Law, Room, Walls, Way, wall_strengths_dan
from rimekeep.loading.core.rows import RowState, Standing, securing
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
