"""
Requests that gather while others are being answered are answered together.

Nobody waits for more to come: whoever finds no work under way is answered at once, alone. The more come at a
time, the more share what it costs to answer, so a crowd is served faster than the same people one by one.
"""

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractAsyncContextManager
from typing import Generic, TypeVar

Asked = TypeVar("Asked")
Answer = TypeVar("Answer")

# So many at a time, in so many transactions: while the database is at one, the interpreter is at the other.
MOST, AT_ONCE = 32, 2
_threads = ThreadPoolExecutor(AT_ONCE, "gathered")


class Gathering(Generic[Asked, Answer]):
    """What is asked of one event loop, and what answers it in a thread."""

    def __init__(
        self,
        work: Callable[[Sequence[Asked]], Sequence[Answer | Exception]],
        gate: AbstractAsyncContextManager[object],
    ) -> None:
        """Answer with ``work``, behind ``gate``; an error it returns is raised for the one it stands for."""
        self._work, self._gate = work, gate
        self._waiting: list[tuple[Asked, asyncio.Future[Answer]]] = []
        # The loop itself keeps no more than a weak hold on a task.
        self._under_way: set[asyncio.Task[None]] = set()

    async def answer(self, asked: Asked) -> Answer:
        """Return the answer to one, or raise it."""
        mine: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._waiting.append((asked, mine))
        if len(self._under_way) < AT_ONCE:
            task = asyncio.create_task(self._go_on())
            self._under_way.add(task)
            task.add_done_callback(self._under_way.discard)
        return await mine

    async def _go_on(self) -> None:
        while self._waiting:
            async with self._gate:
                group, self._waiting = self._waiting[:MOST], self._waiting[MOST:]
                await self._tell(group)

    async def _tell(self, group: Sequence[tuple[Asked, "asyncio.Future[Answer]"]]) -> None:
        loop = asyncio.get_running_loop()
        try:
            told = await loop.run_in_executor(_threads, self._work, [asked for asked, _ in group])
        except BaseException as error:
            for _, future in group:
                if not future.done():
                    future.set_exception(RuntimeError("the work of a group ended early"))
            if not isinstance(error, Exception):
                raise
            return
        for (_, future), answer in zip(group, told, strict=True):
            # Whoever hung up is not waited for.
            if future.done():
                continue
            if isinstance(answer, Exception):
                future.set_exception(answer)
            else:
                future.set_result(answer)
