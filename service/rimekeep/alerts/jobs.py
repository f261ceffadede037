"""Sort what was announced, follow up what nobody answers, and deliver what is due."""

import asyncio
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from functools import partial
from types import TracebackType
from typing import Self, TypeVar

import structlog
from sqlalchemy.orm import Session

from rimekeep.alerts import queries, usecases
from rimekeep.alerts.core.targets import is_mail
from rimekeep.alerts.usecases.send import SEND_TIMEOUT_S
from rimekeep.platform.database import Database

log = structlog.get_logger("rimekeep.jobs")

# Receivers served at the same time: those that took their last message, and those that did not. However
# many hang, a place is free for who answers.
ABREAST, FAILING_ABREAST = 64, 16
# Steps in the database at the same time. Threads of their own: names are looked up in the loop's, and may
# take long.
STEPS_ABREAST = 8
# A receiver's backlog is left after this long, so that what became of it (a failure, quiet hours) is looked
# at anew.
SERVED_S = 20.0

T = TypeVar("T")


class Round:
    """Serves receivers, each by itself: one that hangs, drips or is dead holds up no other."""

    def __init__(self, database: Database, clock: Callable[[], datetime], timeout_s: float) -> None:
        """Begin nothing yet."""
        self._database, self._clock = database, clock
        self._steps = ThreadPoolExecutor(STEPS_ABREAST, "alerts")
        self._healthy, self._failing = asyncio.Semaphore(ABREAST), asyncio.Semaphore(FAILING_ABREAST)
        self._timeout_s = timeout_s
        self._post = usecases.Post(database.settings, timeout_s=timeout_s)
        self._served: dict[int, asyncio.Task[int]] = {}

    async def __aenter__(self) -> Self:
        """Return it."""
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave what is under way to its lease."""
        for task in self._served.values():
            task.cancel()
        await asyncio.gather(*self._served.values(), return_exceptions=True)
        self._post.close()
        self._steps.shutdown(wait=True)

    async def look(self) -> list[asyncio.Task[int]]:
        """Sort what is new, and begin to serve everybody who has something due and is not served already."""
        due = await self._step(lambda: prepare(self._database, self._clock()))
        begun = []
        for subscription_id, is_failing in due:
            if subscription_id not in self._served:
                task = asyncio.create_task(self._serve(subscription_id, is_failing=is_failing))
                self._served[subscription_id] = task
                task.add_done_callback(partial(self._end, subscription_id))
                begun.append(task)
        return begun

    def _end(self, subscription_id: int, done: asyncio.Task[int]) -> None:
        self._served.pop(subscription_id, None)
        if not done.cancelled() and done.exception() is not None:
            # Its lease runs out, and it is served again.
            log.error(
                "delivery failed", subscription_id=subscription_id, error=type(done.exception()).__name__
            )

    async def _serve(self, subscription_id: int, *, is_failing: bool) -> int:
        delivered, begun = 0, time.monotonic()
        async with self._failing if is_failing else self._healthy, self._sender() as webhooks:
            sent = await self._step(lambda: _take(self._database, self._clock(), subscription_id))
            while sent is not None:
                sender = self._post if is_mail(sent.url) else webhooks
                outcome = await sender.send(sent, self._clock())
                delivered += outcome.is_delivered
                goes_on = time.monotonic() - begun < SERVED_S
                note = partial(_note, self._database, self._clock(), sent, outcome, takes_next=goes_on)
                sent = await self._step(note)
        return delivered

    def _sender(self) -> usecases.Sender:
        # One for each receiver: connections are kept by address, and one whose certificate was checked for a
        # name must not serve another name at the same address.
        return usecases.Sender(
            is_private_allowed=self._database.settings.webhook_allow_private, timeout_s=self._timeout_s
        )

    async def _step(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._steps, work)


def forget_letters(session: Session, now: datetime, site_id: int) -> None:
    """Remove messages that were delivered longer ago than they are kept."""
    removed = usecases.forget_letters(session, now, site_id)
    if removed:
        log.info("delivered messages removed", site_id=site_id, removed=removed)


def deliver(database: Database, now: datetime, *, timeout_s: float = SEND_TIMEOUT_S) -> int:
    """Do one round and wait for its end; return how many messages were taken by receivers."""
    begun = time.monotonic()

    def present() -> datetime:
        return now + timedelta(seconds=time.monotonic() - begun)

    async def once() -> int:
        async with Round(database, present, timeout_s) as rounds:
            return sum(await asyncio.gather(*await rounds.look()))

    return asyncio.run(once())


def deliver_without_end(
    database: Database, stopped: threading.Event, *, timeout_s: float = SEND_TIMEOUT_S
) -> None:
    """
    Deliver until stopped.

    A receiver is looked at again as soon as it is free, whatever the others do.
    """

    async def on_and_on() -> None:
        async with Round(database, lambda: datetime.now(UTC), timeout_s) as rounds:
            while not stopped.is_set():
                await rounds.look()
                await _until(stopped, database.settings.deliver_every_s)

    asyncio.run(on_and_on())


async def _until(stopped: threading.Event, wait_s: float) -> None:
    deadline = time.monotonic() + wait_s
    while not stopped.is_set() and time.monotonic() < deadline:
        await asyncio.sleep(min(0.2, wait_s))


def prepare(database: Database, now: datetime) -> list[tuple[int, bool]]:
    """Sort what is new, follow up what is unanswered; return who is due, and whether they failed last."""
    with database.transaction(readonly=True) as session:
        site_ids = queries.site_ids_to_sort(session)
        is_any_unanswered = queries.is_any_to_follow(session, now)
    for site_id in site_ids:
        is_more = True
        while is_more:
            with database.transaction() as session:
                is_more = usecases.sort_outbox(session, now, site_id)
    if is_any_unanswered or site_ids:
        with database.transaction() as session:
            usecases.follow_up(session, now)
    with database.transaction(readonly=True) as session:
        return queries.due_subscriptions(session, now)


def _take(database: Database, now: datetime, subscription_id: int) -> usecases.Delivery | None:
    return database.perform(lambda session: usecases.take_due(session, now, subscription_id))


def _note(
    database: Database,
    now: datetime,
    sent: usecases.Delivery,
    outcome: usecases.Outcome,
    *,
    takes_next: bool,
) -> usecases.Delivery | None:
    """Write what became of a delivery and take the receiver's next message, in one transaction."""

    def both(session: Session) -> usecases.Delivery | None:
        goes_on = usecases.note_outcome(session, now, sent, outcome)
        return usecases.take_due(session, now, sent.subscription_id) if goes_on and takes_next else None

    return database.perform(both)
