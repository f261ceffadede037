"""Requests and responses about alerts."""

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from rimekeep.alerts.core.targets import MAX_URL_LENGTH
from rimekeep.platform.schemas import Body, Instant, View

Kind = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z_]{0,40}\.[a-z][a-z_]{0,40}$"),
    Field(examples=["excursion.opened"]),
]


class SubscriptionIn(Body):
    """A new receiver of alerts."""

    url: str = Field(
        max_length=MAX_URL_LENGTH,
        description="Where alerts are posted, signed after Standard Webhooks; answer 2xx within 10 s.",
        examples=["https://alerts.example/cold"],
    )
    kinds: list[Kind] = Field([], max_length=50, description="Kinds of message wanted; empty: all.")


class SubscriptionOut(View):
    """A receiver and where its deliveries stand."""

    id: int
    url: str
    kinds: list[str]
    is_active: bool
    delivered_seq: int = Field(description="Number of the last message it took, or wanted not.")
    attempts: int = Field(description="Attempts that failed for the message it is sent now.")
    next_attempt_at: Instant | None = Field(description="No attempt before this; null: at once.")


class NewSubscriptionOut(View):
    """A new receiver with its secret."""

    subscription: SubscriptionOut
    secret: str = Field(description="What its messages are signed with. Shown this once.")


class AttemptOut(View):
    """One try to deliver one message."""

    id: int
    outbox_seq: int
    attempt: int
    at: Instant
    status: int = Field(description="HTTP status the receiver answered; 0: no answer.")
    error: str


class MessageOut(View):
    """Something that was announced."""

    seq: int
    message_id: str
    kind: str
    at: Instant
    data: dict[str, Any]
