"""Where heavy planning runs: worker processes, so that the API keeps answering."""

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


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
        if self._pool is None:
            # "spawn": a forked child would share the parent's database connections.
            self._pool = (
                ProcessPoolExecutor(self._workers, mp_context=get_context("spawn"))
                if self._workers
                else _Here()
            )
        try:
            return self._pool.submit(work, *args, **kwargs).result()
        except BrokenExecutor:
            # A planning process was killed, for want of memory perhaps; the next request gets new ones.
            self.close()
            raise

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None
