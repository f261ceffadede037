"""The days of a lot: when it was packaged, how long it is good for, what a customer may still ask of it."""

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import ceil

from rimekeep.errors import invalid


@dataclass(frozen=True, slots=True)
class LotDates:
    """Packaging day and printed best-before day of one lot; the second is always the later."""

    packaged_on: date
    best_before_on: date

    def __post_init__(self) -> None:
        """Refuse a lot that would be over the day it was made."""
        if self.best_before_on <= self.packaged_on:
            raise invalid(
                "best_before_on",
                f"{self.best_before_on} is not later than the packaging day {self.packaged_on}.",
                "Check both dates against the label.",
            )

    @property
    def life_days(self) -> int:
        """Return the whole life the label promises. [d]"""
        return (self.best_before_on - self.packaged_on).days


def life_days(packaged_on: date, best_before_on: date) -> int:
    """Return the days from packaging to best before; raises `Invalid` unless the second is later."""
    return LotDates(packaged_on, best_before_on).life_days


def min_life_days(share: float | Fraction, *, total_life_days: int) -> int:
    """
    Return the days of life a customer asks for who asks for a share of the whole.

    Parameters
    ----------
    share
        Part of the total life that must be left at delivery, 0...1. A float is read as the decimal it prints
        as, so that 0.7 means seven tenths. [-]
    total_life_days
        Life from packaging to best before, > 0. [d]

    Returns
    -------
    int
        Whole days, rounded up: the customer is never given less than asked for. [d]

    Raises
    ------
    Invalid
        An argument breaks the bound stated above.

    Examples
    --------
    >>> min_life_days(0.7, total_life_days=180)
    126
    """
    if not 0 <= share <= 1:
        raise invalid("min_life_share", f"{share} is not a share of the life.", "Give a number from 0 to 1.")
    if total_life_days <= 0:
        raise invalid(
            "total_life_days", f"{total_life_days} days are no life.", "Give a positive number of days."
        )
    return ceil(Fraction(str(share)) * total_life_days)
