"""
A nearly best answer under lot caps, by an integer program over the promising pairs of line and lot.

The relaxation's bound is close; what is hard is to choose whole lots. Its prices tell which pairs can be
part of a good answer: few enough for HiGHS to solve at the root ("kernel search": E. Angelelli, R. Mansini
and M. G. Speranza, "Kernel search: a general heuristic for the multi-dimensional knapsack problem",
Computers & Operations Research 37, 2010, from memory). Many lines are taken in turns of a few, the rest
staying as they are.
"""

from collections.abc import Iterator
from itertools import chain

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from rimekeep.picking.core.allocation.ceiling import Ceiling, Reals, Shares
from rimekeep.picking.core.allocation.opening import filled, rating, settled, whole_cases
from rimekeep.picking.core.allocation.rules import Cases, Flags, ProductWave, Taken

LINES_A_TURN = 60
# Promising pairs: so many for each line, and so many besides.
PAIRS_A_LINE, PAIRS_BESIDES = 2, 40
# The program stops this close to its best, or after so many nodes.
CLOSE, MOST_NODES = 0.004, 1
# Seconds of one core a turn takes for each pair in its program, once a class of priority, and for each pair
# there is; as measured.
S_A_PAIR, S_ANY_PAIR = 1e-3, 1.5e-6
# Never reached on an idle core: keeps the time where the machine is overloaded. [s]
BACKSTOP_S = 5.0


def turns(wave: ProductWave) -> int:
    """Return in how many turns the lines are taken."""
    return -(-len(wave.lines) // LINES_A_TURN)


def turn_s(wave: ProductWave) -> float:
    """Return what a turn takes of one core, roughly. [s]"""
    lines = min(len(wave.lines), LINES_A_TURN)
    programs_s = S_A_PAIR * len(wave.classes) * (PAIRS_A_LINE * lines + PAIRS_BESIDES)
    return programs_s + S_ANY_PAIR * wave.usable.size


def narrowed(wave: ProductWave, taken: Taken, top: Ceiling, *, most_turns: int) -> Taken:
    """Return a better answer than ``taken`` if one is found within some turns."""
    best = taken
    for members in _members(wave, best, most_turns):
        shares = _shares(wave, best, top, members)
        tried = settled(wave, filled(wave, whole_cases(wave, shares)))
        best = max(best, tried, key=lambda one: rating(wave, one))
    return best


def _members(wave: ProductWave, taken: Taken, most_turns: int) -> Iterator[Cases]:
    """Yield lines to be served anew together: those that ask for about the same life."""
    order = np.argsort([wave.usable[place].sum() for place in range(len(wave.lines))], kind="stable")
    parts = np.array_split(order, turns(wave))
    missing = [
        sum(wave.lines[place].cases - sum(taken[place].values()) for place in part.tolist()) for part in parts
    ]
    for turn in sorted(range(len(parts)), key=lambda one: (-missing[one], one))[:most_turns]:
        yield parts[turn]


def _shares(wave: ProductWave, taken: Taken, top: Ceiling, members: Cases) -> Shares:
    """Return the cases by line and lot with the lines of one turn served by the integer program."""
    is_member = np.zeros(len(wave.lines), np.bool_)
    is_member[members] = True
    free = np.array(wave.free, np.int64)
    shares: Shares = [{} for _ in wave.lines]
    for place, lots in enumerate(taken):
        if not is_member[place]:
            shares[place] = {lot: float(cases) for lot, cases in lots.items()}
            for lot, cases in lots.items():
                free[lot] -= cases
    from_line, from_lot = _promising(wave, taken, top, is_member, free)
    found = _program(wave, from_line, from_lot, free)
    for one, other, given in zip(from_line.tolist(), from_lot.tolist(), found.tolist(), strict=True):
        if given > 0.5:
            shares[one][other] = round(given)
    return shares


def _promising(
    wave: ProductWave, taken: Taken, top: Ceiling, is_member: Flags, free: Cases
) -> tuple[Cases, Cases]:
    """Return the pairs the program may choose from: those of most gain, and those in an answer at hand."""
    own = np.flatnonzero(is_member[top.line] & (free[top.lot] > 0))
    most = PAIRS_A_LINE * int(is_member.sum()) + PAIRS_BESIDES
    best = own[np.argsort(-top.gain[own], kind="stable")[:most]]
    lots = len(free)
    known = [
        place * lots + lot
        for place in np.flatnonzero(is_member).tolist()
        for lot in chain(taken[place], top.shares[place])
        if free[lot]
    ]
    keys = np.union1d(top.line[best] * lots + top.lot[best], np.array(known, np.int64))
    return keys // lots, keys % lots


def _program(wave: ProductWave, line: Cases, lot: Cases, free: Cases) -> Reals:
    """Return the cases of each pair, class of priority by class; all 0 where the solver found nothing."""
    found = np.zeros(len(line))
    if not len(line):
        return found
    labels = np.array(wave.labels)[lot]
    capped = np.array([cap is not None for cap in wave.caps])
    is_new = capped[line] & np.array(
        [label not in wave.had[place] for place, label in zip(line.tolist(), labels.tolist(), strict=True)]
    )
    new = np.flatnonzero(is_new)
    _, asked, use = np.unique(
        line[new] * len(wave.lots) + labels[new], return_index=True, return_inverse=True
    )
    demand = np.array([one.cases for one in wave.lines])
    most = np.minimum(demand[line], free[lot])
    pairs, uses, lines, lots = len(line), len(asked), len(wave.lines), len(free)
    caps = np.array([cap or 0 for cap in wave.caps])
    whose = line[new][asked]
    row = np.concatenate(
        [line, lines + lot, lines + lots + whose, *[2 * lines + lots + np.arange(len(new))] * 2]
    )
    every = np.arange(pairs)
    column = np.concatenate([every, every, pairs + np.arange(uses), new, pairs + use.ravel()])
    value = np.concatenate([np.ones(2 * pairs + uses + len(new)), -most[new]])
    upper = np.concatenate([demand, free, np.where(capped, caps, 0), np.zeros(len(new))])
    size = pairs + uses
    rules = [
        LinearConstraint(coo_array((value, (row, column)), shape=(len(upper), size)).tocsr(), -np.inf, upper)
    ]
    priority = np.array([one.priority for one in wave.lines])[line]
    for one in wave.classes:
        goal = np.zeros(size)
        goal[:pairs] = priority == one
        if not goal.any():
            continue
        result = milp(
            -goal,
            constraints=rules,
            bounds=Bounds(0, np.concatenate([most, np.ones(uses)])),
            integrality=(np.arange(size) >= pairs).astype(np.int64),
            options={"node_limit": MOST_NODES, "mip_rel_gap": CLOSE, "time_limit": BACKSTOP_S},
        )
        if result.x is None:
            break
        found = result.x[:pairs]
        # What was reached may not be lost again, but for what the solver itself takes as equal.
        reached = float(goal @ result.x)
        rules.append(LinearConstraint(goal[None, :], reached - 1e-6 * max(1.0, reached), np.inf))
    return found
