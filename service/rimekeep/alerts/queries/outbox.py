"""Reads of the outbox."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import Listing
from rimekeep.platform.journal import OutboxMessage, SiteHead
from rimekeep.stock import queries as stock


def outbox(site_id: int, *, kind: str | None, after_seq: int) -> Listing:
    """Return the statement for a site's messages, and its order."""
    statement = select(OutboxMessage).where(
        col(OutboxMessage.site_id) == site_id, col(OutboxMessage.seq) > after_seq
    )
    if kind is not None:
        statement = statement.where(col(OutboxMessage.kind) == kind)
    return statement, [col(OutboxMessage.seq)]


def zones_meant(session: Session, site_id: int, messages: Sequence[OutboxMessage]) -> dict[int, int | None]:
    """Return the zone each message is about, by its number: messages say a zone's id or its code."""
    named = [one for one in messages if one.data.get("zone") or one.data.get("zone_id")]
    known = stock.zones(session, site_id) if named else []
    codes, ids = {zone.code: zone.id for zone in known}, {zone.id for zone in known}
    return {
        one.seq: one.data["zone_id"]
        if one.data.get("zone_id") in ids
        else codes.get(str(one.data.get("zone")))
        for one in messages
    }


def outbox_head(session: Session, site_id: int) -> int:
    """Return the number of the newest message; every number up to it is committed."""
    head = session.scalar(select(col(SiteHead.outbox_seq)).where(col(SiteHead.site_id) == site_id))
    return int(head or 0)


def messages_after(session: Session, site_id: int, seq: int, *, most: int) -> list[OutboxMessage]:
    """Return the messages that follow one, oldest first."""
    statement, order = outbox(site_id, kind=None, after_seq=seq)
    return list(session.scalars(statement.order_by(*order).limit(most)))


def notices(session: Session, site_id: int, seqs: Sequence[int]) -> list[OutboxMessage]:
    """Return the messages with these numbers, oldest first."""
    statement = select(OutboxMessage).where(
        col(OutboxMessage.site_id) == site_id, col(OutboxMessage.seq).in_(seqs)
    )
    return list(session.scalars(statement.order_by(col(OutboxMessage.seq))))
