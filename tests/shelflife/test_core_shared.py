"""Packs followed by shared hours against each integrated by itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.air import Air
from rimekeep.shelflife.core.follow import (
    Reckoned,
    at,
    block_of,
    block_start,
    follow,
    fresh,
    part,
    since_block,
)
from rimekeep.shelflife.core.history import lived
from rimekeep.shelflife.core.hours import BLOCK_HOURS, HOUR_S, Course, sum_hours
from rimekeep.shelflife.core.packs import Room, stand
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.routes import Q10Route, Route, SquareRootRoute
from rimekeep.shelflife.core.shifts import cores_at_hour, lived_by_cores, shifts

# Across the edge between two blocks of four weeks.
FIRST = 731 * BLOCK_HOURS - 300
HOURS = 900
ROUTES = (
    Route("staling", 20, 120, 101.8),
    Q10Route("haze", 20, 150, 2.4),
    SquareRootRoute("growth", 12, 60, 3.5),
)


def air(seed: int, base_c: float) -> Air:
    rng = np.random.default_rng(seed)
    at_s = (
        np.unique(np.concatenate([[0.0, HOURS], rng.uniform(0, HOURS, HOURS * 4)])) * HOUR_S + FIRST * HOUR_S
    )
    temp_c = base_c + 2 * np.sin(at_s / 9000) + rng.normal(0, 0.3, at_s.size)
    return Air(at_s, temp_c, np.array([[at_s[700], at_s[760]]]))


AIRS = {1: air(1, 4.0), 2: air(2, 9.0)}


def rooms(profile: Profile, until: int) -> dict[int, Room]:
    found = {}
    for zone_id, own in AIRS.items():
        hours = sum_hours(own, profile).cut(FIRST, until)
        found[zone_id] = Room(Course.of(own, tau_h=profile.tau_h), hours, hours.running())
    return found


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([0.0, 2.5, 19.67]),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5),
    st.one_of(st.none(), st.floats(-1.0, 30.0)),
    st.integers(FIRST, FIRST + HOURS),
    st.floats(0.0, 1.0),
)
def test_any_way_through_rooms_gives_what_one_integration_gives(
    tau_h: float, turns: list[float], start_c: float | None, until: int, left: float
) -> None:
    profile = Profile(1, 1, ROUTES, tau_h, 4.0, -2.0, 60)
    edges = (FIRST + np.sort(turns) * HOURS) * HOUR_S
    now_s = float((FIRST + HOURS) * HOUR_S)
    path = tuple(
        (1 + place % 2, float(start), float(end))
        for place, (start, end) in enumerate(zip(edges, [*edges[1:], now_s], strict=True))
    )
    known = rooms(profile, until)
    made = follow([path], fresh([start_c], profile), known, profile)
    zone = int(made.zone_id[0])
    found = at(made, known[zone], profile, now_s)
    whole = lived([AIRS[zone_id].cut(a, b) for zone_id, a, b in path], profile, start_core_c=start_c)
    assert found.sums[0] == pytest.approx(whole.total, rel=1e-9, abs=1e-12)
    assert found.core_c[0] == pytest.approx(whole.core_c[-1], abs=1e-8)
    # What a settled pack holds from its block's start on, and what it holds when it leaves.
    left_s = path[-1][1] + left * (now_s - path[-1][1])
    if made.is_settled[0] and left_s >= made.at_s[0]:
        totals = {
            block: known[zone].hours.cut(max(FIRST, block * BLOCK_HOURS), min(until, (block + 1) * BLOCK_HOURS)).sums.sum(axis=0)
            for block in range(FIRST // BLOCK_HOURS, (until - 1) // BLOCK_HOURS + 1)
        }  # fmt: skip
        since = since_block(made, known[zone], profile, totals)
        start = block_start(block_of(made.at_s), FIRST) * HOUR_S
        from_block = type(made)(
            made.zone_id, made.entered_s, made.entry, start, since, made.is_settled, made.low_c
        )
        one, other = (
            part(state, np.array([left_s]), known[zone], profile)[0] for state in (made, from_block)
        )
        assert one == pytest.approx(other, rel=1e-9, abs=1e-12)


def test_hours_add_up_to_the_integral_of_the_room_s_own_core() -> None:
    profile = Profile(1, 1, ROUTES, 10.0, 4.0, -2.0, 60)
    hours = sum_hours(AIRS[1], profile, core_c=12.0)
    whole = lived([AIRS[1]], profile, start_core_c=12.0)
    assert hours.sums.sum(axis=0) == pytest.approx(whole.total, rel=1e-11)
    assert hours.core_c[-1] == pytest.approx(whole.core_c[-1], abs=1e-10)
    assert hours.low_c.min() == pytest.approx(whole.core_c.min(), abs=1e-3)
    # Summed in two goes, the second beginning with the core of the first.
    middle = (FIRST + 333) * HOUR_S
    first = sum_hours(AIRS[1].cut(FIRST * HOUR_S, middle), profile, core_c=12.0)
    second = sum_hours(AIRS[1].cut(middle, (FIRST + HOURS) * HOUR_S), profile, core_c=float(first.core_c[-1]))
    joined = first.followed_by(second)
    assert joined.sums == pytest.approx(hours.sums, rel=1e-9, abs=1e-13)


def test_a_pack_that_stays_no_time_loses_nothing() -> None:
    profile = Profile(1, 1, ROUTES, 10.0, 4.0, -2.0, 60)
    course = Course.of(AIRS[1], tau_h=10.0)
    at_s = np.array([(FIRST + 3.3) * HOUR_S])
    stood = stand(course, profile, from_s=at_s, core_c=np.array([15.0]), to_s=at_s)
    assert not stood.sums.any()
    assert stood.core_c[0] == pytest.approx(15.0)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([2.5, 8.0, 19.67]),
    st.floats(-10.0, 45.0),
    st.integers(0, 5),
    st.floats(0.0, 0.999),
    st.integers(FIRST + 10, FIRST + HOURS - 10),
)
def test_packs_between_two_whole_degrees_move_as_those_degrees_do(
    tau_h: float, core_c: float, hours: int, part_of_hour: float, hour: int
) -> None:
    """The bend is stated as below two minutes in six hours."""
    profile = Profile(1, 1, ROUTES, tau_h, 4.0, -2.0, 60)
    room = rooms(profile, hour)[2]
    from_s, now_s = (hour + part_of_hour) * HOUR_S, (hour + hours + 1) * HOUR_S
    held = np.zeros((1, 3 * len(ROUTES) + 2))
    held[0, -1] = core_c
    pack = Reckoned(
        np.array([2]),
        np.array([from_s]),
        held,
        np.array([from_s]),
        held,
        np.array([False]),
        np.array([core_c]),
    )
    at_start = float(cores_at_hour(pack, room, profile)[0])
    begun = lived_by_cores(room, profile, hours=np.array([hour]), cores_c=np.array([at_start]), now_s=from_s)
    assert begun.core_c[0] == pytest.approx(core_c, abs=1e-9)
    low = int(np.floor(at_start))
    known = []
    for end_s in (from_s, now_s):
        cores = np.array([low, low + 1, at_start])
        lived_s = lived_by_cores(room, profile, hours=np.full(3, hour), cores_c=cores, now_s=end_s)
        known.append(shifts(end_s, lived_s.sums, lived_s.core_c, profile))
    moved = (known[1] - known[0]) * 24 * 60
    bounds = np.sort(moved[:2], axis=0)
    assert np.all(moved[2] > bounds[0] - 2)
    assert np.all(moved[2] < bounds[1] + 2)
    # And a pack of its own, integrated by itself, moves by that much.
    own = [
        stand(
            room.course, profile, from_s=np.array([from_s]), core_c=np.array([core_c]), to_s=np.array([to_s])
        )
        for to_s in (from_s, now_s)
    ]
    by_itself = [
        shifts(to_s, one.sums, one.core_c, profile) for to_s, one in zip((from_s, now_s), own, strict=True)
    ]
    assert (by_itself[1] - by_itself[0])[0] * 24 * 60 == pytest.approx(moved[2], abs=1e-6)
