"""Where heavy planning runs: worker processes, so that the API keeps answering."""

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from typing import ParamSpec, Protocol, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


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


class Compute:
    """A pool of planning processes, started on first use."""

    def __init__(self, workers: int) -> None:
        """Plan in ``workers`` processes; 0 plans in the caller."""
        self._workers = workers
        self._pool: Executor | None = None

    def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return the result of ``work``; callers cannot tell where it ran."""
        try:
            return self.start(work, *args, **kwargs).result()
        except BrokenExecutor:
            # A planning process was killed, for want of memory perhaps; the next request gets new ones.
            self.close()
            raise

    def start(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> "Future[R]":
        """Begin ``work``; its result is the future's."""
        if self._pool is None:
            # "spawn": a forked child would share the parent's database connections.
            self._pool = (
                ProcessPoolExecutor(self._workers, mp_context=get_context("spawn"))
                if self._workers
                else _Here()
            )
        return self._pool.submit(work, *args, **kwargs)

    def close(self, *, is_waiting: bool = True) -> None:
        """End the processes; without waiting, whatever they are at is lost."""
        if self._pool is None:
            return
        processes = list((getattr(self._pool, "_processes", None) or {}).values())
        self._pool.shutdown(wait=is_waiting, cancel_futures=True)
        self._pool = None
        for process in () if is_waiting else processes:
            process.terminate()
