"""Who must know, and what was sent to them."""

from datetime import datetime

from sqlalchemy import BigInteger, Index
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import document, instant, key, ref


class Subscription(SQLModel, table=True):
    """A webhook that is sent the outbox, in order, from where it stands."""

    __tablename__ = "subscription"
    id: int = key()
    site_id: int = ref("site.id", index=True)
    url: str
    secret: str
    # Kinds of message wanted; empty: all.
    kinds: list[str] = document(default=list)
    is_active: bool = True
    delivered_seq: int = Field(default=0, sa_type=BigInteger)
    attempts: int = 0
    next_attempt_at: datetime | None = instant(nullable=True)


class DeliveryAttempt(SQLModel, table=True):
    """One try to deliver one message."""

    __tablename__ = "delivery_attempt"
    __table_args__ = (Index("ix_delivery_attempt__message", "subscription_id", "outbox_seq"),)
    id: int = key()
    site_id: int = ref("site.id")
    subscription_id: int = ref("subscription.id")
    outbox_seq: int = Field(sa_type=BigInteger)
    attempt: int
    at: datetime = instant()
    # 0: no answer at all.
    status: int
    error: str = ""
