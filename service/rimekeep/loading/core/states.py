"""The words for load plans."""

from enum import StrEnum


class PlanState(StrEnum):
    """How far a plan has come."""

    DRAFT = "draft"
    CONFIRMED = "confirmed"
    DEPARTED = "departed"
    DROPPED = "dropped"


class Fate(StrEnum):
    """What became of a unit on the road; what has none yet is still on board."""

    DELIVERED = "delivered"
    REFUSED = "refused"
    RETURNED = "returned"


class Measured(StrEnum):
    """Where a unit's temperature was taken at loading."""

    CORE = "core"
    SURFACE = "surface"
