"""Work for processes of their own: here because such a process finds it by the name of its module.

A test module's name is known to the process of the tests alone.
"""

import os
import signal
import time
from collections.abc import Callable


def die() -> None:
    """End the process as the kernel does when memory runs out."""
    os.kill(os.getpid(), signal.SIGKILL)


def count_up(last: int, *, tell: Callable[[int], bool]) -> int:
    """Tell every number up to the last, a while apart; return the one it ended at."""
    for number in range(last + 1):
        if not tell(number):
            return number
        time.sleep(0.01)
    return last
