"""Airs of a divided body against an ODE solver, and what follows from how they are coupled."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rimekeep.loading.core.aboard import Load
from rimekeep.loading.core.airs import run_airs
from rimekeep.loading.core.box import Goods, Running, air_at
from rimekeep.loading.core.division import Division, Opening, Part, Space, Together
from rimekeep.loading.core.reefer import Body, Capacity, CapacityPoint
from rimekeep.loading.core.road import Leg, Road, forecast
from rimekeep.loading.core.road_cold import RoadCold
from rimekeep.loading.core.road_divided import forecast_divided, precool_divided_s
from rimekeep.loading.core.road_help import Asked, remedies, short_w

PALLET_J_K = 700 * 4000.0
# An invented body of 90 m² and a unit of one line, so that one air and several see the same capacity.
BODY = Body(90.0, 0.5, Capacity.of([CapacityPoint(30, 0, 6000)]), 2.4, 2.4, has_curtain=False, heat_j_k=7.2e5)
TWO = Division((Part(0.4, 4.0, 2.0, 6.0, 3500.0), Part(0.6, 10.0, 8.0, 12.0, 3500.0)), 4.0)
DAY = ((0.0, 18.0), (3600.0, 24.0), (7200.0, 29.0), (10800.0, 30.0))


def road(*legs: Leg, ambient: tuple[tuple[float, float], ...] = DAY) -> Road:
    return Road(legs or (Leg(3600, 1200, 600),) * 4, ambient, 60.0, 0.8, 0.8)


def goods(count: int = 12, drops: int = 4) -> list[Load]:
    """The cellar's pallets come warm, the cold ones a little; by turns for each drop."""
    return [
        Load(k, 1 + k // 2 % drops, PALLET_J_K, (14 + k % 3) * 3600.0, (5.0, 11.0)[k % 2], part=k % 2)
        for k in range(count)
    ]


def divided(**changed: Any) -> tuple[RoadCold, ...]:
    facts = {"body": BODY, "division": TWO, "way": road(), "loads": goods(), "start": None} | changed
    return forecast_divided(
        facts["body"], facts["division"], facts["way"], facts["loads"], start_air_c=facts["start"]
    )


# --- the reference: Dormand and Prince's method of order 8 (SciPy's DOP853), written without the solution


@dataclass
class Stepper:
    """Integrates one stretch of constant outside; who holds, pulls or heats changes at the solver's events."""

    together: Together
    taus: list[list[float]]
    heats: list[list[float]]

    def parts(self, y: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
        n = len(self.together.spaces)
        ends = np.cumsum([n, *map(len, self.taus)])
        return y[:n], [y[a:b] for a, b in pairwise(ends)]

    def heat_in(self, y: np.ndarray) -> list[float]:
        airs, inside = self.parts(y)
        found = []
        for k, space in enumerate(self.together.spaces):
            w = space.gain_w_k * (self.together.outside_c - airs[k])
            w += sum(
                h / t * (g - airs[k]) for h, t, g in zip(self.heats[k], self.taus[k], inside[k], strict=True)
            )
            if k:
                w += self.together.ties_w_k[k - 1] * (airs[k - 1] - airs[k])
            if k + 1 < len(airs):
                w += self.together.ties_w_k[k] * (airs[k + 1] - airs[k])
            found.append(w)
        return found

    def level(self, modes: Sequence[str], asked: Sequence[float]) -> float:
        """The share of its own power that who pulls gets."""
        pull = sum(s.most_w for s, m in zip(self.together.spaces, modes, strict=True) if m == "pull")
        held = sum(max(q, 0.0) for q, m in zip(asked, modes, strict=True) if m == "hold")
        return min(1.0, (self.together.total_w - held) / pull) if pull else 1.0

    def slope(self, modes: Sequence[str], y: np.ndarray) -> np.ndarray:
        airs, inside = self.parts(y)
        asked = self.heat_in(y)
        level = self.level(modes, asked)
        moved = []
        for k, (space, mode) in enumerate(zip(self.together.spaces, modes, strict=True)):
            if mode == "hold":
                moved.append(0.0)
                continue
            taken = {"off": 0.0, "pull": level * space.most_w, "heat": -space.heating_w}[mode]
            moved.append((asked[k] - taken) / space.heat_j_k)
        parts = [(airs[k] - g) / np.array(t) for k, (g, t) in enumerate(zip(inside, self.taus, strict=True))]
        return np.concatenate([moved, *parts])

    def begin(self, y: np.ndarray) -> list[str]:
        if not self.together.is_on:
            return ["off"] * len(self.together.spaces)
        airs, _ = self.parts(y)
        modes = []
        for air, space in zip(airs, self.together.spaces, strict=True):
            over = air - space.setpoint_c
            modes.append("pull" if over > 1e-8 else "heat" if over < -1e-8 else "hold")
        return self.settled(modes, y)

    def settled(self, modes: list[str], y: np.ndarray) -> list[str]:
        asked = self.heat_in(y)
        while True:
            held = [k for k, m in enumerate(modes) if m == "hold"]
            pull = [k for k, m in enumerate(modes) if m == "pull"]
            level = self.level(modes, asked)
            if not pull and sum(max(asked[k], 0) for k in held) > self.together.total_w + 1e-6:
                level = 0.0
            over = [k for k in held if asked[k] > level * self.together.spaces[k].most_w + 1e-6]
            cold = [k for k in held if -asked[k] > self.together.spaces[k].heating_w + 1e-6]
            if over:
                modes[max(over, key=lambda k: asked[k] / self.together.spaces[k].most_w)] = "pull"
            elif cold:
                modes[cold[0]] = "heat"
            else:
                return modes

    def run(self, y: np.ndarray, span: float, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the airs at times, and everything at the end."""
        t, modes, seen = 0.0, self.begin(y), []
        while t < span - 1e-9:
            events, what = [], []
            for k, mode in enumerate(modes):
                space = self.together.spaces[k]
                for name, function, direction in self._watch(k, mode, modes, space):
                    function.terminal, function.direction = True, direction
                    events.append(function)
                    what.append((k, name))
            at = grid[(grid > t) & (grid <= span)]
            done = solve_ivp(
                lambda _t, y, m=tuple(modes): self.slope(m, y),
                (t, span),
                y,
                method="DOP853",
                events=events,
                rtol=1e-12,
                atol=1e-12,
                max_step=300,
                dense_output=True,
            )
            here = at[at <= done.t[-1]]
            seen += [done.sol(one)[: len(modes)] for one in here]
            t, y = done.t[-1], done.y[:, -1].copy()
            for (k, name), times in zip(what, done.t_events or [], strict=True):
                if times.size:
                    modes[k] = name
                    if name == "hold":
                        y[k] = self.together.spaces[k].setpoint_c
            if done.status == 1 and "off" not in modes:
                modes = self.settled(modes, y)
        return np.array(seen), y

    def _watch(self, k: int, mode: str, modes: Sequence[str], space: Space) -> list[Any]:
        now = tuple(modes)

        def short(y: np.ndarray) -> float:
            asked = self.heat_in(y)
            pull = any(m == "pull" for m in now)
            if pull:
                return asked[k] - self.level(now, asked) * space.most_w
            everyone = sum(max(q, 0.0) for q, m in zip(asked, now, strict=True) if m == "hold")
            shares = [q / s.most_w for q, s in zip(asked, self.together.spaces, strict=True)]
            is_worst = asked[k] / space.most_w == max(shares)
            return max(asked[k] - space.most_w, everyone - self.together.total_w if is_worst else -1e9)

        if mode == "pull":
            return [("hold", lambda _t, y: y[k] - space.setpoint_c, -1)]
        if mode == "heat":
            return [("hold", lambda _t, y: y[k] - space.setpoint_c, 1)]
        if mode == "hold":
            return [
                ("pull", lambda _t, y: short(y), 1),
                ("heat", lambda _t, y: -self.heat_in(y)[k] - space.heating_w, 1),
            ]
        return []


def drawn(seed: int, count: int) -> tuple[list[float], tuple[tuple[Goods, ...], ...], list[Together], float]:
    """Compartments whose unit is now and then short, with doors open in between."""
    draw = random.Random(seed)
    span = draw.choice([1800.0, 5400.0])
    setpoints = [draw.choice([-2.0, 4.0, 10.0]) for _ in range(count)]
    most = [draw.uniform(800, 4000) for _ in range(count)]
    walls = [draw.uniform(8, 40) for _ in range(count)]
    heats = [draw.uniform(1e5, 6e5) for _ in range(count)]
    ties = tuple(draw.uniform(2, 30) for _ in range(count - 1))
    inside = tuple(
        tuple(
            Goods(tau, draw.uniform(1, 8) * PALLET_J_K, setpoints[k] + draw.uniform(-2, 5))
            for tau in draw.sample([3600.0 * 10, 3600.0 * 14, 3600.0 * 20], draw.randrange(3))
        )
        for k in range(count)
    )
    stretches = []
    for n in range(4):
        outside = draw.uniform(-15, 35)
        is_open = n % 2 == 1
        stretches.append(
            Together(
                outside,
                not is_open,
                draw.uniform(0.4, 1.3) * sum(most),
                tuple(
                    Space(
                        heats[k],
                        walls[k] + (draw.uniform(0, 900) if is_open else 0.0),
                        setpoints[k],
                        most[k],
                        draw.uniform(100, 900),
                    )
                    for k in range(count)
                ),
                tuple(tie + (draw.choice([0, 300]) if is_open else 0) for tie in ties),
            )
        )
    return [point + draw.choice([0.0, 0.0, 6.0, -3.0]) for point in setpoints], inside, stretches, span


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("seed", range(8))
def test_airs_and_goods_agree_with_an_ode_solver(seed: int, count: int) -> None:
    """SciPy's DOP853 at 1e-12; every air along the way and everything at the end to 1e-6 K."""
    airs_c, inside, stretches, span = drawn(100 * count + seed, count)
    y = np.array([*airs_c, *(one.temp_c for own in inside for one in own)])
    airs: tuple[float, ...] = tuple(airs_c)
    for together in stretches:
        stepper = Stepper(
            together,
            [[g.tau_s for g in own] for own in inside],
            [[g.heat_j_k for g in own] for own in inside],
        )
        grid = np.linspace(0, span, 41)[1:]
        seen, y = stepper.run(y, span, grid)
        done, airs, inside = run_airs(
            start_s=0.0, length_s=span, airs_c=airs, goods=inside, together=together
        )
        for k in range(count):
            assert np.abs(air_at(done[k], grid) - seen[:, k]).max() < 1e-6
        ends = np.array([*airs, *(one.temp_c for own in inside for one in own)])
        assert np.abs(ends - y).max() < 1e-6


def test_the_drawn_trips_meet_every_way_a_unit_can_run() -> None:
    met: set[tuple[str, ...]] = set()
    for seed in range(8):
        airs, inside, stretches, span = drawn(200 + seed, 2)
        for together in stretches:
            done, airs, inside = run_airs(
                start_s=0.0, length_s=span, airs_c=airs, goods=inside, together=together
            )
            met |= {tuple(sorted(one.running.name for one in both)) for both in zip(*done, strict=True)}
    assert {name for both in met for name in both} == {way.name for way in Running}
    assert ("COOLING", "COOLING") in met
    assert ("COOLING", "HOLDING") in met


# --- what follows from how it is coupled


def test_two_alike_behave_as_one_air_of_both() -> None:
    """Equal halves with one set point pass nothing between them; doors to both by halves of the whole."""
    part = Part(0.5, 4.0, 2.0, 6.0, 50_000.0, has_side_door=True)
    division = Division((part, part), 5.0)
    loads = [replace(one, core_c=6.5, drop=1, part=k % 2, tau_s=50_000.0) for k, one in enumerate(goods())]
    way = road(Leg(7200, 900, 0))
    whole = forecast(BODY, way, loads, setpoint_c=4.0, low_c=2.0, high_c=6.0, start_air_c=20.0)
    for half in forecast_divided(BODY, division, way, loads, start_air_c=20.0):
        times, airs = half.knots(7200)
        assert np.abs(airs - air_at(whole.stretches, times)).max() < 1e-6
        assert half.legs[0].beside_w == pytest.approx(0, abs=1e-6)
        for key, core_c in half.cores.items():
            assert core_c == pytest.approx(whole.cores[key], abs=1e-6)
    assert 2 * half.legs[0].demand_w == pytest.approx(whole.legs[0].demand_w)


def test_walls_and_bulkhead_are_held_with_the_watts_of_a_hand_calculation() -> None:
    """At rest, 30 °C outside: 0.4 × 45 W/K × 26 K = 468 W and 0.6 × 45 × 20 = 540 W; bulkhead 4 × 6 = 24 W."""
    way = road(Leg(36_000, 0, 0), ambient=((0.0, 30.0),))
    loads = [Load(0, 1, PALLET_J_K, 50_000, 4.0, 0), Load(1, 1, PALLET_J_K, 50_000, 10.0, 1)]
    front, rear = divided(way=way, loads=loads)
    assert (front.verdict, rear.verdict) == ("yes", "yes")
    assert front.legs[0].walls_w == pytest.approx(468)
    assert (front.legs[0].beside_w, rear.legs[0].beside_w) == (pytest.approx(24), pytest.approx(-24))
    assert rear.legs[0].demand_w == pytest.approx(540 - 24)
    assert front.legs[0].capacity_w == pytest.approx(3500)


def test_doors_open_where_goods_come_out() -> None:
    """The way to the front leads through the bulkhead and the rear; a side door spares both."""
    three = Division((*TWO.parts, TWO.parts[1]), 4.0)
    assert Opening.at_stop(three, {2}) == Opening(frozenset({2}), frozenset())
    assert Opening.at_stop(three, {0}) == Opening(frozenset({2}), frozenset({0, 1}))
    assert Opening.at_stop(three, {1, 2}) == Opening(frozenset({2}), frozenset({1}))
    sided = Division((replace(TWO.parts[0], has_side_door=True), TWO.parts[1]), 4.0)
    assert Opening.at_stop(sided, {0}) == Opening(frozenset({0}), frozenset())
    # Of a drop of the rear alone the front sees nothing but the bulkhead.
    stop = [Load(k, 1 + k % 2, PALLET_J_K, 50_000, 10.0, 1) for k in range(4)]
    ahead = [Load(9, 2, PALLET_J_K, 50_000, 4.0, 0)]
    way = road(Leg(1800, 1200, 900), Leg(1800, 0, 0))
    front, rear = divided(way=way, loads=[*stop, *ahead])
    assert front.legs[1].doors_w == 0
    assert rear.legs[1].doors_w > 0
    through, behind = divided(way=way, loads=[*stop, *ahead, Load(10, 1, PALLET_J_K, 50_000, 4.0, 0)])
    assert through.legs[1].beside_w > front.legs[1].beside_w
    assert through.legs[1].air_max_c > front.legs[1].air_max_c
    assert behind.legs[1].air_max_c < rear.legs[1].air_max_c


def test_a_weak_unit_says_no_for_the_compartment_it_does_not_hold() -> None:
    weak = Division((replace(TWO.parts[0], evaporator_w=300.0), TWO.parts[1]), 4.0)
    front, rear = divided(division=weak)
    assert (front.verdict, rear.verdict) == ("no", "yes")
    asked = Asked(BODY, road(), tuple(goods()), 4.0, 2.0, 6.0, None, weak)
    more_w = short_w(asked)
    assert more_w is not None
    strong = Division((replace(TWO.parts[0], evaporator_w=300.0 + more_w), TWO.parts[1]), 4.0)
    assert divided(division=strong)[0].hottest.air_end_c == pytest.approx(6.0, abs=0.05)
    assert all(isinstance(one.text, str) for one in remedies(asked, others={}))


def test_a_compartment_is_judged_until_its_last_drop() -> None:
    loads = [replace(one, drop=1) if one.part == 1 else one for one in goods()]
    front, rear = divided(loads=loads)
    assert (len(front.legs), len(rear.legs)) == (4, 1)


def test_each_compartment_is_precooled_by_its_own() -> None:
    """Of two equal halves the one set colder takes longer, and longer than without walls: m c ΔT / P."""
    halves = Division(tuple(replace(part, share=0.5) for part in TWO.parts), 4.0)
    front, rear = precool_divided_s(BODY, halves, start_c=25.0, outside_c=25.0)
    assert front is not None
    assert rear is not None
    assert front > rear > BODY.heat_j_k / 2 * 15 / 3500
    assert front > BODY.heat_j_k / 2 * 21 / 3500
    none = Division((replace(TWO.parts[0], evaporator_w=100.0), TWO.parts[1]), 4.0)
    assert precool_divided_s(BODY, none, start_c=25.0, outside_c=25.0)[0] is None


@given(
    st.floats(1.0, 40.0),
    st.floats(400.0, 6000.0),
    st.floats(0.15, 0.85),
    st.lists(st.tuples(st.integers(1, 3), st.integers(0, 1), st.floats(-1, 20)), min_size=1, max_size=8),
    st.floats(-10, 38),
)
@settings(max_examples=40, deadline=None)
def test_heat_is_neither_made_nor_lost_between_compartments(
    bulkhead_w_k: float, most_w: float, share: float, some: list[tuple[int, int, float]], outside_c: float
) -> None:
    """What comes in less what the unit takes out is what air, body and goods gain; bulkheads only pass it on."""
    division = Division(
        (Part(share, 4.0, 2.0, 6.0, most_w), Part(1 - share, 10.0, 8.0, 12.0, most_w)), bulkhead_w_k
    )
    loads = [Load(k, drop, PALLET_J_K, 50_000.0, core, part) for k, (drop, part, core) in enumerate(some)]
    way = road(*(Leg(2400, 900, 600),) * 3, ambient=((0.0, outside_c),))
    both = divided(division=division, way=way, loads=loads, start=outside_c)
    assert sum(len(cold.cores) for cold in both) == len(loads)
    for n in range(min(len(cold.legs) for cold in both)):
        one, other = (cold.legs[n] for cold in both)
        assert one.beside_w == pytest.approx(-other.beside_w, abs=1e-6)
    for cold, part in zip(both, division.parts, strict=True):
        leg = cold.legs[0]
        own = [one for one in cold.stretches if one.start_s < leg.until_s]
        cooled_w = sum(one.cooled_j for one in own) / (leg.until_s - leg.from_s)
        ended_w = BODY.heat_j_k * part.share * (leg.air_end_c - part.setpoint_c) / (leg.until_s - leg.from_s)
        assert leg.demand_w == pytest.approx(cooled_w + ended_w, abs=1e-4)
        # Nobody takes out more than its evaporator, and together no more than the unit gives.
        assert all(one.cooled_j <= most_w * one.length_s * (1 + 1e-9) + 1e-3 for one in cold.stretches)
    for pair in zip(*(cold.stretches for cold in both), strict=True):
        all_j = sum(max(one.cooled_j, 0.0) for one in pair)
        assert all_j <= 6000 * pair[0].length_s * (1 + 1e-9) + 1e-3


@given(st.floats(0.0, 8.0), st.floats(0.0, 60.0))
@settings(max_examples=20, deadline=None)
def test_a_warmer_day_leaves_no_compartment_colder(warmer_k: float, bulkhead_w_k: float) -> None:
    division = replace(TWO, bulkhead_w_k=bulkhead_w_k + 0.1)
    mild = divided(division=division)
    hot = divided(division=division, way=road(ambient=tuple((at, c + warmer_k) for at, c in DAY)))
    for cool, warm in zip(mild, hot, strict=True):
        for one, other in zip(cool.legs, warm.legs, strict=True):
            assert other.air_end_c >= one.air_end_c - 1e-6
