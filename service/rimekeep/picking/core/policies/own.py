"""A store's own lots and orders as a world to replay."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.errors import invalid
from rimekeep.picking.core.policies.replay import World
from rimekeep.picking.core.policies.scenario import LARGEST


@dataclass(frozen=True, slots=True)
class LotSeen:
    """Cases of a lot that share their dates, from the day they came in; days as day numbers."""

    arrived_on: int
    cases: int
    label_on: int
    model_on: int


@dataclass(frozen=True, slots=True)
class LineSeen:
    """Cases ordered for a day by a customer who asks for so many days of life."""

    day: int
    cases: int
    min_life_days: int


def own_world(
    lots: Sequence[LotSeen],
    lines: Sequence[LineSeen],
    *,
    first: int,
    last: int,
    days: int,
    replications: int,
    seed: int,
) -> World:
    """
    Return one product's lots as they were and its demand drawn anew, for `replay`.

    The lots, their days of arrival and both their dates are those on record in every replication. Demand: for
    each of ``days`` days from ``first`` on, a day of the same weekday of first…last is drawn, with all that
    was ordered for it. Intervals therefore tell of chance in demand only.

    Raises
    ------
    Invalid
        No lots or no lines in the period, or sizes out of bounds.
    """
    asked = [line for line in lines if first <= line.day <= last and line.cases]
    if not lots or not asked:
        raise invalid("--from", "There are no lots or no orders in the period.", "Give another period.")
    if not 2 <= replications <= 10_000:
        raise invalid("replications", f"{replications} is not from 2 to 10000.", "Try 40.")
    classes = sorted({line.min_life_days for line in asked})
    if not 1 <= days <= 3650 or max(len(lots), days * len(classes)) * replications > LARGEST:
        raise invalid("days", "That is too much at once.", "Ask for fewer days or replications.")
    by_day = np.zeros((last - first + 1, len(classes)), np.int64)
    for line in asked:
        by_day[line.day - first, classes.index(line.min_life_days)] += line.cases
    wanted = np.zeros((replications, days, len(classes)), np.int64)
    weekday = np.arange(len(by_day)) % 7
    for run, source in enumerate(np.random.SeedSequence(seed).spawn(replications)):
        draw = np.random.default_rng(source)
        for number in range(7):
            seen = np.flatnonzero(weekday == number)
            places = np.arange(number, days, 7)
            if len(seen):
                wanted[run, places] = by_day[draw.choice(seen, len(places))]
    facts = np.array(
        [
            (lot.arrived_on - first, lot.cases, lot.label_on - first, min(lot.label_on, lot.model_on) - first)
            for lot in lots
        ],
        np.int64,
    )
    arrives, cases, label_end, true_end = (
        np.broadcast_to(column, (replications, len(lots))) for column in facts.T
    )
    return World(arrives, cases, label_end, true_end, wanted, np.array(classes, np.int64))
