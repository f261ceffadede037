"""Who must know, what of, and what was sent to them."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, Index, String, text
from sqlmodel import Field, SQLModel

from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.core.letters import Purpose
from rimekeep.platform.columns import document, instant, key, one_of, ref


class Subscription(SQLModel, table=True):
    """A receiver: a webhook, or a mailbox (its URL is mailto:)."""

    __tablename__ = "subscription"
    id: int = key()
    site_id: int = ref("site.id", index=True)
    url: str
    # Empty for a mailbox.
    secret: str
    # During a change of secret the old one signs beside the new one.
    previous_secret: str | None = None
    previous_until: datetime | None = instant(nullable=True)
    # What is wanted; empty: all.
    kinds: list[str] = document(default=list)
    zone_ids: list[int] = document(default=list)
    least_severity: str = Field(default=Severity.INFO, sa_type=String)
    # Wall-clock times of the site, HH:MM.
    quiet_from: str | None = None
    quiet_until: str | None = None
    # Sent nothing but what reaches it by the rota or the chain, and tests.
    is_for_duty: bool = False
    person_id: int | None = ref("principal.id", nullable=True)
    is_active: bool = True
    # Notices up to here are written to it, or were not wanted.
    sorted_seq: int = Field(default=0, sa_type=BigInteger)
    # Attempts that failed in a row.
    attempts: int = 0
    failing_since: datetime | None = instant(nullable=True)
    next_attempt_at: datetime | None = instant(nullable=True)
    leased_until: datetime | None = instant(nullable=True)


class AlertPlan(SQLModel, table=True):
    """A site's rota and chain, and how far its outbox is sorted into alerts."""

    __tablename__ = "alert_plan"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    sorted_seq: int = Field(default=0, sa_type=BigInteger)
    # Alerts less grave than this are not followed up.
    least_severity: str = Field(default=Severity.CRITICAL, sa_type=String)
    turns: list[dict[str, Any]] = document(default=list)
    steps: list[dict[str, Any]] = document(default=list)


class Alert(SQLModel, table=True):
    """Notices that are one thing to whoever must act."""

    __tablename__ = "alert"
    __table_args__ = (
        one_of("severity", Severity),
        Index("ix_alert__family", "site_id", "family", "opened_at"),
        Index(
            "ix_alert__next_step",
            "next_step_at",
            sqlite_where=text("next_step_at IS NOT NULL"),
            postgresql_where=text("next_step_at IS NOT NULL"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id")
    family: str
    zone_id: int | None = ref("zone.id", nullable=True)
    # The gravest of its notices'.
    severity: str = Field(sa_type=String)
    opened_at: datetime = instant()
    acknowledged_at: datetime | None = instant(nullable=True)
    acknowledged_by: int | None = ref("principal.id", nullable=True)
    note: str = ""
    next_step: int = 0
    next_step_at: datetime | None = instant(nullable=True)


class AlertNotice(SQLModel, table=True):
    """Which alert a notice belongs to."""

    __tablename__ = "alert_notice"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    seq: int = Field(primary_key=True, sa_type=BigInteger)
    alert_id: int = ref("alert.id", index=True)
    severity: str = Field(sa_type=String)
    zone_id: int | None = ref("zone.id", nullable=True)


class Letter(SQLModel, table=True):
    """One message to one receiver, of one notice or several."""

    __tablename__ = "letter"
    __table_args__ = (
        one_of("purpose", Purpose),
        Index(
            "ix_letter__waiting",
            "subscription_id",
            "id",
            sqlite_where=text("delivered_at IS NULL"),
            postgresql_where=text("delivered_at IS NULL"),
        ),
        Index("ix_letter__alert", "alert_id", "subscription_id"),
        Index("ix_letter__subscription", "subscription_id", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    subscription_id: int = ref("subscription.id")
    alert_id: int | None = ref("alert.id", nullable=True)
    message_id: str
    purpose: str = Field(sa_type=String)
    severity: str = Field(sa_type=String)
    # Numbers of its notices.
    seqs: list[int] = document(default=list)
    made_at: datetime = instant()
    due_at: datetime = instant()
    delivered_at: datetime | None = instant(nullable=True)


class DeliveryAttempt(SQLModel, table=True):
    """One try to deliver one message."""

    __tablename__ = "delivery_attempt"
    __table_args__ = (
        Index("ix_delivery_attempt__message", "subscription_id", "outbox_seq"),
        # Without it a message could not be removed without looking through all attempts.
        Index("ix_delivery_attempt__letter", "letter_id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    subscription_id: int = ref("subscription.id")
    letter_id: int | None = ref("letter.id", nullable=True)
    # Number of the newest notice in it; 0: a test.
    outbox_seq: int = Field(sa_type=BigInteger)
    attempt: int
    at: datetime = instant()
    duration_ms: int | None = None
    # 0: no answer at all.
    status: int
    error: str = ""
    next_attempt_at: datetime | None = instant(nullable=True)
