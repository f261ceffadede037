"""Take in readings that came over MQTT: many messages in one transaction, each answered for itself."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.access import queries as access
from rimekeep.access.core.roles import Role
from rimekeep.climate.core.batch import Batch, Taken
from rimekeep.climate.core.joining import groups, joined, parted
from rimekeep.climate.core.topics import Answer, Message, Sender, sender_of, unknown
from rimekeep.climate.usecases.decode import read_senml
from rimekeep.climate.usecases.readings import MAX_BATCH, take_batch
from rimekeep.errors import RimekeepError, invalid
from rimekeep.wording import say


def take_messages(
    session: Session,
    now: datetime,
    messages: Sequence[Message],
    *,
    clock_skew_s: int = 120,
    largest_bytes: int = 8_000_000,
) -> list[Answer]:
    """
    Store the readings of messages; return one answer per message, in order.

    A message is taken when its topic names an active device with the role gateway at its site. What cannot be
    used is answered with the reason and costs its neighbours nothing; a message that comes again stores
    nothing again. Times must be absolute here: a message may have waited at the broker, and the same one
    would mean another time when it comes again.
    """
    read = [_read(message, largest_bytes) for message in messages]
    site_ids = _site_ids(session, {one[0] for one in read if isinstance(one, tuple)})
    answers: dict[int, Answer] = {}
    of_site: dict[int, list[tuple[int, Batch]]] = {}
    for place, (message, one) in enumerate(zip(messages, read, strict=True)):
        if isinstance(one, RimekeepError):
            answers[place] = Answer(message.mark, against=one)
        elif one[0] not in site_ids:
            answers[place] = Answer(message.mark, against=unknown(one[0]))
        else:
            of_site.setdefault(site_ids[one[0]], []).append((place, one[1]))
    # In order of id: two that take in messages at once cannot block each other.
    for site_id in sorted(of_site):
        places = [place for place, _ in of_site[site_id]]
        taken = _take(session, now, site_id, [batch for _, batch in of_site[site_id]], clock_skew_s)
        for place, each in zip(places, taken, strict=True):
            answers[place] = Answer(messages[place].mark, each)
    return [answers[place] for place in range(len(messages))]


def _read(message: Message, largest_bytes: int) -> tuple[Sender, Batch] | RimekeepError:
    try:
        sender = sender_of(message.topic)
        size = len(message.payload)
        if size > largest_bytes:
            raise invalid(
                "body",
                say("It holds {size} bytes.", size=size),
                say("Send at most {largest_bytes} at once.", largest_bytes=largest_bytes),
                code="message-too-large",
            )
        return sender, read_senml(message.payload, received_at=None)
    except RimekeepError as error:
        return error


def _site_ids(session: Session, senders: set[Sender]) -> dict[Sender, int]:
    callers = access.callers_named(session, {(sender.site_code, sender.gateway) for sender in senders})
    return {
        Sender(*names): caller.site_id for names, caller in callers.items() if Role.GATEWAY in caller.roles
    }


def _take(
    session: Session, now: datetime, site_id: int, batches: list[Batch], clock_skew_s: int
) -> list[Taken]:
    taken: list[Taken] = []
    for places in groups(batches, MAX_BATCH):
        together = [batches[place] for place in places]
        took = take_batch(session, now, site_id, joined(together), clock_skew_s=clock_skew_s)
        taken += parted(took, together)
    return taken
