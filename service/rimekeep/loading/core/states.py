"""The words for load plans."""

from enum import StrEnum


class PlanState(StrEnum):
    """How far a plan has come."""

    DRAFT = "draft"
    CONFIRMED = "confirmed"
    DEPARTED = "departed"
    DROPPED = "dropped"


class JobState(StrEnum):
    """How far planning in the background has come."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    CANCELLED = "cancelled"
    FAILED = "failed"
    # Its process ended before it did.
    INTERRUPTED = "interrupted"


class Deviation(StrEnum):
    """What the dispatcher let happen at the door although the plan says otherwise."""

    WRONG_ORDER = "wrong-order"
    WRONG_PLACE = "wrong-place"


class Empty(StrEnum):
    """Empties customers give back."""

    PALLET = "pallet"
    KEG = "keg"
    CRATE = "crate"
    TIER_SHEET = "tier-sheet"


class Fate(StrEnum):
    """What became of a unit on the road; what has none yet is still on board."""

    DELIVERED = "delivered"
    REFUSED = "refused"
    RETURNED = "returned"
    # Handed over, and sent back whole later on.
    SENT_BACK = "sent-back"


class Measured(StrEnum):
    """Where a unit's temperature was taken at loading."""

    CORE = "core"
    SURFACE = "surface"
