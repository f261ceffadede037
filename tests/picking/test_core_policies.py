"""
Orders of taking stock compared.

Directions: fixtures/checks/policies.json (Hertog et al. 2014, Jedermann et al. 2014, Tromp et al. 2012,
Brecht et al. 2016, Kiil et al.); none of the studies is on beer, so no size is compared.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import linprog
from typer.testing import CliRunner

from builders.checks import records
from rimekeep.cli import make_app
from rimekeep.errors import Invalid
from rimekeep.picking.core.policies import (
    LineSeen,
    LotSeen,
    Policy,
    Scenario,
    World,
    compare,
    estimate,
    invented_world,
    own_world,
    replay,
)
from rimekeep.shelflife.core.exposure import Route, life_used

STORE = Scenario(days=120, cover_days=20)
RUNS = {"replications": 20, "seed": 7}


def small_worlds() -> st.SearchStrategy[World]:
    def build(
        lots: list[tuple[int, int, int, int]], wanted: list[tuple[int, int]], lives: tuple[int, int]
    ) -> World:
        arrives, cases, label, lost = (np.array([column], np.int64) for column in zip(*lots, strict=True))
        demand = np.array([wanted], np.int64)
        return World(arrives, cases, label, label - lost, demand, np.array(lives, np.int64))

    lot = st.tuples(st.integers(0, 4), st.integers(0, 8), st.integers(3, 14), st.integers(0, 6))
    day = st.tuples(st.integers(0, 6), st.integers(0, 6))
    return st.builds(
        build,
        st.lists(lot, min_size=1, max_size=5),
        st.lists(day, min_size=1, max_size=6),
        st.tuples(st.integers(0, 4), st.integers(0, 4)),
    )


@given(world=small_worlds())
@settings(max_examples=40, deadline=None)
def test_by_the_model_no_case_more_could_be_delivered_well(world: World) -> None:
    """A linear program that knows the whole period in advance (scipy, HiGHS) finds no better."""
    arcs = [
        (lot, day, who)
        for lot in range(world.arrives.shape[1])
        for day in range(world.wanted.shape[1])
        for who in range(2)
        if world.arrives[0, lot] <= day and world.true_end[0, lot] >= day + world.min_life[who]
    ]
    best = 0
    if arcs:
        lots = world.arrives.shape[1]
        rows = [a[0] for a in arcs] + [lots + 2 * day + who for _, day, who in arcs]
        matrix = sparse.csr_matrix(
            (np.ones(2 * len(arcs)), (rows, [*range(len(arcs))] * 2)),
            shape=(lots + world.wanted[0].size, len(arcs)),
        )
        limits = np.concatenate([world.cases[0], world.wanted[0].ravel()])
        best = round(-linprog(-np.ones(len(arcs)), A_ub=matrix, b_ub=limits, method="highs").fun)
    found = replay(world, Policy.MODELLED)
    assert (found.delivered[0], found.refused[0]) == (best, 0)
    for policy in Policy:
        other = replay(world, policy)
        assert other.waste[0] >= found.waste[0]
        assert other.waste[0] + other.delivered[0] + other.left[0] == world.cases.sum()
        assert other.delivered[0] + other.short[0] == world.wanted.sum()


def test_the_model_wastes_less_and_delivers_more_evenly_where_exposures_differ() -> None:
    named = {one["id"]: one["source"] for one in records("policies", "direction")}
    assert named.keys() == {"waste", "evenness", "equal", "fades"}
    world = invented_world(STORE, **RUNS)
    pairs = replay(world, Policy.MODELLED), replay(world, Policy.LABEL)
    assert (pairs[0].waste <= pairs[1].waste).all()
    found = compare(world)
    gained = found.differences[Policy.MODELLED]
    # The whole interval of the paired difference lies on the side the studies say.
    assert gained["waste"].high < 0
    assert gained["life_spread"].high < 0
    assert gained["short"].high < 0
    first_in = replay(world, Policy.FIRST_IN)
    assert estimate(pairs[0].life_spread - first_in.life_spread).high < 0


def test_label_and_model_are_equal_where_no_exposure_differs() -> None:
    world = invented_world(replace(STORE, warm_share=0.0), **RUNS)
    assert (world.true_end == world.label_end).all()
    by_model, by_label = replay(world, Policy.MODELLED), replay(world, Policy.LABEL)
    for one in fields(by_model):
        assert (getattr(by_model, one.name) == getattr(by_label, one.name)).all()


def test_the_gain_shrinks_as_life_grows_against_the_spread_of_exposure() -> None:
    """The time spent warm costs the same days of life whatever the whole life is."""
    gains = []
    for life_days in (60.0, 120.0, 240.0, 480.0):
        world = invented_world(replace(STORE, life_days=life_days), **RUNS)
        waste = [replay(world, policy).waste.sum() for policy in (Policy.LABEL, Policy.MODELLED)]
        gains.append((waste[0] - waste[1]) / world.cases.sum())
    assert gains == sorted(gains, reverse=True)
    assert gains[-1] < gains[0] / 5


def test_time_spent_warm_costs_what_the_ageing_model_says() -> None:
    """The invented lots age by the law that ages real stock: `life_used` over the same history."""
    scenario = replace(STORE, warm_share=1.0, warm_sd_c=0.0, most_lag_days=0)
    world = invented_world(scenario, **RUNS)
    route = Route("staling", scenario.planned_c, scenario.life_days, scenario.activation_kj_mol)
    packaged = world.label_end - int(scenario.life_days)
    lost_h = 24.0 * (world.label_end - world.true_end)[0, 0]
    ratio = route.rate_per_day(scenario.warm_c) / route.rate_per_day(scenario.planned_c)
    hours = lost_h / (ratio - 1)
    end_h = 24.0 * (world.true_end - packaged)[0, 0]
    used = life_used(
        [0, hours, hours, end_h], [scenario.warm_c] * 2 + [scenario.planned_c] * 2, routes=[route]
    )
    # Ends are whole days, so up to a day of life is left or missing.
    assert used["staling"] == pytest.approx(1, abs=1.01 / scenario.life_days)


def test_a_replication_does_not_depend_on_how_many_there_are() -> None:
    few, many = (invented_world(STORE, replications=count, seed=3) for count in (2, 5))
    assert (few.true_end == many.true_end[:2]).all()
    assert (few.wanted == many.wanted[:2]).all()
    other = invented_world(STORE, replications=2, seed=4)
    assert (few.wanted != other.wanted).any()


def test_intervals_are_student_s() -> None:
    """t(0.975, 2 degrees of freedom) = 4.303, any table of Student's t; 4.303/√3 = 2.484."""
    found = estimate(np.array([1.0, 2.0, 3.0]))
    assert (found.mean, round(found.high - found.mean, 3)) == (2.0, 2.484)


