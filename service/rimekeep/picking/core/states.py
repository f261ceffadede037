"""The words for picking."""

from enum import StrEnum


class AllocationState(StrEnum):
    """What became of reserved cases."""

    RESERVED = "reserved"
    PICKED = "picked"
    # Picked, then no longer wanted: to be taken off the unit again.
    SURPLUS = "surplus"
    RETURNED = "returned"


class Handling(StrEnum):
    """How cases are taken from a unit."""

    PALLET = "pallet"
    LAYERS = "layers"
    CASES = "cases"


class ListsBy(StrEnum):
    """Whose units share a walk."""

    ORDER = "order"
    BATCH = "batch"


class LabelSize(StrEnum):
    """Sheets labels are printed on."""

    A6 = "a6"
    FOUR_BY_SIX = "4x6in"


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
    # No longer wanted as it stands, before the picker came; `Pick.note` says why.
    WITHDRAWN = "withdrawn"
