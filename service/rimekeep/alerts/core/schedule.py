"""When a message that could not be delivered is tried again."""

from datetime import timedelta
from zlib import crc32

from rimekeep.alerts.core.signing import RETRY_DELAYS

MAX_ATTEMPTS = len(RETRY_DELAYS)
# Largest random share on top of a delay, so that receivers that failed together are not asked together again.
SPREAD = 0.1


def wait_before(attempt: int, *, message_id: str, subscription_id: int) -> timedelta | None:
    """
    Return the wait before an attempt, counted from the failure of the one before, or None after the last.

    The spread on top comes from the message and the subscription, so that the same pair always waits alike.

    Parameters
    ----------
    attempt
        1 is the first attempt; its wait is zero.
    message_id, subscription_id
        What is sent and to whom.

    Returns
    -------
    timedelta or None
        The schedule's delay and up to a tenth more.
    """
    if attempt > MAX_ATTEMPTS:
        return None
    share = crc32(f"{subscription_id}:{message_id}:{attempt}".encode()) / 2**32
    return RETRY_DELAYS[attempt - 1] * (1 + SPREAD * share)
