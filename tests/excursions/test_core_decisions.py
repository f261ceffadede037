"""What QA's words mean for units on hold, and when an excursion is closed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from rimekeep.excursions.core.decisions import (
    Standing,
    Stopped,
    in_conflict,
    may_go,
    open_points,
    standing_words,
)
from rimekeep.excursions.core.escalation import LEVELS, level_due

AT = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


def unit(key: int, excursions: set[int], lots: set[int]) -> Stopped:
    return Stopped(key, frozenset(excursions), frozenset(lots))


def test_unit_goes_when_its_lot_is_released_or_gets_an_earlier_date() -> None:
    units = [unit(1, {7}, {70}), unit(2, {7}, {71}), unit(3, {7}, {72}), unit(4, {7}, {73})]
    words = {(7, 70): "release", (7, 71): "shorten date", (7, 72): "reject"}
    assert may_go(units, words) == {1, 2}


def test_pallet_of_two_lots_waits_for_both() -> None:
    both = [unit(1, {7}, {70, 71})]
    assert may_go(both, {(7, 70): "release"}) == set()
    assert may_go(both, {(7, 70): "release", (7, 71): "shorten date"}) == {1}
    assert in_conflict(both, {(7, 70): "release"}) == set()
    assert in_conflict(both, {(7, 70): "release", (7, 71): "reject"}) == {1}


def test_unit_of_two_excursions_waits_for_both() -> None:
    assert may_go([unit(1, {7, 8}, {70})], {(7, 70): "release"}) == set()
    assert may_go([unit(1, {7, 8}, {70})], {(7, 70): "release", (8, 70): "release"}) == {1}


@given(
    st.sets(st.integers(1, 3), min_size=1),
    st.sets(st.integers(1, 3), min_size=1),
    st.dictionaries(
        st.tuples(st.integers(1, 3), st.integers(1, 3)),
        st.sampled_from(["release", "reject", "shorten date"]),
    ),
)
def test_no_unit_both_goes_and_conflicts_and_a_rejection_never_lets_go(
    excursions: set[int], lots: set[int], words: dict[tuple[int, int], str]
) -> None:
    units = [unit(1, excursions, lots)]
    assert not may_go(units, words) & in_conflict(units, words)
    if any(words.get((key, lot)) == "reject" for key in excursions for lot in lots):
        assert may_go(units, words) == set()


def test_newest_word_stands() -> None:
    said = [(7, 70, "reject"), (7, 71, "release"), (7, 70, "release")]
    assert standing_words(said) == {(7, 70): "release", (7, 71): "release"}


def test_excursion_is_closed_when_over_acknowledged_and_decided_about() -> None:
    done = Standing(AT, AT, None, {70: "L70"}, {70})
    assert open_points(done) == []
    assert open_points(Standing(AT, AT, None, {}, ())) == []
    missing = [
        Standing(None, AT, None, {70: "L70"}, {70}),
        Standing(AT, None, None, {70: "L70"}, {70}),
        Standing(AT, AT, None, {70: "L70"}, ()),
        Standing(AT, AT, None, {70: "L70"}, {70}, ["0095"]),
        Standing(AT, AT, None, {70: "L70"}, {70}, (), [70]),
    ]
    assert [len(open_points(one)) for one in missing] == [1] * 5
    assert len({open_points(one)[0] for one in missing}) == 5
    assert len(open_points(Standing(None, None, None, {70: "L70", 71: "L71"}, ()))) == 4
    # What was joined with another is decided there.
    assert open_points(Standing(AT, None, 9, {70: "L70"}, ())) == []


@given(st.integers(60, 604_800), st.integers(0, 3_000_000))
def test_levels_come_after_the_time_and_twice_the_time_and_no_more(after_s: int, waited_s: int) -> None:
    level = level_due(AT, after_s, AT + timedelta(seconds=waited_s))
    assert level == min(waited_s // after_s, LEVELS)
    assert level_due(AT, None, AT + timedelta(seconds=waited_s)) == 0
