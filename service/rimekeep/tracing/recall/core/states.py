"""The words of recalls."""

from enum import StrEnum


class RecallState(StrEnum):
    """How far a recall is."""

    DRAFT = "draft"
    RUNNING = "running"
    CLOSED = "closed"


class ScopeKind(StrEnum):
    """What a recall begins from."""

    LOTS = "lots"
    WINDOW = "window"
    EXCURSION = "excursion"


class Way(StrEnum):
    """How a customer was told."""

    PHONE = "phone"
    MAIL = "mail"
    LETTER = "letter"
    VISIT = "visit"


class Ending(StrEnum):
    """What becomes of the stock a recall stopped."""

    RELEASE = "release"
    REJECT = "reject"
    HOLD = "hold"


class CustomerState(StrEnum):
    """How far a recall is with one customer."""

    TO_NOTIFY = "to notify"
    NOTIFIED = "notified"
    OVERDUE = "overdue"
    ANSWERED = "answered"
    EXPLAINED = "explained"
    RECONCILED = "reconciled"


class Place(StrEnum):
    """Where recalled cases are that no customer has."""

    FREE = "free"
    RESERVED = "reserved"
    PICKED = "picked"
    LOADED = "loaded"
    ON_THE_ROAD = "on the road"
