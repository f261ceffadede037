"""When a message that could not be delivered is tried again."""

from datetime import timedelta
from zlib import crc32

from rimekeep.alerts.core.signing import RETRY_DELAYS

MAX_ATTEMPTS = len(RETRY_DELAYS)
# Largest random share on top of a delay, so that receivers that failed together are not asked together again.
SPREAD = 0.1
# A receiver may ask for more time than the schedule gives, up to the schedule's own longest wait.
LONGEST_ASKED = max(RETRY_DELAYS)


def wait_after(
    failures: int, *, message_id: str, subscription_id: int, retry_after_s: float | None = None
) -> timedelta | None:
    """
    Return the wait before the next attempt, counted from the last failure, or None after the last.

    The spread on top comes from the message and the subscription, so that the same pair always waits alike.

    Parameters
    ----------
    failures
        Attempts that failed in a row, at least 1.
    message_id, subscription_id
        What is sent and to whom.
    retry_after_s
        What the receiver asked for by Retry-After. [s]

    Returns
    -------
    timedelta or None
        The schedule's delay and up to a tenth more; as long as the receiver asked for if that is longer,
        but not longer than the schedule's longest.
    """
    if failures >= MAX_ATTEMPTS:
        return None
    share = crc32(f"{subscription_id}:{message_id}:{failures + 1}".encode()) / 2**32
    wait = RETRY_DELAYS[failures] * (1 + SPREAD * share)
    if retry_after_s is None or retry_after_s <= wait.total_seconds():
        return wait
    return max(wait, timedelta(seconds=min(retry_after_s, LONGEST_ASKED.total_seconds())))
