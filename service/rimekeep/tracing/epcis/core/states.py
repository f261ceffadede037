"""The words for what becomes of a document."""

from enum import StrEnum


class CaptureState(StrEnum):
    """How far a document is."""

    WAITING = "waiting"
    DONE = "done"
    FAILED = "failed"


class OnError(StrEnum):
    """What becomes of a document's good events when one is bad; the standard's words."""

    ROLLBACK = "rollback"
    PROCEED = "proceed"
