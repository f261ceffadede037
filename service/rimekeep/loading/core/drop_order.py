"""
The best orders of one truck's drops, best first and with proof.

What driving is still to come at least is known exactly for every set of drops left, by dynamic programming
over subsets (Held and Karp, "A dynamic programming approach to sequencing problems," J. SIAM 10 (1962) 196).
A best-first search with that bound finds orders under opening times; labels that are later and dearer than
others with the same drops behind them are dropped.
"""

from collections.abc import Collection, Iterator
from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray

from rimekeep.loading.core.roads import Roads, quickest

# More drops than this and subsets are too many.
MOST_EXACT = 13
# A second outweighs any distance: metres of a whole way round stay below this.
_SECOND = 10**8
_MOST_LABELS = 40_000

Order = tuple[int, ...]
Pair = tuple[int, int]
"""Two calls, the first of which comes before the second."""


class TooHard(Exception):  # noqa: N818 - an answer of the search, not a fault
    """The search was ended before it had proof."""


def best_orders(roads: Roads, *, most: int = 1, before: Collection[Pair] = ()) -> Iterator[Order]:
    """
    Yield orders of all calls, best first: least lateness, then least driving time, then least distance.

    Parameters
    ----------
    roads
        At most `MOST_EXACT` calls.
    most
        How many are wanted at most; of equally good ones it may yield fewer.
    before
        Calls that must come before others.

    Raises
    ------
    TooHard
        The next one could not be told with reasonable effort.
    """
    if len(roads.calls) > MOST_EXACT:
        raise TooHard
    if not roads.calls:
        yield ()
        return
    yield from _Search(roads, most, before).orders()


def _costs(roads: Roads) -> NDArray[np.int64]:
    size = len(roads.calls) + 1
    return np.array(
        [[roads.leg_s(a, b) * _SECOND + roads.leg_m(a, b) for b in range(size)] for a in range(size)],
        dtype=np.int64,
    )


def _to_come(costs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the least cost from each call over all of each set of calls and home: ``[set, call]``."""
    n = len(costs) - 1
    least = np.full((1 << n, n), np.iinfo(np.int64).max // 4, dtype=np.int64)
    least[0] = costs[1:, 0]
    sets = np.arange(1 << n)
    sizes = sum((sets >> k) & 1 for k in range(n))
    for size in range(1, n + 1):
        of_size = sets[sizes == size]
        for k in range(n):
            has = of_size[(of_size >> k) & 1 == 1]
            onward = costs[1:, k + 1][None, :] + least[has ^ (1 << k), k][:, None]
            least[has] = np.minimum(least[has], onward)
    return least


class _Search:
    """Labels are ways from the depot over some calls; those with the least bound are taken up first."""

    def __init__(self, roads: Roads, most: int, before: Collection[Pair]) -> None:
        self.roads, self.most = roads, most
        self.count = len(roads.calls)
        self.costs = _costs(roads).tolist()
        self.to_come = _to_come(_costs(roads)).tolist()
        self.quickest = quickest(roads.drive_s)
        self.due = [
            (k, call.open_until_s) for k, call in enumerate(roads.calls) if call.open_until_s is not None
        ]
        self.first = [0] * self.count
        for a, b in before:
            self.first[b] |= 1 << a

    def orders(self) -> Iterator[Order]:
        everything = (1 << self.count) - 1
        seen: dict[Pair, list[tuple[int, int, int]]] = {}
        heap: list[tuple[int, int, Order, int, int, int, int]] = []
        self._push_all(heap, (), everything, self.roads.leaves_s, 0, 0)
        taken = found = 0
        while heap and found < self.most:
            _, _, order, left, clock_s, late_s, cost = heappop(heap)
            if not left:
                found += 1
                yield order
                continue
            others = seen.setdefault((left, order[-1]), [])
            better = sum(
                1 for known in others if known[0] <= clock_s and (known[1], known[2]) <= (late_s, cost)
            )
            if better >= self.most:
                continue
            others.append((clock_s, late_s, cost))
            taken += 1
            if taken > _MOST_LABELS:
                raise TooHard
            self._push_all(heap, order, left, clock_s, late_s, cost)

    def _push_all(
        self,
        heap: list[tuple[int, int, Order, int, int, int, int]],
        order: Order,
        left: int,
        clock_s: int,
        late_s: int,
        cost: int,
    ) -> None:
        """Put every way that goes on from here by one call onto the heap."""
        at = order[-1] + 1 if order else 0
        for k in range(self.count):
            if not (left >> k) & 1 or self.first[k] & left:
                continue
            call = self.roads.calls[k]
            starts_s = max(clock_s + self.roads.drive_s[at][k + 1], call.open_from_s)
            late = late_s + (max(0, starts_s - call.open_until_s) if call.open_until_s is not None else 0)
            done_s, rest = starts_s + call.service_s, left & ~(1 << k)
            spent = cost + self.costs[at][k + 1]
            ahead = self.quickest[k + 1]
            must_be_late = sum(max(0, done_s + ahead[d + 1] - due) for d, due in self.due if (rest >> d) & 1)
            bound = (late + must_be_late, spent + self.to_come[rest][k])
            heappush(heap, (*bound, (*order, k), rest, done_s, late, spent))
