"""
The airs of a body divided by bulkheads, solved exactly together.

Each compartment has its air (with its part of the body's inside), goods that follow it, and an evaporator
with a set point of its own; neighbours pass heat through the bulkhead. One unit feeds the evaporators: those
that ask for less leave the rest to the others, in proportion to what each can take out. While all run the
same way the whole is linear with constant coefficients, and every temperature a sum of exponentials; a
stretch ends where one begins to run another way.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.loading.core.air_ways import Ways, choose
from rimekeep.loading.core.box import MOST_CHANGES, Goods, Running, Stretch
from rimekeep.loading.core.decays import NIL, Decays, FloatArray
from rimekeep.loading.core.division import Together

# Rates nearer than this, of the quicker one, are held apart by it: nothing else tells them apart. [-]
_APART = 1e-8

Held = tuple[tuple[Goods, ...], ...]
"""Goods of every compartment, front first."""


@dataclass(frozen=True, slots=True)
class _Moving:
    """How all goes on while everyone runs the same way: airs, goods, what each evaporator takes out."""

    airs: tuple[Decays, ...]
    goods: tuple[tuple[Decays, ...], ...]
    taken: tuple[Decays, ...]


def run_airs(
    *, start_s: float, length_s: float, airs_c: Sequence[float], goods: Held, together: Together
) -> tuple[list[list[Stretch]], tuple[float, ...], Held]:
    """
    Return what happens while outside, doors and goods stay the same, compartment by compartment.

    Parameters
    ----------
    start_s, length_s
        When it begins, in any count, and how long it lasts, >= 0. [s]
    airs_c, goods
        Air and goods of every compartment at the start, front first; goods of different time constants, each
        of `box.QUICKEST_TAU_S` at least. [°C]
    together
        The compartments and what feeds them.

    Returns
    -------
    tuple
        Stretches of every compartment, all with the same ends; airs and goods at the end.
    """
    done: list[list[Stretch]] = [[] for _ in airs_c]
    airs = tuple(airs_c)
    left, at_s = length_s, start_s
    while left > NIL:
        if len(done[0]) > MOST_CHANGES:
            raise RuntimeError(f"the unit changed how it runs {MOST_CHANGES} times in {length_s} s")
        ways = choose(airs, goods, together)
        moving = _moving(airs, goods, together, ways)
        length, arrives = _until(moving, together, ways, left)
        for k, own in enumerate(done):
            air = moving.airs[k]
            own.append(Stretch(at_s, length, ways.running[k], air, moving.taken[k].integral(length)))
        airs = tuple(
            together.spaces[k].setpoint_c if k == arrives else air.at(length)
            for k, air in enumerate(moving.airs)
        )
        goods = tuple(
            tuple(
                Goods(one.tau_s, one.heat_j_k, part.at(length)) for one, part in zip(own, parts, strict=True)
            )
            for own, parts in zip(goods, moving.goods, strict=True)
        )
        at_s += length
        left -= length
    return done, airs, goods


def _until(moving: _Moving, together: Together, ways: Ways, left: float) -> tuple[float, int | None]:
    """Return how long everyone runs the same way, and whose air is at its set point then, if anyone's."""
    found: list[tuple[float, int | None]] = [(left, None)]

    def look(value: Decays, arrives: int | None = None) -> None:
        at = value.first_zero(left)
        if at is not None:
            found.append((at, arrives))

    if ways.running[0] == Running.OFF:
        return left, None
    for k, space in enumerate(together.spaces):
        if ways.running[k] in (Running.COOLING, Running.HEATING):
            look(moving.airs[k].less(space.setpoint_c), k)
            continue
        look(moving.taken[k])
        look(moving.taken[k].less(-space.heating_w))
        if ways.is_short:
            # What it may have at most is its share of what the satisfied ones leave.
            share = space.most_w / ways.pulling_w
            over = _sum((1.0, moving.taken[k]), *((share, moving.taken[h]) for h in ways.satisfied))
            look(over.less(share * together.total_w))
        else:
            look(moving.taken[k].less(space.most_w))
    asked = _sum(*((1.0, moving.taken[h]) for h in ways.satisfied))
    look(asked.less(together.total_w - ways.pulling_w))
    return min(found, key=lambda one: one[0])


