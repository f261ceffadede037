"""Deliver what is due."""

import asyncio
import time
from datetime import datetime, timedelta

from rimekeep.alerts import queries, usecases
from rimekeep.alerts.usecases.send import SEND_TIMEOUT_S
from rimekeep.platform.database import Database

# A round ends after this long, so that one slow receiver's backlog does not hold up the others' next round.
ROUND_S = 20.0
# Receivers served at the same time.
ABREAST = 16


def deliver(database: Database, now: datetime, *, timeout_s: float = SEND_TIMEOUT_S) -> int:
    """
    Send every receiver what is due to it; return how many messages were taken by receivers.

    It makes its own short transactions and wants none open around it: a receiver may take seconds to answer.
    """
    with database.transaction(readonly=True) as session:
        due = queries.due_subscriptions(session, now)
    if not due:
        return 0
    return asyncio.run(_deliver_to(database, now, due, timeout_s))


async def _deliver_to(database: Database, now: datetime, due: list[int], timeout_s: float) -> int:
    begun = time.monotonic()
    free = asyncio.Semaphore(ABREAST)

    def present() -> datetime:
        return now + timedelta(seconds=time.monotonic() - begun)

    async def serve(sender: usecases.Sender, subscription_id: int) -> int:
        delivered = 0
        async with free:
            while time.monotonic() - begun < ROUND_S:
                sent = await asyncio.to_thread(_take, database, present(), subscription_id)
                if sent is None:
                    break
                outcome = await sender.send(sent, present())
                delivered += outcome.is_delivered
                if not await asyncio.to_thread(_note, database, present(), sent, outcome):
                    break
        return delivered

    async with usecases.Sender(
        is_private_allowed=database.settings.webhook_allow_private, timeout_s=timeout_s
    ) as sender:
        results = await asyncio.gather(*(serve(sender, one) for one in due), return_exceptions=True)
    for result in results:
        if isinstance(result, BaseException):
            # The others were served; the scheduler logs this one and the next round tries it again.
            raise result
    return sum(result for result in results if isinstance(result, int))


def _take(database: Database, now: datetime, subscription_id: int) -> usecases.Delivery | None:
    with database.transaction() as session:
        return usecases.take_due(session, now, subscription_id)


def _note(database: Database, now: datetime, sent: usecases.Delivery, outcome: usecases.Outcome) -> bool:
    with database.transaction() as session:
        return usecases.note_outcome(session, now, sent, outcome)
