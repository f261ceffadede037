"""
Air and goods in a refrigerated body, solved exactly.

One temperature for the air (with the body's inside), one for all goods of one time constant: these follow
the air as ``dT/dt = (T_air − T)/τ`` and give it what they give up. Outside, doors and the unit's way of
running are constant in a stretch, so every temperature is a sum of decaying exponentials; a stretch ends
where the unit changes how it runs, found as the zero of such a sum. No time is stepped through.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rimekeep.loading.core.decays import NIL, Decays, FloatArray
from rimekeep.loading.core.reefer import Line

# Goods quicker than this are as quick as the air for all that a dispatcher sees. [s]
QUICKEST_TAU_S = 180.0
# Changes of running within one stretch of constant outside; a thermostat changes a few times.
MOST_CHANGES = 1000


class Running(StrEnum):
    """How the unit runs."""

    OFF = "off"
    HOLDING = "holding"
    COOLING = "cooling at its most"
    HEATING = "heating at its most"


@dataclass(frozen=True, slots=True)
class Goods:
    """Goods of one time constant: what they hold of heat, and their mean temperature. [s, J/K, °C]"""

    tau_s: float
    heat_j_k: float
    temp_c: float

    @property
    def link_w_k(self) -> float:
        """Return what ties them to the air. [W/K]"""
        return self.heat_j_k / self.tau_s


@dataclass(frozen=True, slots=True)
class Setting:
    """What is constant in a stretch. ``gain_w_k`` is walls and open doors together. [°C, W/K, °C]"""

    outside_c: float
    gain_w_k: float
    setpoint_c: float
    is_on: bool
    line: Line
    heating_w: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """
    A time in which everything moves by one law: from ``start_s`` for ``length_s``.

    ``cooled_j`` is what the unit took out (below zero: put in).
    """

    start_s: float
    length_s: float
    running: Running
    air: Decays
    cooled_j: float


def air_at(stretches: Sequence[Stretch], at_s: FloatArray) -> FloatArray:
    """Return the air at times from the first stretch's start to the last one's end. [s] → [°C]"""
    starts = np.array([one.start_s for one in stretches])
    which = np.clip(np.searchsorted(starts, at_s, side="right") - 1, 0, len(stretches) - 1)
    found = np.empty(at_s.size)
    for k in np.unique(which):
        here = which == k
        found[here] = stretches[k].air.on(at_s[here] - stretches[k].start_s)
    return found


def run(
    *,
    start_s: float,
    length_s: float,
    air_c: float,
    heat_j_k: float,
    goods: Sequence[Goods],
    setting: Setting,
) -> tuple[list[Stretch], float, tuple[Goods, ...]]:
    """
    Return what happens while outside, doors and goods stay the same, and the air and goods at the end.

    Parameters
    ----------
    start_s, length_s
        When it begins, in any count, and how long it lasts, >= 0. [s]
    air_c, heat_j_k
        Air at the start, and what it and the body's inside hold of heat, > 0. [°C, J/K]
    goods
        With different time constants, each of `QUICKEST_TAU_S` at least.
    setting
        With a ``gain_w_k`` above 0: what lets no heat through never comes to rest.
    """
    done: list[Stretch] = []
    left, at_s = length_s, start_s
    while left > NIL:
        if len(done) > MOST_CHANGES:
            raise RuntimeError(f"the unit changed how it runs {MOST_CHANGES} times in {length_s} s")
        running = _running(air_c, goods, setting)
        if running == Running.HOLDING:
            stretch, air_c, goods = _hold(at_s, left, goods, setting)
        else:
            stretch, air_c, goods = _drift(at_s, left, air_c, heat_j_k, goods, setting, running)
        done.append(stretch)
        at_s += stretch.length_s
        left -= stretch.length_s
    return done, air_c, tuple(goods)


def demand_w(goods: Sequence[Goods], setting: Setting, at_c: float) -> float:
    """Return the heat that comes into the air at a temperature. [W]"""
    warm = sum(one.link_w_k * (one.temp_c - at_c) for one in goods)
    return setting.gain_w_k * (setting.outside_c - at_c) + warm


def _running(air_c: float, goods: Sequence[Goods], setting: Setting) -> Running:
    held = setting.setpoint_c
    if not setting.is_on:
        return Running.OFF
    if air_c > held + NIL:
        return Running.COOLING
    if air_c < held - NIL:
        return Running.HEATING
    asked = _asked(goods, setting)
    if _rises_above(asked, setting.line.at(held)):
        return Running.COOLING
    return Running.HEATING if _rises_above(asked.times(-1), setting.heating_w) else Running.HOLDING


def _asked(goods: Sequence[Goods], setting: Setting) -> Decays:
    """Return what is asked of the unit from now on, the air being at the set point. [W]"""
    held = setting.setpoint_c
    return Decays(
        setting.gain_w_k * (setting.outside_c - held),
        np.array([one.link_w_k * (one.temp_c - held) for one in goods]),
        np.array([1 / one.tau_s for one in goods]),
    )


def _rises_above(asked: Decays, limit: float) -> bool:
    """Tell whether a demand is above a limit, or at it and about to be."""
    over = asked.at(0) - limit
    return over > NIL or (over >= -NIL and asked.slope() > 0)


def _hold(
    at_s: float, left: float, goods: Sequence[Goods], setting: Setting
) -> tuple[Stretch, float, tuple[Goods, ...]]:
    """Hold the set point until more is asked than the unit gives, or the time is over."""
    held, asked = setting.setpoint_c, _asked(goods, setting)
    ends = [left]
    for limit_w in (setting.line.at(held), -setting.heating_w):
        found = asked.less(limit_w).first_zero(left)
        ends += [] if found is None else [found]
    length = min(ends)
    kept = tuple(
        Goods(one.tau_s, one.heat_j_k, held + (one.temp_c - held) * float(np.exp(-length / one.tau_s)))
        for one in goods
    )
    flat = Decays(held, np.empty(0), np.empty(0))
    return Stretch(at_s, length, Running.HOLDING, flat, asked.integral(length)), held, kept


def _drift(
    at_s: float,
    left: float,
    air_c: float,
    heat_j_k: float,
    goods: Sequence[Goods],
    setting: Setting,
    running: Running,
) -> tuple[Stretch, float, tuple[Goods, ...]]:
    """Let air and goods move with the unit off or at its most, until that changes."""
    offset_w, slope_w_k = _taken(air_c, goods, setting, running)
    tie_w_k = setting.gain_w_k + slope_w_k
    rest_c = (setting.gain_w_k * setting.outside_c - offset_w) / tie_w_k
    air, parts = _modes(air_c, heat_j_k, goods, tie_w_k, rest_c)
    levels = [] if running == Running.OFF else [setting.setpoint_c]
    if running == Running.COOLING:
        levels += [bend for bend in setting.line.inside_c if bend > setting.setpoint_c]
    ends: dict[float, float] = {}
    for level_c in levels:
        found = air.less(level_c).first_zero(left)
        if found is not None:
            ends[found] = level_c
    length = min(ends, default=left)
    reached = ends.get(length, air.at(length))
    kept = tuple(
        Goods(one.tau_s, one.heat_j_k, part.at(length)) for one, part in zip(goods, parts, strict=True)
    )
    cooled = offset_w * length + slope_w_k * air.integral(length)
    return Stretch(at_s, length, running, air, cooled), reached, kept


def _taken(air_c: float, goods: Sequence[Goods], setting: Setting, running: Running) -> tuple[float, float]:
    """Return what the unit takes out at its most, (a, b) of ``a + b T``. [W, W/K]"""
    if running == Running.OFF:
        return 0.0, 0.0
    if running == Running.HEATING:
        return -setting.heating_w, 0.0
    on_bend = [bend for bend in setting.line.inside_c if abs(air_c - bend) <= NIL]
    is_falling = demand_w(goods, setting, air_c) < setting.line.at(air_c)
    # At a bend of the line the side counts that the air moves to.
    beside = on_bend[0] + (-2 * NIL if is_falling else 2 * NIL) if on_bend else air_c
    return setting.line.piece(beside)


def _modes(
    air_c: float, heat_j_k: float, goods: Sequence[Goods], tie_w_k: float, rest_c: float
) -> tuple[Decays, list[Decays]]:
    """
    Return air and goods as sums of exponentials on their way to rest.

    Scaled by the roots of what each holds of heat, the system is symmetric: its modes are real and decay.
    """
    heats = np.array([heat_j_k, *(one.heat_j_k for one in goods)])
    links = np.array([one.link_w_k for one in goods])
    roots = np.sqrt(heats)
    system = np.zeros((heats.size, heats.size))
    system[0, 0] = (tie_w_k + links.sum()) / heat_j_k
    system[0, 1:] = system[1:, 0] = -links / (roots[0] * roots[1:])
    system[np.arange(1, heats.size), np.arange(1, heats.size)] = [1 / one.tau_s for one in goods]
    rates, vectors = np.linalg.eigh(system)
    start = np.array([air_c - rest_c, *(one.temp_c - rest_c for one in goods)])
    factors = vectors * (vectors.T @ (start * roots)) / roots[:, None]
    made = [Decays(rest_c, factors[k], np.maximum(rates, 0.0)) for k in range(heats.size)]
    return made[0], made[1:]