def _moving(airs: Sequence[float], goods: Held, together: Together, ways: Ways) -> _Moving:
    spaces = together.spaces
    free = [k for k, way in enumerate(ways.running) if way != Running.HOLDING]
    held_goods = {
        k: tuple(
            Decays(
                spaces[k].setpoint_c,
                np.array([one.temp_c - spaces[k].setpoint_c]),
                np.array([1 / one.tau_s]),
            )
            for one in goods[k]
        )
        for k, way in enumerate(ways.running)
        if way == Running.HOLDING
    }
    solved = _solved(airs, goods, together, ways, free)
    flat = (np.empty(0), np.empty(0))
    found = tuple(
        solved[k][0] if k in solved else Decays(spaces[k].setpoint_c, *flat) for k in range(len(spaces))
    )
    parts = tuple(solved[k][1] if k in solved else held_goods[k] for k in range(len(spaces)))
    asked = {k: _asked(k, found, parts, goods, together) for k in held_goods}
    used = _sum(*((1.0, asked[h]) for h in ways.satisfied))
    taken = []
    for k, space in enumerate(spaces):
        if ways.running[k] == Running.HOLDING:
            taken.append(asked[k])
        elif ways.running[k] == Running.COOLING:
            share = space.most_w / ways.pulling_w
            taken.append(
                used.times(-share).less(-share * together.total_w)
                if ways.is_short
                else Decays(space.most_w, *flat)
            )
        else:
            taken.append(Decays(-space.heating_w if ways.running[k] == Running.HEATING else 0.0, *flat))
    return _Moving(found, parts, tuple(taken))


def _asked(
    k: int,
    airs: Sequence[Decays],
    parts: Sequence[Sequence[Decays]],
    goods: Held,
    together: Together,
) -> Decays:
    """Return the heat that comes into an air held at its set point. [W]"""
    space = together.spaces[k]
    links = [
        (one.link_w_k, part.less(space.setpoint_c)) for one, part in zip(goods[k], parts[k], strict=True)
    ]
    beside = [(tie, airs[other].less(space.setpoint_c)) for other, tie in together.beside(k)]
    walls = space.gain_w_k * (together.outside_c - space.setpoint_c)
    return _sum(*links, *beside).less(-walls)


def _solved(
    airs: Sequence[float], goods: Held, together: Together, ways: Ways, free: Sequence[int]
) -> dict[int, tuple[Decays, tuple[Decays, ...]]]:
    """Return airs and goods of the compartments that do not hold their set point."""
    if not free:
        return {}
    at: dict[int, int] = {}
    heats: list[float] = []
    start: list[float] = []
    for k in free:
        at[k] = len(heats)
        heats += [together.spaces[k].heat_j_k, *(one.heat_j_k for one in goods[k])]
        start += [airs[k], *(one.temp_c for one in goods[k])]
    size = len(heats)
    system, level = np.zeros((size, size)), np.zeros(size)
    pushed: dict[float, FloatArray] = {}
    for k in free:
        space, row = together.spaces[k], at[k]
        links = [one.link_w_k for one in goods[k]]
        system[row, row] += space.gain_w_k + sum(links)
        level[row] += space.gain_w_k * together.outside_c
        for j, link in enumerate(links, 1):
            system[row, row + j] -= link
            system[row + j, row] -= link
            system[row + j, row + j] += link
        for other, tie in together.beside(k):
            system[row, row] += tie
            if other in at:
                system[row, at[other]] -= tie
            else:
                level[row] += tie * together.spaces[other].setpoint_c
        if ways.running[k] == Running.HEATING:
            level[row] += space.heating_w
        elif ways.running[k] == Running.COOLING and not ways.is_short:
            level[row] -= space.most_w
        elif ways.running[k] == Running.COOLING:
            _feed_the_rest(
                row, space.most_w / ways.pulling_w, goods, together, ways, at, system, level, pushed
            )
    heat = np.array(heats)
    return _told(
        system / heat[:, None],
        level / heat,
        {rate: force / heat for rate, force in pushed.items()},
        np.array(start),
        {k: (at[k], len(goods[k])) for k in free},
    )


