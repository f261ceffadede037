"""Who comes while others are answered is answered with whoever else came; nobody hears what is another's."""

import asyncio
import threading
from collections.abc import Sequence

import pytest

from builders.loops import run
from rimekeep.platform.gathering import AT_ONCE, MOST, Gathering

PATIENCE_S = 60.0


class Desk:
    """Answers doubles of numbers, and lets the first groups wait until it is opened."""

    def __init__(self) -> None:
        self.opened = threading.Event()
        self.groups: list[list[int]] = []

    def work(self, asked: Sequence[int]) -> list[int | Exception]:
        self.groups.append(list(asked))
        assert self.opened.wait(PATIENCE_S)
        if 666 in asked:
            raise ArithmeticError("the work itself failed")
        return [ValueError(f"{one} is negative") if one < 0 else 2 * one for one in asked]


async def ask(desk: Desk, numbers: Sequence[int]) -> list[int | BaseException]:
    """Ask the first so that all threads are busy, the others meanwhile, then let the desk open."""
    gathering: Gathering[int, int] = Gathering(desk.work, asyncio.Semaphore(16))
    asking = []
    for number in numbers:
        asking.append(asyncio.create_task(gathering.answer(number)))
        while len(asking) <= AT_ONCE and len(desk.groups) < len(asking):
            await asyncio.sleep(0.001)
    await asyncio.sleep(0)
    desk.opened.set()
    told = await asyncio.wait_for(asyncio.gather(*asking, return_exceptions=True), PATIENCE_S)
    # Another round: whatever happened, the desk stays open.
    assert await asyncio.wait_for(gathering.answer(7), PATIENCE_S) == 14
    return told


def test_who_comes_meanwhile_is_answered_together() -> None:
    desk, numbers = Desk(), range(AT_ONCE + MOST + 3)
    assert run(ask(desk, numbers)) == [2 * number for number in numbers]
    sizes = [len(group) for group in desk.groups]
    # Nobody waits for others to come: the first are alone. The last is the round after.
    assert sizes[:AT_ONCE] == [1] * AT_ONCE
    assert sorted(sizes[AT_ONCE:-1]) == [3, MOST]
    assert sorted(number for group in desk.groups[:-1] for number in group) == list(numbers)


def test_an_error_is_told_to_the_one_it_belongs_to() -> None:
    told = run(ask(Desk(), [1, 2, -3, 4, -5]))
    assert [one for one in told if isinstance(one, int)] == [2, 4, 8]
    assert [str(one) for one in told if isinstance(one, ValueError)] == ["-3 is negative", "-5 is negative"]


def test_work_that_fails_for_all_fails_for_its_group_alone() -> None:
    told = run(ask(Desk(), [1, 2, 666, 4]))
    assert told[:2] == [2, 4]
    assert [type(one) for one in told[2:]] == [RuntimeError, RuntimeError]


def test_who_hangs_up_is_not_waited_for() -> None:
    desk = Desk()

    async def story() -> int:
        gathering: Gathering[int, int] = Gathering(desk.work, asyncio.Semaphore(16))
        gone = asyncio.create_task(gathering.answer(1))
        while not desk.groups:
            await asyncio.sleep(0.001)
        stays = asyncio.create_task(gathering.answer(2))
        gone.cancel()
        desk.opened.set()
        with pytest.raises(asyncio.CancelledError):
            await gone
        return await asyncio.wait_for(stays, PATIENCE_S)

    assert run(story()) == 4
