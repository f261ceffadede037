"""One period of a store replayed under different orders of taking stock, with the same lots and demand."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rimekeep.errors import invalid

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Policy(StrEnum):
    """
    Which lot is taken first.

    The first three go by the printed date only; the last knows the modelled end of life, sorts by it and
    ships nothing that falls short of the customer's minimum by it.
    """

    FIRST_IN = "first in, first out"
    LONGEST_LEFT = "longest life left first"
    LABEL = "first expired by label"
    MODELLED = "first expired by model"


@dataclass(frozen=True, slots=True)
class World:
    """
    What is the same under every policy: lots (replications, n) and demand (replications, days, classes).

    ``arrives`` is the first day a lot can be delivered on, ``label_end`` its printed last day and
    ``true_end`` the last day by the model, never after the printed one. ``min_life`` are the days of life
    each class of customer asks for, shape (classes,). Day 0 is the first day of demand.
    """

    arrives: Ints
    cases: Ints
    label_end: Ints
    true_end: Ints
    wanted: Ints
    min_life: Ints

    def __post_init__(self) -> None:
        """Refuse arrays that do not belong together."""
        shape = self.arrives.shape
        if any(one.shape != shape for one in (self.cases, self.label_end, self.true_end)):
            raise invalid("lots", "The arrays of the lots differ in shape.", "Give one value a lot in each.")
        if self.wanted.ndim != 3 or (len(self.wanted), self.wanted.shape[2]) != (
            shape[0],
            len(self.min_life),
        ):
            raise invalid("wanted", f"Its shape is {self.wanted.shape}.", "Replications, days, classes.")
        if (self.cases < 0).any() or (self.wanted < 0).any() or (self.true_end > self.label_end).any():
            raise invalid(
                "lots",
                "Cases are negative or beer outlives its label.",
                "The earlier of the two ends counts.",
            )


@dataclass(frozen=True, slots=True)
class Replayed:
    """
    What came of it, all arrays of shape (replications,).

    ``waste`` is what nobody takes any more at the end, plus what came back; ``refused`` what came back: cases
    delivered with less life left in truth than the customer asks for. ``short`` are cases ordered and not
    delivered well, ``left`` what is still good to sell after the last day. ``life_mean`` and ``life_spread``
    (standard deviation) are of the life left in truth over all cases delivered, refused ones too. [cases, d]
    """

    waste: Floats
    refused: Floats
    short: Floats
    delivered: Floats
    left: Floats
    life_mean: Floats
    life_spread: Floats


def replay(world: World, policy: Policy) -> Replayed:
    """
    Return what a period brings if stock is taken in the order of ``policy``.

    Day by day the strictest customers are served first, each class from the first lots in the policy's order
    that may go to it; what is not there is lost, not owed. Expected cost: days × classes passes over arrays
    of shape (replications, n).

    Examples
    --------
    Two lots of the same label, one of them kept warm. By label the good one may go first:

    >>> one = np.array
    >>> world = World(one([[0, 0]]), one([[5, 5]]), one([[9, 9]]), one([[9, 3]]),
    ...               one([[[5], [0], [0], [0], [5]]]), one([0]))
    >>> replay(world, Policy.LABEL).waste.tolist(), replay(world, Policy.MODELLED).waste.tolist()
    ([5.0], [0.0])
    """
    order = _order(world, policy)
    arrives, label, true = (
        np.take_along_axis(one, order, axis=1) for one in (world.arrives, world.label_end, world.true_end)
    )
    stock = np.take_along_axis(world.cases, order, axis=1)
    seen = true if policy is Policy.MODELLED else label
    runs, days, _ = world.wanted.shape
    sums = np.zeros((5, runs))  # taken, life, life², refused, short
    strictest_first = np.argsort(-world.min_life, kind="stable")
    for day in range(days):
        here = np.where(arrives <= day, stock, 0)
        for number in strictest_first:
            wanted = world.wanted[:, day, number]
            if not wanted.any():
                continue
            needed = day + world.min_life[number]
            free = np.where(seen >= needed, here, 0)
            before = np.cumsum(free, axis=1) - free
            taken = np.clip(wanted[:, None] - before, 0, free)
            here -= taken
            stock -= taken
            life = true - day
            sums[0] += taken.sum(axis=1)
            sums[1] += (taken * life).sum(axis=1)
            sums[2] += (taken * life**2).sum(axis=1)
            refused = np.where(true < needed, taken, 0).sum(axis=1)
            sums[3] += refused
            sums[4] += wanted - taken.sum(axis=1) + refused
    over = np.where(true < days + world.min_life.min(), stock, 0).sum(axis=1)
    count = np.maximum(sums[0], 1)
    mean = sums[1] / count
    spread = np.sqrt(np.maximum(sums[2] / count - mean**2, 0))
    return Replayed(
        over + sums[3], sums[3], sums[4], sums[0] - sums[3], stock.sum(axis=1) - over * 1.0, mean, spread
    )


def _order(world: World, policy: Policy) -> Ints:
    """Return the order lots are taken in, shape (replications, n); ties by arrival, then as given."""
    key = {
        Policy.FIRST_IN: world.arrives,
        Policy.LONGEST_LEFT: -world.label_end,
        Policy.LABEL: world.label_end,
        Policy.MODELLED: world.true_end,
    }[policy]
    places = np.broadcast_to(np.arange(key.shape[1]), key.shape)
    return np.lexsort((places, world.arrives, key), axis=1)
