"""
How fast passwords may be tried.

Nobody is ever locked out: tries are slowed down, and each way of trying has a count of its own. Whoever
guesses from elsewhere slows down themselves, not the person whose name they use; and a browser that person
has signed in with before is counted by itself, so that even a guesser at the same address is not in the way
(device cookies, as OWASP describes them; from memory). The numbers are our own, no source.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum


class Way(StrEnum):
    """By what tries are counted."""

    # A browser this person has signed in with.
    DEVICE = "device"
    # One name from one address.
    NAME = "name"
    # Whatever name, from one address: many people may share one.
    ADDRESS = "address"
    # Somebody signing for a decision, from one address.
    SIGNATURE = "signature"


@dataclass(frozen=True, slots=True)
class Pace:
    """After so many failures in a row each try waits twice as long as the one before, up to a most."""

    free: int
    first_s: int
    most_s: int


PACES = {
    Way.DEVICE: Pace(10, 1, 60),
    Way.NAME: Pace(5, 2, 900),
    Way.ADDRESS: Pace(60, 2, 900),
    # Whoever tries sits at the person's own open screen: long waits would keep that person from work.
    Way.SIGNATURE: Pace(5, 2, 60),
}
# Failures longer ago than this no longer count.
FORGOTTEN_AFTER = timedelta(days=1)


def failures_now(failures: int, last_at: datetime, now: datetime) -> int:
    """Return how many failures still count."""
    return 0 if now - last_at >= FORGOTTEN_AFTER else failures


def wait_s(way: Way, failures: int, last_at: datetime, now: datetime) -> int:
    """Return how long the next try has to wait from now on, in whole seconds; 0 if it need not."""
    pace, counted = PACES[way], failures_now(failures, last_at, now)
    if counted < pace.free:
        return 0
    # No further than the most needs, whatever was counted.
    pause_s = min(pace.most_s, pace.first_s * 2 ** min(counted - pace.free, 20))
    left_s = pause_s - (now - last_at).total_seconds()
    return max(0, -int(-left_s // 1))


def left(way: Way, failures: int) -> int:
    """Return how many tries are still free."""
    return max(0, PACES[way].free - failures)
