"""How far the reckoning of a pack's life has come."""

from enum import StrEnum


class Stage(StrEnum):
    """What a pack's life is reckoned from."""

    # Its core is still on its way to the room's; it is integrated by itself.
    YOUNG = "young"
    # Its core is the room's; the room's hours are its own.
    SETTLED = "settled"