def _feed_the_rest(
    row: int,
    share: float,
    goods: Held,
    together: Together,
    ways: Ways,
    at: dict[int, int],
    system: FloatArray,
    level: FloatArray,
    pushed: dict[float, FloatArray],
) -> None:
    """Take out of an air its share of what the satisfied ones leave, which moves with their goods."""
    level[row] -= share * together.total_w
    for held in ways.satisfied:
        space = together.spaces[held]
        level[row] += share * space.gain_w_k * (together.outside_c - space.setpoint_c)
        for one in goods[held]:
            force = pushed.setdefault(1 / one.tau_s, np.zeros(level.size))
            force[row] += share * one.link_w_k * (one.temp_c - space.setpoint_c)
        for other, tie in together.beside(held):
            if other in at:
                system[row, at[other]] -= share * tie
                level[row] -= share * tie * space.setpoint_c
            else:
                level[row] += share * tie * (together.spaces[other].setpoint_c - space.setpoint_c)


def _told(
    system: FloatArray,
    level: FloatArray,
    pushed: dict[float, FloatArray],
    start: FloatArray,
    where: dict[int, tuple[int, int]],
) -> dict[int, tuple[Decays, tuple[Decays, ...]]]:
    """Solve ``x' = level − system x + Σ force e^(−rate t)`` and return each air with its goods."""
    rates, modes, back = _modes(system)
    rest = (back @ level) / rates
    forced: list[tuple[float, FloatArray]] = []
    for known, force in pushed.items():
        rate = known
        near = np.abs(rates - rate) < _APART * rates
        if near.any():
            rate *= 1 + 2 * _APART
        forced.append((rate, (back @ force) / (rates - rate)))
    own = back @ start - rest - sum((part for _, part in forced), np.zeros(rates.size))
    levels = modes @ rest
    factors = np.column_stack([modes * own, *(modes @ part for _, part in forced)])
    speeds = np.concatenate([rates, [rate for rate, _ in forced]])
    made = [Decays(float(levels[i]), factors[i], speeds) for i in range(start.size)]
    return {
        k: (made[first], tuple(made[first + 1 : first + 1 + count])) for k, (first, count) in where.items()
    }


def _modes(system: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Return rates, modes and their inverse.

    What passes both ways between two temperatures can be scaled to pass alike, and then modes are real and
    square to each other; only where one of three airs gets nothing back from another, the general way is
    taken.
    """
    scale = np.ones(len(system))
    seen, todo = {0}, [0]
    while todo:
        i = todo.pop()
        for j in range(len(system)):
            if j not in seen and system[i, j] and system[j, i]:
                scale[j] = scale[i] * np.sqrt(system[i, j] / system[j, i])
                seen.add(j)
                todo.append(j)
        if not todo and len(seen) < len(system):
            first = next(j for j in range(len(system)) if j not in seen)
            seen.add(first)
            todo.append(first)
    even = system * scale[:, None] / scale
    if np.allclose(even, even.T, rtol=1e-9, atol=0.0):
        rates, square = np.linalg.eigh((even + even.T) / 2)
        return rates, square / scale[:, None], square.T * scale
    rates, modes = (part.real for part in np.linalg.eig(system))
    return rates, modes, np.linalg.inv(modes)


def _sum(*parts: tuple[float, Decays]) -> Decays:
    """Return weighted sums of exponentials as one."""
    if not parts:
        return Decays(0.0, np.empty(0), np.empty(0))
    return Decays(
        sum(weight * part.level for weight, part in parts),
        np.concatenate([weight * part.factors for weight, part in parts]),
        np.concatenate([part.rates for _, part in parts]),
    )
