"""Planning runs in processes of its own; a killed one costs one answer, not all that follow."""

import os
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor
from multiprocessing import active_children

import pytest

from builders.work import count_up, die
from rimekeep.platform.compute import Compute


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


def test_a_process_killed_while_it_rests_costs_nothing(compute: Compute) -> None:
    first = compute.run(os.getpid)
    (resting,) = [process for process in active_children() if process.pid == first]
    resting.kill()
    resting.join(10.0)
    time.sleep(0.5)  # the pool hears of it in a thread of its own
    assert compute.run(os.getpid) != first


def test_without_workers_the_caller_does_the_work() -> None:
    assert Compute(0).run(os.getpid) == os.getpid()


@pytest.mark.parametrize("workers", [0, 1])
def test_whoever_follows_work_hears_of_it_and_ends_it(workers: int) -> None:
    compute, heard = Compute(workers), []

    def hear(word: int | None) -> bool:
        heard.append(word)
        return word is None or word < 40

    try:
        ended_at = compute.follow(count_up, hear, 100_000)
        words = [word for word in heard if word is not None]
        assert words == sorted(set(words))
        assert 40 <= words[-1] <= ended_at < 100_000
        assert compute.follow(count_up, lambda _: True, 3) == 3
    finally:
        compute.close()


def test_work_that_is_killed_while_followed_costs_one_answer(compute: Compute) -> None:
    def hear(word: int | None) -> bool:
        for process in active_children():
            process.kill()
        return True

    with pytest.raises(BrokenExecutor):
        compute.follow(count_up, hear, 100_000)
    assert compute.run(divmod, 17, 5) == (3, 2)


def test_work_ends_when_nobody_follows_it_any_more(compute: Compute) -> None:
    def hear(word: int | None) -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compute.follow(count_up, hear, 100_000)
    assert compute.run(divmod, 17, 5) == (3, 2)
