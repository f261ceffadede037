"""The words for load plans."""

from enum import StrEnum


class PlanState(StrEnum):
    """How far a plan has come."""

    DRAFT = "draft"
    CONFIRMED = "confirmed"
    DEPARTED = "departed"
    DROPPED = "dropped"
