"""Planning runs in processes of its own; a killed one costs one answer, not all that follow."""

import os
import signal
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor

import pytest

from rimekeep.platform.compute import Compute


def die() -> None:
    """End the process as the kernel does when memory runs out."""
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.fixture
def compute() -> Iterator[Compute]:
    pool = Compute(1)
    yield pool
    pool.close()


def test_work_runs_in_another_process_and_answers(compute: Compute) -> None:
    assert compute.run(os.getpid) != os.getpid()
    assert compute.run(divmod, 17, 5) == (3, 2)


def test_an_error_of_the_work_reaches_the_caller(compute: Compute) -> None:
    with pytest.raises(ZeroDivisionError):
        compute.run(divmod, 1, 0)


def test_after_a_killed_process_the_next_work_is_done(compute: Compute) -> None:
    with pytest.raises(BrokenExecutor):
        compute.run(die)
    assert compute.run(divmod, 17, 5) == (3, 2)


def test_without_workers_the_caller_does_the_work() -> None:
    assert Compute(0).run(os.getpid) == os.getpid()
