"""Recalls: what they reach, who was told, what was answered."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, String
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import document, instant, key, one_of, ref
from rimekeep.tracing.recall.core.states import Ending, RecallState, ScopeKind, Way


class Recall(SQLModel, table=True):
    """A recall, or the drill of one."""

    __tablename__ = "recall"
    __table_args__ = (
        one_of("state", RecallState),
        one_of("kind", ScopeKind),
        one_of("ending", Ending),
        CheckConstraint("answer_within_s > 0", name="answer_within"),
        Index("ix_recall__state", "site_id", "state"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    state: str = Field(sa_type=String)
    # A drill reckons everything and stops nothing.
    is_mock: bool = False
    kind: str = Field(sa_type=String)
    # What was asked, in plain JSON: lots, or a zone and a window, or an excursion.
    scope: dict[str, Any] = document()
    made_at: datetime = instant()
    made_by: int = ref("principal.id")
    reason: str = ""
    # How long customers have to answer before somebody is reminded of them. [s]
    answer_within_s: int | None = None
    started_at: datetime | None = instant(nullable=True)
    started_by: int | None = ref("principal.id", nullable=True)
    started_signed: str = ""
    started_sha256: str = ""
    # What was found at the start or in the drill: cases by place, customers, seconds to the list.
    figures: dict[str, Any] = document()
    closed_at: datetime | None = instant(nullable=True)
    closed_by: int | None = ref("principal.id", nullable=True)
    close_reason: str = ""
    closed_signed: str = ""
    closed_sha256: str = ""
    ending: str | None = Field(default=None, sa_type=String, nullable=True)

    @property
    def hold_reason(self) -> str:
        """Return the words stock is stopped with."""
        return f"recall {self.id}: {self.reason}"


class RecallLot(SQLModel, table=True):
    """A lot of a recall; whether its hold is the recall's own."""

    __tablename__ = "recall_lot"
    recall_id: int = Field(primary_key=True, foreign_key="recall.id", sa_type=BigInteger)
    lot_id: int = Field(primary_key=True, foreign_key="lot.id", sa_type=BigInteger, index=True)
    is_held: bool = False


class RecallUnit(SQLModel, table=True):
    """A unit stopped by a recall of touched stock; whether its hold is the recall's own."""

    __tablename__ = "recall_unit"
    recall_id: int = Field(primary_key=True, foreign_key="recall.id", sa_type=BigInteger)
    unit_id: int = Field(primary_key=True, foreign_key="unit.id", sa_type=BigInteger, index=True)
    is_held: bool = False


class RecallContent(SQLModel, table=True):
    """Touched cases a recall began from; what is taken off them belongs to it too."""

    __tablename__ = "recall_content"
    recall_id: int = Field(primary_key=True, foreign_key="recall.id", sa_type=BigInteger)
    content_id: int = Field(primary_key=True, foreign_key="unit_content.id", sa_type=BigInteger)


class RecallNotification(SQLModel, table=True):
    """A time a customer was told; rows are only added."""

    __tablename__ = "recall_notification"
    __table_args__ = (one_of("how", Way), Index("ix_recall_notification__recall", "recall_id", "customer_id"))
    id: int = key()
    site_id: int = ref("site.id")
    recall_id: int = ref("recall.id")
    customer_id: int = ref("customer.id")
    at: datetime = instant()
    how: str = Field(sa_type=String)
    to_whom: str
    note: str = ""
    recorded_at: datetime = instant()
    recorded_by: int = ref("principal.id")


class RecallAnswer(SQLModel, table=True):
    """What a customer answered; rows are only added, and the newest counts."""

    __tablename__ = "recall_answer"
    __table_args__ = (
        CheckConstraint(
            "held_cases >= 0 AND sold_on_cases >= 0 AND returned_cases >= 0 AND destroyed_cases >= 0",
            name="cases",
        ),
        Index("ix_recall_answer__recall", "recall_id", "customer_id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    recall_id: int = ref("recall.id")
    customer_id: int = ref("customer.id")
    received_at: datetime = instant()
    held_cases: int = 0
    sold_on_cases: int = 0
    returned_cases: int = 0
    destroyed_cases: int = 0
    # Why the rest cannot be told of.
    explanation: str = ""
    note: str = ""
    recorded_at: datetime = instant()
    recorded_by: int = ref("principal.id")


class RecallReminder(SQLModel, table=True):
    """The answer of a customer somebody was reminded of last: the one that was due then."""

    __tablename__ = "recall_reminder"
    recall_id: int = Field(primary_key=True, foreign_key="recall.id", sa_type=BigInteger)
    customer_id: int = Field(primary_key=True, foreign_key="customer.id", sa_type=BigInteger)
    due_at: datetime = instant()


class RecallRecord(SQLModel, table=True):
    """What customers had and where the rest stood when a recall was closed or drilled; it stays as it was."""

    __tablename__ = "recall_record"
    recall_id: int = Field(primary_key=True, foreign_key="recall.id", sa_type=BigInteger)
    deliveries: list[Any] = document(default=list)
    stopped: list[Any] = document(default=list)
