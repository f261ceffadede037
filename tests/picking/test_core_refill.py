"""Filling pick bays: first-expired first, whole pallets or layers, nothing newer in front of older."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.picking.core.refill import Face, Refill, Source, plan_refills
from rimekeep.picking.core.walk import Layout, shortest_walk
from rimekeep.picking.core.ways import there_and_back_m

DAY = date(2026, 6, 1)
CAME = datetime(2026, 3, 1, tzinfo=UTC)


def source(content: int, day: int, cases: int, free: int | None = None, layer: int = 8) -> Source:
    free = cases if free is None else free
    return Source(content, content, 1, DAY + timedelta(days=day), CAME, cases, free, layer, is_alone=True)


def test_a_low_bay_gets_the_oldest_pallet_and_layers_of_the_next() -> None:
    face = Face(1, "P1", 1, min_cases=20, max_cases=80, cases=8, free_units=3)
    plan = plan_refills([face], [source(2, 5, 48), source(1, 1, 40), source(3, 9, 48)])
    assert plan.refills == (Refill(1, 1, 40, True), Refill(1, 2, 32, False))
    assert plan.held_back == {}
    # What is on its way counts as there.
    assert (
        plan_refills([Face(1, "P1", 1, 20, 80, cases=8, coming_cases=40)], [source(2, 5, 48)]).refills == ()
    )


def test_newer_stock_is_not_put_in_front_of_older_reserved_stock() -> None:
    waits = Face(1, "P1", 1, 20, 80, cases=8, reserved_cases=8, reserved_until=DAY)
    plan = plan_refills([waits], [source(1, 1, 48)])
    assert plan.refills == ()
    assert "picked first" in plan.held_back[1]
    assert plan_refills([waits], [source(1, 0, 48)]).refills == (Refill(1, 1, 48, True),)
    lane = Face(1, "P1", 1, 20, 80, cases=8, stored_until=DAY)
    assert "in front" in plan_refills([lane], [source(1, 1, 48)]).held_back[1]


FACES = st.builds(
    Face,
    key=st.integers(1, 3),
    code=st.just("P"),
    product=st.just(1),
    min_cases=st.integers(1, 40),
    max_cases=st.integers(41, 120),
    cases=st.integers(0, 40),
    free_units=st.integers(1, 4),
    reserved_until=st.none() | st.integers(0, 6).map(lambda day: DAY + timedelta(days=day)),
)
SOURCES = st.lists(st.tuples(st.integers(0, 6), st.integers(1, 48), st.integers(0, 48)), max_size=8).map(
    lambda rows: [source(n, day, max(cases, free), free) for n, (day, cases, free) in enumerate(rows, 1)]
)


@settings(max_examples=40, deadline=None)
@given(st.lists(FACES, max_size=3, unique_by=lambda one: one.key), SOURCES)
def test_a_refill_keeps_every_rule(faces: list[Face], sources: list[Source]) -> None:
    plan = plan_refills(faces, sources)
    by_key, by_content = {one.key: one for one in faces}, {one.content: one for one in sources}
    for one in sources:
        taken = [refill for refill in plan.refills if refill.content == one.content]
        assert sum(refill.cases for refill in taken) <= one.free_cases
        for refill in taken:
            assert (
                refill.cases == one.cases if refill.is_whole_unit else refill.cases % one.cases_per_layer == 0
            )
    for face in faces:
        brought = [refill for refill in plan.refills if refill.face == face.key]
        assert (not brought) or face.is_low
        assert sum(refill.cases for refill in brought) <= face.max_cases - face.cases
        assert len(brought) <= face.free_units
        days = [by_content[refill.content].expires_on for refill in brought]
        assert days == sorted(days)
        if face.reserved_until is not None:
            assert all(day <= face.reserved_until for day in days)
        if face.is_low and not brought:
            assert plan.held_back[face.key]
    assert set(plan.held_back) <= set(by_key)
    # First-expired first: a free layer left behind is never older than what was brought last to a bay with room.
    if len(faces) == 1 and plan.refills:
        last = by_content[plan.refills[-1].content]
        for one in sources:
            left = one.free_cases - sum(r.cases for r in plan.refills if r.content == one.content)
            if left >= one.cases_per_layer:
                assert one.expires_on >= last.expires_on or one.content == last.content


@pytest.mark.parametrize("cross_aisles", [None, (4,), (3, 7)])
def test_the_way_to_one_bay_is_the_shortest_walk_s(cross_aisles: tuple[int, ...] | None) -> None:
    layout = Layout(5, 10, 1.2, 3.5, 0.8, cross_aisles_after=cross_aisles, level_penalty_m=4.0)
    for aisle, slot, level in ((1, 1, 0), (3, 4, 1), (5, 10, 0), (2, 7, 3), (4, 5, 2)):
        walk = shortest_walk(layout, [(aisle, slot, level)])
        assert there_and_back_m(layout, aisle, slot, level) == pytest.approx(walk.length_m + walk.lift_m)
