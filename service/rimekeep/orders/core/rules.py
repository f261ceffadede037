"""What a customer wants of the beer they are sent."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rules:
    """
    The rules of one line: each its own, else the customer's for the product, else the customer's for all.

    Attributes
    ----------
    min_life_days
        Days of life that must be left on the day of delivery. [days]
    min_life_fraction
        Share of the lot's whole life, from packaging to the printed date, that must be left then; None: no
        such rule. With days given too the stricter holds. [-]
    no_backward_date
        Never an older printed date than delivered before.
    max_lots
        Most different lots on the line; None: any number.
    """

    min_life_days: int = 0
    min_life_fraction: float | None = None
    no_backward_date: bool = False
    max_lots: int | None = None
