"""Requests and responses about alerts."""

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.core.letters import Purpose
from rimekeep.alerts.core.targets import MAX_URL_LENGTH
from rimekeep.platform.schemas import Body, Id, Instant, Reason, Text, View

Kind = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z_-]{0,40}\.[a-z][a-z_-]{0,40}$"),
    Field(examples=["excursion.opened"]),
]
WallTime = Annotated[
    str,
    StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$"),
    Field(description="Time of day at the site.", examples=["22:00"]),
]


class SubscriptionIn(Body):
    """A new receiver of alerts."""

    url: str = Field(
        max_length=MAX_URL_LENGTH,
        description="Where alerts go: https://HOST/PATH is posted to, signed after Standard Webhooks, and "
        "answers 2xx within 10 s; mailto:NAME@HOST is sent mail.",
        examples=["https://alerts.example/cold", "mailto:qa@brewery.example"],
    )
    kinds: list[Kind] = Field([], max_length=50, description="Kinds of message wanted; empty: all.")
    zone_ids: list[Id] = Field(
        [],
        max_length=200,
        description="Zones wanted; empty: all. What is about no zone in particular concerns every zone.",
    )
    least_severity: Severity = Field(Severity.INFO, description="Nothing less grave is sent.")
    quiet_from: WallTime | None = None
    quiet_until: WallTime | None = Field(
        None,
        description="Between the two, what is less than critical waits. Null: no quiet hours.",
    )
    is_for_duty: bool = Field(
        False, description="Sent nothing but what reaches it by the rota or the chain of the alert plan."
    )
    person_id: Id | None = Field(None, description="Whose it is.")


class WantedIn(Body):
    """What a receiver is to be sent from now on, and when; what is left out stays as it is."""

    kinds: list[Kind] = Field([], max_length=50, description="Kinds of message wanted; empty: all.")
    zone_ids: list[Id] = Field([], max_length=200, description="Zones wanted; empty: all.")
    least_severity: Severity = Field(Severity.INFO, description="Nothing less grave is sent.")
    quiet_from: WallTime | None = None
    quiet_until: WallTime | None = Field(None, description="Both null: no quiet hours.")
    is_for_duty: bool = Field(
        False, description="Sent nothing but what reaches it by the rota or the chain of the alert plan."
    )
    person_id: Id | None = Field(None, description="Whose it is; null: nobody's in particular.")
    reason: Reason


class WantedOut(View):
    """What a receiver is sent, and when."""

    kinds: list[str]
    zone_ids: list[int]
    least_severity: Severity
    quiet_from: str | None
    quiet_until: str | None
    is_for_duty: bool
    person_id: int | None


class SubscriptionOut(View):
    """A receiver and where its deliveries stand."""

    id: int
    url: str
    kinds: list[str]
    zone_ids: list[int]
    least_severity: Severity
    quiet_from: str | None
    quiet_until: str | None
    is_for_duty: bool
    person_id: int | None
    is_active: bool
    sorted_seq: int = Field(description="Notices up to this number are written to it, or were not wanted.")
    previous_until: Instant | None = Field(
        description="Until then the secret before signs as well; null: it was never changed."
    )
    attempts: int = Field(description="Attempts that failed in a row.")
    failing_since: Instant | None = Field(description="When the first of them failed.")
    next_attempt_at: Instant | None = Field(description="No attempt before this; null: at once.")


class NewSubscriptionOut(View):
    """A receiver with its new secret."""

    subscription: SubscriptionOut
    secret: str = Field(
        description="What its messages are signed with. Shown this once; empty for a mailbox."
    )


class LetterOut(View):
    """A message to a receiver."""

    id: int
    message_id: str = Field(description="The same on every attempt; the header webhook-id.")
    alert_id: int | None
    purpose: Purpose = Field(
        description="first: a notice as it was announced; gathered: what followed it; escalated: for who is "
        "next to answer; test."
    )
    severity: Severity
    seqs: list[int] = Field(description="Numbers of the notices in it.")
    made_at: Instant
    due_at: Instant = Field(description="Not sent before this.")
    delivered_at: Instant | None


class AttemptOut(View):
    """One try to deliver one message."""

    id: int
    letter_id: int | None
    outbox_seq: int = Field(description="Number of the newest notice in the message; 0: a test.")
    attempt: int
    at: Instant
    duration_ms: int | None
    status: int = Field(description="HTTP status, or the mail server's reply code; 0: no answer.")
    error: str
    next_attempt_at: Instant | None = Field(description="When it was to be tried again.")


class AlertOut(View):
    """Notices that are one thing to whoever must act."""

    id: int
    family: str
    zone_id: int | None
    severity: Severity = Field(description="The gravest of its notices'.")
    opened_at: Instant
    acknowledged_at: Instant | None
    acknowledged_by: int | None
    note: str
    next_step: int = Field(description="Steps of the chain that were taken.")
    next_step_at: Instant | None = Field(description="When the next one is; null: none.")


class AlertWithNoticesOut(AlertOut):
    """An alert and what it is made of."""

    seqs: list[int] = Field(description="Numbers of its notices.")


class AcknowledgeIn(Body):
    """Somebody takes an alert on."""

    note: Text = ""


class TurnIn(Body):
    """One person's hours in the week."""

    weekday: int = Field(ge=1, le=7, description="The day it begins on; Monday is 1 (ISO 8601).")
    starts: WallTime
    ends: WallTime = Field(description="On the next day if not later than the start.")
    subscription_id: Id


class StepIn(Body):
    """Who is told next."""

    after_minutes: int = Field(ge=0, le=10_080, description="Counted from when the alert opened.")
    subscription_id: Id | None = Field(None, description="Null: whoever is on call then.")


class AlertPlanIn(Body):
    """Who is on call, and who is told of an alert that nobody acknowledges."""

    least_severity: Severity = Field(Severity.CRITICAL, description="Alerts less grave are not followed up.")
    turns: list[TurnIn] = Field([], max_length=200)
    steps: list[StepIn] = Field([], max_length=20)
    reason: Reason


class TurnOut(View):
    """One person's hours in the week."""

    weekday: int
    starts: str
    ends: str
    subscription_id: int


class StepOut(View):
    """Who is told next."""

    after_minutes: int
    subscription_id: int | None


class AlertPlanOut(View):
    """A site's rota and chain."""

    least_severity: Severity
    turns: list[TurnOut]
    steps: list[StepOut]
    on_call: list[int] = Field(description="Subscriptions of those on call now.")


class MessageOut(View):
    """Something that was announced."""

    seq: int
    message_id: str
    kind: str
    at: Instant
    data: dict[str, Any]
