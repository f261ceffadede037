"""What to count first, what a count means, and who gives way."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import combinations
from math import exp, isclose

from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.picking.core.counts import (
    SETTLED,
    Claim,
    Finding,
    Place,
    Weights,
    choose,
    give_way,
    judge,
    risk,
    wants_second_count,
)

DAY = date(2026, 3, 16)
PLACES = st.builds(
    Place,
    key=st.integers(1, 50),
    days_left=st.none() | st.integers(-5, 200),
    moves=st.integers(0, 40),
    days_since=st.none() | st.floats(0, 400),
    shorts=st.integers(0, 5),
)


def test_the_score_is_the_stated_sum() -> None:
    """By hand: 0.25 · (1 − 30/90) + 0.25 · (1 − e^(−8/8)) + 0.2 · 45/90 + 0.3 · 1."""
    found = risk(Place(1, days_left=30, moves=8, days_since=45, shorts=3))
    assert isclose(found.score, 0.25 * 2 / 3 + 0.25 * (1 - exp(-1)) + 0.1 + 0.3)
    assert found.reasons[0] == "3 short picks reported"
    assert risk(Place(1, None, 0, 0, 0)).reasons == ()


@settings(max_examples=40, deadline=None)
@given(PLACES)
def test_more_risk_never_lowers_the_score(place: Place) -> None:
    score = risk(place).score
    assert 0 <= score <= 1
    worse = [
        Place(1, place.days_left, place.moves + 1, place.days_since, place.shorts),
        Place(1, place.days_left, place.moves, place.days_since, place.shorts + 1),
    ]
    if place.days_left is not None:
        worse.append(Place(1, place.days_left - 1, place.moves, place.days_since, place.shorts))
    if place.days_since is not None:
        worse.append(Place(1, place.days_left, place.moves, place.days_since + 1, place.shorts))
    assert all(risk(one).score >= score - 1e-12 for one in worse)
    w = Weights()
    assert isclose(w.expiry + w.moves + w.since + w.shorts, 1)


@settings(max_examples=30, deadline=None)
@given(st.lists(PLACES, max_size=12), st.integers(0, 12))
def test_those_chosen_are_the_riskiest(places: list[Place], how_many: int) -> None:
    chosen = choose(places, how_many)
    scores = sorted((risk(place).score for place in places), reverse=True)
    assert [one.score for one in chosen] == scores[:how_many]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 60), st.lists(st.integers(1, 12), max_size=4), st.integers(0, 70))
def test_a_difference_is_settled_only_where_picks_in_hand_explain_it(
    recorded: int, in_hand: list[int], counted: int
) -> None:
    """Against every choice of picks, one by one."""
    sums = {sum(some) for size in range(len(in_hand) + 1) for some in combinations(in_hand, size)}
    finding = judge(counted, recorded, in_hand)
    assert (finding in SETTLED) == (recorded - counted in sums)
    if finding not in SETTLED:
        expected = Finding.UNCLEAR if in_hand else (Finding.FEWER if counted < recorded else Finding.MORE)
        assert finding == expected


def test_a_second_count_is_wanted_above_both_thresholds() -> None:
    """Own convention: more than 4 cases and more than a tenth; a missing unit in any case."""
    assert not wants_second_count([(Finding.FEWER, 44, 48)])
    assert wants_second_count([(Finding.FEWER, 43, 48)])
    assert not wants_second_count([(Finding.MORE, 105, 100)])
    assert wants_second_count([(Finding.MISSING, 0, 1)])
    assert not wants_second_count([(Finding.IN_HAND, 0, 48), (Finding.AGREES, 5, 5)])


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.builds(
            Claim,
            line_id=st.integers(1, 30),
            cases=st.integers(1, 20),
            deliver_on=st.integers(0, 4).map(lambda days: DAY + timedelta(days=days)),
            priority=st.integers(0, 2),
            begun=st.integers(0, 2),
        ),
        max_size=8,
        unique_by=lambda one: one.line_id,
    ),
    st.integers(0, 120),
)
def test_the_latest_need_gives_way_first(claims: list[Claim], cases: int) -> None:
    gone = dict(give_way(claims, cases))
    assert sum(gone.values()) == min(cases, sum(one.cases for one in claims))
    for one in claims:
        assert gone.get(one.line_id, 0) <= one.cases
        if gone.get(one.line_id, 0):
            # Whoever needs it later has given all of theirs.
            later = [other for other in claims if other.deliver_on > one.deliver_on]
            assert all(gone.get(other.line_id, 0) == other.cases for other in later)
