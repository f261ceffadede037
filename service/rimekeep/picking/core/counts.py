"""
Counting what is there: which places first, what an answer means, and who gives way when there is less.

A count is blind: whoever counts is never told how many cases are on record.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import exp

from rimekeep.wording import say

# How the reason of a hold begins that a count ends.
COUNT_WANTED = "count wanted"


class CountState(StrEnum):
    """How far a count has come."""

    OPEN = "open"
    TAKEN = "taken"
    # It differs from the record, and the lead has not said yet what holds.
    WAITING = "waiting"
    DONE = "done"


class Finding(StrEnum):
    """What an answer says of one lot on one unit, or of the unit."""

    AGREES = "agrees"
    # The difference is exactly what pickers had taken and not confirmed at that moment.
    IN_HAND = "in hand"
    FEWER = "fewer"
    MORE = "more"
    # Pickers were at it, and what they took does not explain the difference.
    UNCLEAR = "unclear"
    MISSING = "missing"
    WRONG_BAY = "wrong bay"
    # It was empty on record.
    FOUND_AGAIN = "found again"
    # It should be on its way to a customer, or gone.
    NOT_STOCK = "not stock"
    UNKNOWN_UNIT = "unknown unit"


# What the lead has nothing to decide about.
SETTLED = frozenset({Finding.AGREES, Finding.IN_HAND})


@dataclass(frozen=True, slots=True)
class Weights:
    """
    What makes a place worth counting, and from where on it counts in full.

    Own convention, no source: the shares add up to 1, so that a score lies between 0 and 1.
    """

    expiry: float = 0.25
    moves: float = 0.25
    since: float = 0.20
    shorts: float = 0.30
    # An expiry this far off does not count; one that is over counts in full. [days]
    expiry_horizon_days: float = 90.0
    # Moves after which two thirds of their share is reached.
    moves_scale: float = 8.0
    # Since the last count. [days]
    since_full_days: float = 90.0
    # One report is enough: somebody stood there and missed something.
    shorts_full: float = 1.0


@dataclass(frozen=True, slots=True)
class Place:
    """
    A place that could be counted.

    Attributes
    ----------
    key
        What the caller knows it by.
    days_left
        Until the first of its stock is over; None: it is empty on record. [days]
    moves
        Cases taken off and units put there since the last count.
    days_since
        Since the last count, or since the first unit came where there was none, >= 0; None: neither. [days]
    shorts
        Picks reported short there since the last count.
    """

    key: int
    days_left: int | None
    moves: int
    days_since: float | None
    shorts: int


@dataclass(frozen=True, slots=True)
class Risk:
    """How much a place is worth counting, 0 to 1, and why in words, the strongest reason first."""

    key: int
    score: float
    reasons: tuple[str, ...]


def risk(place: Place, weights: Weights | None = None) -> Risk:
    """
    Return how much a place is worth counting.

    ``expiry · e + moves · (1 − exp(−m / scale)) + since · min(1, d / full) + shorts · min(1, s / full)``,
    with e falling from 1 (over today) to 0 (at the horizon), m moves and d days since the last count, s
    reported shorts. A place never used counts half in ``since``.

    Examples
    --------
    >>> risk(Place(1, days_left=45, moves=0, days_since=0, shorts=2)).score
    0.425
    """
    w = weights or Weights()
    near = 0.0 if place.days_left is None else 1 - max(0.0, place.days_left) / w.expiry_horizon_days
    since = 0.5 if place.days_since is None else min(1.0, place.days_since / w.since_full_days)
    shares = [
        (w.expiry * max(0.0, near), say("stock with {days} days left", days=place.days_left)),
        (
            w.moves * (1 - exp(-place.moves / w.moves_scale)),
            say("{moves} moves since the last count", moves=place.moves),
        ),
        (w.since * since, _since_words(place.days_since)),
        (
            w.shorts * min(1.0, place.shorts / w.shorts_full),
            say("{shorts} short picks reported", shorts=place.shorts),
        ),
    ]
    reasons = tuple(words for share, words in sorted(shares, key=lambda one: -one[0]) if share > 0)
    return Risk(place.key, sum(share for share, _ in shares), reasons)


def _since_words(days: float | None) -> str:
    return "never counted" if days is None else f"{days:.0f} days since the last count"


def choose(places: Iterable[Place], how_many: int, weights: Weights | None = None) -> list[Risk]:
    """Return the places most worth counting, the most first; on a tie the lower key."""
    risks = [risk(place, weights) for place in places]
    return sorted(risks, key=lambda one: (-one.score, one.key))[:how_many]


def judge(counted: int, recorded: int, in_hand: Sequence[int] = ()) -> Finding:
    """
    Return what a count means for cases of one lot on one unit.

    Parameters
    ----------
    counted
        Cases found. [cases]
    recorded
        Cases on record at the moment of the count, moves confirmed since then undone. [cases]
    in_hand
        Cases of each pick that may have been taken before that moment and was not confirmed then.

    Notes
    -----
    A pick confirmed after the count may have been taken before it: its cases were gone from the shelf and
    still on record. If exactly some of those picks explain the difference, nothing is wrong; taking it for a
    loss would subtract them twice. If they do not explain it, nobody can say, and it is counted again.
    """
    if counted == recorded:
        return Finding.AGREES
    if in_hand:
        sums = {0}
        for cases in in_hand:
            sums |= {some + cases for some in sums}
        return Finding.IN_HAND if recorded - counted in sums else Finding.UNCLEAR
    return Finding.FEWER if counted < recorded else Finding.MORE


@dataclass(frozen=True, slots=True)
class Threshold:
    """A difference above both is counted a second time before anybody decides: own convention, no source."""

    cases: int = 4
    share: float = 0.1


def wants_second_count(
    findings: Iterable[tuple[Finding, int, int]], threshold: Threshold | None = None
) -> bool:
    """Tell whether (finding, counted, recorded) of a place are to be counted again by somebody else."""
    limit = threshold or Threshold()
    for finding, counted, recorded in findings:
        if finding in (Finding.UNCLEAR, Finding.MISSING, Finding.NOT_STOCK):
            return True
        off = abs(counted - recorded)
        if finding not in SETTLED and off > limit.cases and off > limit.share * recorded:
            return True
    return False


@dataclass(frozen=True, slots=True)
class Claim:
    """Cases of a content reserved for a line; ``begun``: 0 on no list, 1 on one, 2 in a picker's hands."""

    line_id: int
    cases: int
    deliver_on: date
    priority: int
    begun: int


def give_way(claims: Iterable[Claim], cases: int) -> list[tuple[int, int]]:
    """
    Return (line, cases) that give way to make up ``cases``: latest need first, then least important.

    Examples
    --------
    >>> soon, later = date(2026, 3, 16), date(2026, 3, 17)
    >>> give_way([Claim(1, 5, soon, 0, 0), Claim(2, 5, later, 0, 2)], 7)
    [(2, 5), (1, 2)]
    """
    by_need = sorted(
        claims, key=lambda one: (-one.deliver_on.toordinal(), one.priority, one.begun, -one.line_id)
    )
    taken: dict[int, int] = {}
    for one in by_need:
        some = min(cases, one.cases)
        if some <= 0:
            break
        taken[one.line_id] = taken.get(one.line_id, 0) + some
        cases -= some
    return list(taken.items())
