"""When people who were told of an excursion and did not answer are told again: twice at most."""

from datetime import datetime, timedelta

from rimekeep.excursions.core.states import Severity

# Two levels, the second after twice the time: our own convention, there is no outside source for it.
LEVELS = 2
DEFAULT_AFTER_S = {Severity.CRITICAL: 1800, Severity.WARNING: None}


def level_due(told_at: datetime, after_s: int | None, now: datetime) -> int:
    """
    Return which level of escalation an unanswered alert has reached: 0, 1 or 2.

    Parameters
    ----------
    told_at
        When the alert went out.
    after_s
        How long people have to answer; None: for ever. [s]

    Examples
    --------
    >>> at = datetime(2026, 3, 1, 6)
    >>> [level_due(at, 1800, at + timedelta(minutes=minutes)) for minutes in (29, 30, 60, 999)]
    [0, 1, 2, 2]
    """
    if after_s is None:
        return 0
    return sum(now >= told_at + timedelta(seconds=number * after_s) for number in range(1, LEVELS + 1))
