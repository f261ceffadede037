"""The words for picking."""

from enum import StrEnum


class AllocationState(StrEnum):
    """What became of reserved cases."""

    RESERVED = "reserved"
    PICKED = "picked"
    RETURNED = "returned"


class Handling(StrEnum):
    """How cases are taken from a unit."""

    PALLET = "pallet"
    LAYERS = "layers"
    CASES = "cases"


class ListState(StrEnum):
    """How far a pick list has come."""

    READY = "ready"
    TAKEN = "taken"
    DONE = "done"


class PickState(StrEnum):
    """How far one pick has come."""

    OPEN = "open"
    DONE = "done"
    SHORT = "short"
