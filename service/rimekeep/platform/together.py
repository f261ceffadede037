"""
Writers that wait for each other anyway share a transaction.

SQLite has one writer, and each commit waits for the disk. Requests that come while another is being committed
would each pay for that; here whoever is next takes all that wait into one transaction, and none of them is
answered before it is committed.
"""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, TypeVar

from sqlalchemy.orm import Session

# Whoever waits for the writers waits for so many at most.
MOST = 8
Result = TypeVar("Result")


class _Waiting:
    """One that waits for its result, or to lead."""

    def __init__(self, work: Callable[[Session], Any]) -> None:
        self.work = work
        self.result: Any = None
        self.error: BaseException | None = None
        self.leads = False
        self.woken = threading.Event()


class Together:
    """Does work in transactions, one at a time, each for all who wait by then."""

    def __init__(
        self,
        transaction: Callable[[], AbstractContextManager[Session]],
        is_vain: Callable[[BaseException], bool],
    ) -> None:
        """Wait for the first; what fails in a way that ``is_vain`` is not tried again one by one."""
        self._transaction, self._is_vain = transaction, is_vain
        self._guard = threading.Lock()
        self._waiting: list[_Waiting] = []
        self._is_led = False

    def run(self, work: Callable[[Session], Result]) -> Result:
        """
        Return what ``work`` makes of a session, after the commit, or raise what it raised.

        If any of those who share a transaction fails, it is rolled back and each is done by itself; so work
        may be called twice, and only what the second call wrote is kept.
        """
        mine = _Waiting(work)
        with self._guard:
            self._waiting.append(mine)
            mine.leads, self._is_led = not self._is_led, True
        if not mine.leads:
            mine.woken.wait()
        if mine.leads:
            self._lead()
        if mine.error is not None:
            raise mine.error
        result: Result = mine.result
        return result

    def _lead(self) -> None:
        with self._guard:
            # The leader is the first of them.
            group, self._waiting = self._waiting[:MOST], self._waiting[MOST:]
        try:
            self._settle(group)
        finally:
            with self._guard:
                self._is_led = bool(self._waiting)
                if self._waiting:
                    self._waiting[0].leads = True
                    self._waiting[0].woken.set()
            for one in group:
                one.woken.set()

    def _settle(self, group: list[_Waiting]) -> None:
        if len(group) > 1:
            try:
                with self._transaction() as session:
                    results = [one.work(session) for one in group]
            except Exception as error:  # noqa: BLE001 - each is done by itself then, and raises it again
                if self._is_vain(error):
                    for one in group:
                        one.error = error
                    return
            else:
                for one, result in zip(group, results, strict=True):
                    one.result = result
                return
        for one in group:
            try:
                with self._transaction() as session:
                    one.result = one.work(session)
            except BaseException as error:  # noqa: BLE001 - raised in the thread it belongs to
                one.error = error
