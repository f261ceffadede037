"""
Friction between pallets and decks.

Values of the CTU Code (IMO, ILO, UNECE), Annex 7, Appendix 2, as UNECE shows them: static, swept clean, dry
and wet alike. What is not swept clean counts 0.3 at most, what is not free of frost, ice or snow 0.2 (both
from memory). They agree with Annex B of EN 12195-1:2010 as circulated; that text was not read.
"""

from enum import StrEnum

from rimekeep.errors import invalid
from rimekeep.wording import say

SOURCE = "CTU Code, Annex 7, Appendix 2, as UNECE shows it; limits for dirt and frost from memory"
# Sawn wood on shrink film (EN 12195-1:2010, Annex B, from memory): a pallet on the wrapped goods below it.
ON_WRAP = 0.3
NOT_SWEPT_MAX = 0.3
FROST_MAX = 0.2


class Pallet(StrEnum):
    """What stands on the deck."""

    WOOD = "wood"
    PLASTIC = "plastic"
    STEEL = "steel"


class Floor(StrEnum):
    """What it stands on."""

    PLYWOOD = "plywood"
    GROOVED_ALUMINIUM = "grooved_aluminium"
    STAINLESS_STEEL = "stainless_steel"


class Condition(StrEnum):
    """How the deck is."""

    SWEPT = "swept"
    NOT_SWEPT = "not_swept"
    FROST = "frost"


_FACTORS = {
    (Pallet.WOOD, Floor.PLYWOOD): 0.45,
    (Pallet.WOOD, Floor.GROOVED_ALUMINIUM): 0.4,
    (Pallet.WOOD, Floor.STAINLESS_STEEL): 0.3,
    (Pallet.PLASTIC, Floor.PLYWOOD): 0.2,
    (Pallet.PLASTIC, Floor.GROOVED_ALUMINIUM): 0.15,
    (Pallet.PLASTIC, Floor.STAINLESS_STEEL): 0.15,
    (Pallet.STEEL, Floor.PLYWOOD): 0.45,
    (Pallet.STEEL, Floor.GROOVED_ALUMINIUM): 0.3,
    (Pallet.STEEL, Floor.STAINLESS_STEEL): 0.2,
}


def friction_factor(pallet: Pallet, floor: Floor, condition: Condition) -> float:
    """
    Return the friction factor μ. [-]

    >>> friction_factor(Pallet.WOOD, Floor.PLYWOOD, Condition.SWEPT)
    0.45
    >>> friction_factor(Pallet.WOOD, Floor.PLYWOOD, Condition.FROST)
    0.2
    """
    if (pallet, floor) not in _FACTORS:
        raise invalid(
            "floor",
            say("No factor is known of {pallet} on {floor}.", pallet=pallet, floor=floor),
            say("Give the factor itself."),
        )
    most = {Condition.SWEPT: 1.0, Condition.NOT_SWEPT: NOT_SWEPT_MAX, Condition.FROST: FROST_MAX}
    return min(_FACTORS[pallet, floor], most[condition])


def friction_between(condition: Condition) -> float:
    """
    Return the factor of a wooden pallet on wrapped goods; frost does not spare them. [-]

    >>> friction_between(Condition.FROST)
    0.2
    """
    return min(ON_WRAP, FROST_MAX) if condition == Condition.FROST else ON_WRAP
