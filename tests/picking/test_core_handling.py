"""Which pallets of a lot are touched (rules of the house: whole before broken, opened before new, layers first)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid, Refused
from rimekeep.picking.core.handling import Grab, How, LotUnit, grabs


def unit(name, cases, *, opened=False, slot=1):
    return LotUnit(name, cases, opened, 48, (1, slot, 0))


def test_whole_pallets_go_before_any_is_broken():
    units = [unit("P3", 48, slot=3), unit("P1", 48, slot=1), unit("P2", 48, slot=2)]
    assert grabs(units, 100, cases_per_layer=8) == [
        Grab("P1", 48, How.PALLET),
        Grab("P2", 48, How.PALLET),
        Grab("P3", 4, How.CASES),
    ]


def test_an_opened_pallet_goes_before_a_new_one_even_if_farther():
    units = [unit("NEAR", 48, slot=1), unit("OPEN", 20, opened=True, slot=9)]
    assert grabs(units, 11, cases_per_layer=8) == [Grab("OPEN", 8, How.LAYERS), Grab("OPEN", 3, How.CASES)]


def test_opened_pallets_are_emptied_before_a_new_one_is_broken():
    units = [unit("NEW", 48), unit("OPEN", 10, opened=True), unit("LAST", 4, opened=True)]
    assert grabs(units, 16, cases_per_layer=8) == [
        Grab("OPEN", 10, How.PALLET),
        Grab("LAST", 4, How.PALLET),
        Grab("NEW", 2, How.CASES),
    ]


def test_one_visit_is_preferred_where_an_opened_pallet_covers_the_rest():
    units = [unit("SMALL", 3, opened=True), unit("MIDDLE", 20, opened=True), unit("BIG", 40, opened=True)]
    assert grabs(units, 16, cases_per_layer=8) == [Grab("MIDDLE", 16, How.LAYERS)]


def test_of_one_lot_what_can_be_reached_goes_before_what_stands_behind_others():
    deep = [LotUnit(f"D{n}", 48, False, 48, (1, 1, 0), lane=7, in_front=2 - n) for n in range(3)]
    assert [grab.unit_id for grab in grabs(deep, 48, cases_per_layer=8)] == ["D2"]
    # Whatever is taken, the front goes first; what it hid can be reached then.
    assert [grab.unit_id for grab in grabs(deep, 120, cases_per_layer=8)] == ["D2", "D1", "D0"]
    far = unit("FAR", 48, slot=9)
    # Somebody else's pallet stands in front of both: the farther one is reached without digging.
    assert [grab.unit_id for grab in grabs([*deep[:2], far], 48, cases_per_layer=8)] == ["FAR"]
    opened = LotUnit("OPEN", 20, True, 48, (1, 1, 0), lane=7, in_front=1)
    assert [grab.unit_id for grab in grabs([opened, far], 8, cases_per_layer=8)] == ["FAR"]
    assert [grab.unit_id for grab in grabs([opened], 8, cases_per_layer=8)] == ["OPEN"]


lanes = st.lists(st.tuples(st.integers(1, 48), st.booleans(), st.integers(0, 2)), max_size=8)


@given(lanes, st.integers(0, 300))
def test_nothing_is_taken_from_behind_a_unit_of_the_lot_that_stays(rows, wanted):
    counts = [0, 0, 0]
    some = []
    for number, (cases, is_opened, lane) in enumerate(rows):
        some.append(LotUnit(f"P{number}", cases, is_opened, 48, (lane, 1, 0), lane, counts[lane]))
        counts[lane] += 1
    wanted = min(wanted, sum(one.cases for one in some))
    taken = {one.id: 0 for one in some}
    order = [grab.unit_id for grab in grabs(some, wanted, cases_per_layer=8)]
    for grab in grabs(some, wanted, cases_per_layer=8):
        taken[grab.unit_id] += grab.cases
    for behind in some:
        for front in some:
            if front.lane == behind.lane and front.in_front < behind.in_front and taken[behind.id]:
                assert taken[front.id] == front.cases
                assert order.index(front.id) < order.index(behind.id)


units = st.lists(st.tuples(st.integers(0, 48), st.booleans(), st.integers(1, 5)), max_size=8).map(
    lambda rows: [
        unit(f"P{n}", cases, opened=is_opened, slot=slot) for n, (cases, is_opened, slot) in enumerate(rows)
    ]
)


@given(units, st.integers(0, 400), st.integers(1, 12), st.randoms())
def test_every_case_comes_from_somewhere_and_at_most_one_new_pallet_is_broken(
    some, wanted, per_layer, random
):
    there = sum(one.cases for one in some)
    if wanted > there:
        with pytest.raises(Refused, match=f"at most {there}"):
            grabs(some, wanted, cases_per_layer=per_layer)
        return
    result = grabs(some, wanted, cases_per_layer=per_layer)
    by_unit = {one.id: 0 for one in some}
    for grab in result:
        assert grab.cases > 0
        by_unit[grab.unit_id] += grab.cases
        if grab.how is How.LAYERS:
            assert grab.cases % per_layer == 0
    assert sum(by_unit.values()) == wanted
    assert all(by_unit[one.id] <= one.cases for one in some)
    broken = [one for one in some if not one.is_opened and 0 < by_unit[one.id] < one.cases]
    assert len(broken) <= 1
    if broken:
        assert all(by_unit[one.id] == one.cases for one in some if one.is_opened)
    assert grabs(random.sample(some, len(some)), wanted, cases_per_layer=per_layer) == result


@pytest.mark.parametrize(("wanted", "per_layer"), [(-1, 8), (1, 0)])
def test_impossible_quantities_are_refused(wanted, per_layer):
    with pytest.raises(Invalid):
        grabs([unit("P1", 48)], wanted, cases_per_layer=per_layer)
