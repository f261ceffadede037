"""Where heavy planning runs: worker processes, so that the API keeps answering."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, ParamSpec, Protocol, TypeVar

P = ParamSpec("P")
R = TypeVar("R")
# Hears a word on how far work is, and answers whether to go on.
Hear = Callable[[Any], bool]
# Work may have much to tell; whoever follows it writes each word down.
TELL_EVERY_S = 0.5


class Runs(Protocol):
    """Whatever brings back the result of heavy work."""

    def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return the result of ``work``."""


class _Here(Executor):
    """Runs at once in the caller's thread; for tests and one-shot commands."""

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        future: Future[R] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:  # noqa: BLE001 - carried to the caller, as every executor does
            future.set_exception(error)
        return future


class _Line:
    """The worker's end of a line to whoever follows the work: a word out, an answer back."""

    def __init__(self, own: "Connection[Any, Any]") -> None:
        self._own = own
        self._told_at = float("-inf")
        self._goes_on = True

    def tell(self, word: Any) -> bool:
        """Pass a word on, unless one was told just now; return whether to go on."""
        if self._goes_on and time.monotonic() - self._told_at >= TELL_EVERY_S:
            self._told_at = time.monotonic()
            try:
                self._own.send(word)
                self._goes_on = bool(self._own.recv())
            except (EOFError, OSError):
                # Nobody follows any more: what comes of it would reach nobody.
                self._goes_on = False
        return self._goes_on


def _with_line(own: "Connection[Any, Any]", work: Callable[..., R], args: Any, kwargs: Any) -> R:
    with own:
        return work(*args, **kwargs, tell=_Line(own).tell)


class Compute:
    """A pool of planning processes, started on first use."""

    def __init__(self, workers: int) -> None:
        """Plan in ``workers`` processes; 0 plans in the caller."""
        self._workers = workers
        self._pool: Executor | None = None

    def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return the result of ``work``; callers cannot tell where it ran."""
        with self._made_anew():
            return self._start(work, *args, **kwargs).result()

    def follow(self, work: Callable[..., R], hear: Hear, /, *args: Any, **kwargs: Any) -> R:
        """
        Return the result of ``work``, which is given ``tell`` to say how far it is.

        ``hear`` is asked in this thread whether to go on: with each word, and with None while there is none.
        """
        if not self._workers:
            return work(*args, **kwargs, tell=hear)
        own, theirs = get_context("spawn").Pipe()
        with own, theirs, self._made_anew():
            future = self._start(_with_line, theirs, work, args, kwargs)
            goes_on = True
            while not future.done():
                if own.poll(TELL_EVERY_S):
                    goes_on = hear(own.recv()) and goes_on
                    own.send(goes_on)
                else:
                    goes_on = hear(None) and goes_on
            return future.result()

    @contextmanager
    def _made_anew(self) -> Iterator[None]:
        try:
            yield
        except BrokenExecutor:
            # A planning process was killed, for want of memory perhaps; the next work gets new ones.
            self.close()
            raise

    def _start(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> "Future[R]":
        try:
            return self._ready().submit(work, *args, **kwargs)
        except BrokenExecutor:
            # A process was killed while it rested, or under another's work: this work has not begun.
            self.close()
            return self._ready().submit(work, *args, **kwargs)

    def _ready(self) -> Executor:
        if self._pool is None:
            # "spawn": a forked child would share the parent's database connections.
            self._pool = (
                ProcessPoolExecutor(self._workers, mp_context=get_context("spawn"))
                if self._workers
                else _Here()
            )
        return self._pool

    def close(self, *, is_waiting: bool = True) -> None:
        """End the processes; without waiting, whatever they are at is lost."""
        if self._pool is None:
            return
        processes = list((getattr(self._pool, "_processes", None) or {}).values())
        self._pool.shutdown(wait=is_waiting, cancel_futures=True)
        self._pool = None
        for process in () if is_waiting else processes:
            process.terminate()
