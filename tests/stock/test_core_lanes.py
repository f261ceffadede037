"""Deep lanes: older stock is never buried, whatever is put in and taken out."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.stock.core.lanes import Lane, Slot, Stored, buried, fitting, hindrance, reachable, suggest

DAY = date(2026, 6, 1)
MOVES = st.lists(
    st.tuples(st.booleans(), st.integers(1, 2), st.integers(1, 3), st.integers(0, 6)), min_size=1, max_size=40
)


def stored(unit: int, product: int, lot: int, day: int) -> Stored:
    return Stored(unit, product, frozenset({10 * product + lot}), DAY + timedelta(days=day))


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 6), MOVES)
def test_the_unit_in_front_is_always_the_first_of_its_lane_to_expire(
    depth: int, moves: list[tuple[bool, int, int, int]]
) -> None:
    """
    The rule against the store itself: any sequence of taking the front unit and putting units in that the
    rule allows; and it never refuses where nothing would have been buried.
    """
    lane = Lane(depth, None)
    for number, (is_put, product, lot, day) in enumerate(moves):
        unit = stored(number, product, lot, day)
        if is_put:
            allowed = hindrance(lane, unit) is None
            fits = len(lane.stored) < depth
            is_harmless = all(
                one.product == unit.product and one.expires_on >= unit.expires_on for one in lane.stored
            )
            assert allowed == (fits and is_harmless)
            assert fitting(lane, unit, 9) == (depth - len(lane.stored) if allowed else 0)
            if allowed:
                lane = Lane(depth, None, (*lane.stored, unit))
        elif lane.stored:
            lane = Lane(depth, None, lane.stored[:-1])
        front = reachable(lane)
        assert (front is None) == (not lane.stored)
        if front is not None:
            assert front.expires_on == min(one.expires_on for one in lane.stored)
            assert {one.product for one in lane.stored} == {front.product}
        assert buried(lane) == []


def test_what_a_moved_life_has_buried_is_named() -> None:
    lane = Lane(3, None, (stored(1, 1, 1, 5), stored(2, 1, 1, 3), stored(3, 1, 1, 4)))
    assert [(hidden.unit, front.unit) for hidden, front in buried(lane)] == [(2, 3)]
    assert buried(Lane(1, 3, lane.stored)) == []


def test_a_bay_one_deep_hides_nothing_but_may_be_full() -> None:
    mixed = Lane(1, 3, (stored(1, 1, 1, 0), stored(2, 2, 1, 0)))
    assert hindrance(mixed, stored(3, 1, 2, 9)) is None
    assert "full" in str(hindrance(Lane(1, None, (stored(1, 1, 1, 0),)), stored(2, 1, 1, 0)))


def test_a_pallet_of_several_products_shares_no_lane() -> None:
    mixed = Stored(1, None, frozenset({1, 2}), DAY)
    assert hindrance(Lane(3, None, (mixed,)), stored(2, 1, 1, 0)) == "Another product stands there."
    assert hindrance(Lane(3, None, (stored(2, 1, 1, 0),)), mixed) == "Another product stands there."
    assert hindrance(Lane(3, None), mixed) is None


def test_suggestions_keep_a_lot_together_then_waste_no_room_then_walk_less() -> None:
    coming = stored(9, 1, 1, 5)
    slots = [
        Slot(1, "FAR", Lane(1, None), 90.0),
        Slot(2, "NEAR", Lane(1, None), 10.0),
        Slot(3, "DEEP", Lane(6, None), 5.0),
        Slot(4, "FITS", Lane(4, None), 40.0),
        Slot(5, "BEGUN", Lane(4, None, (stored(1, 1, 1, 5),)), 95.0),
        Slot(6, "OTHER LOT", Lane(4, None, (stored(2, 1, 2, 8),)), 1.0),
        Slot(7, "OLDER", Lane(4, None, (stored(3, 1, 3, 4),)), 1.0),
        Slot(8, "FULL", Lane(1, None, (stored(4, 1, 1, 5),)), 1.0),
    ]
    found = suggest(slots, coming, 4)
    assert [(one.code, one.units) for one in found] == [
        ("BEGUN", 3), ("FITS", 4), ("NEAR", 1), ("FAR", 1), ("DEEP", 4), ("OTHER LOT", 3),
    ]  # fmt: skip
    assert found[0].reason.startswith("The same lot stands there.")
    assert found[1].reason.endswith("40 m from the dock and back.")