def test_demand_of_own_data_is_drawn_by_weekday() -> None:
    lots = [LotSeen(700_000, 100, 700_090, 700_060)]
    lines = [LineSeen(700_000, 5, 10), LineSeen(700_007, 7, 10), LineSeen(700_001, 3, 30)]
    world = own_world(lots, lines, first=700_000, last=700_013, days=21, replications=30, seed=1)
    assert world.min_life.tolist() == [10, 30]
    for day in range(21):
        drawn = set(world.wanted[:, day].sum(axis=1).tolist())
        assert drawn == {0: {5, 7}, 1: {0, 3}}.get(day % 7, {0})
    assert (world.label_end[0, 0], world.true_end[0, 0], world.arrives[0, 0]) == (90, 60, 0)
    with pytest.raises(Invalid):
        own_world(lots, [], first=700_000, last=700_013, days=21, replications=30, seed=1)


@pytest.mark.parametrize(
    "wrong", [{"life_days": 0}, {"warm_share": 1.5}, {"class_shares": (0.5, 0.5)}, {"scatter": float("nan")}]
)
def test_a_store_like_no_other_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(Invalid):
        Scenario(**wrong)  # type: ignore[arg-type]


def test_the_command_answers_the_same_to_the_same_seed() -> None:
    run = CliRunner()
    asked = ["simulate", "--days", "60", "--replications", "5", "--json"]
    first, second = (run.invoke(make_app("simulate"), asked) for _ in range(2))
    assert first.exit_code == 0, first.output
    assert first.stdout == second.stdout
    told = json.loads(first.stdout)
    found = told["products"]["invented"]
    assert set(found["measures"]) == {policy.value for policy in Policy}
    low, mean, high = (found["differences"][Policy.MODELLED]["waste"][key] for key in ("low", "mean", "high"))
    assert low <= mean <= high <= 0
    shown = run.invoke(make_app("simulate"), asked[:-1])
    assert shown.exit_code == 0
    assert "by model" in shown.stdout
