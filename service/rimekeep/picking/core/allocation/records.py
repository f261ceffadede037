"""What an allocation is asked with and what it answers."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from math import ceil
from numbers import Real
from operator import index
from typing import TYPE_CHECKING

from rimekeep.errors import invalid
from rimekeep.wording import say

if TYPE_CHECKING:
    from rimekeep.picking.core.allocation.remedies import Remedy

Key = str | int
Day = int | date
# 7 % of 100 days are 7 days, though 0.07 × 100 is a little more to a processor. [days]
ROUNDING_DAYS = 1e-9


def day_number(day: Day) -> int:
    """Return a day as an integer: a date's proleptic ordinal, or the integer itself."""
    if type(day) is int:  # by far the commonest, and this is called for every lot and line
        return day
    return day.toordinal() if isinstance(day, date) else int(day)


class Reason(StrEnum):
    """Why a lot cannot serve a line, or why a line stays short. `text` says it in plain words."""

    OTHER_PRODUCT = "other_product"
    LOT_CAP = "lot_cap"
    TAKEN = "taken_by_other_lines"
    HELD = "held"
    NOT_YET = "not_yet_available"
    TOO_OLD = "too_old"
    PROMISE_TOO_SHORT = "too_old_by_cautious_date"
    OLDER_THAN_LAST = "older_than_last_delivered"
    NEWER_THAN_NEXT = "newer_than_next_delivery"
    NO_STOCK = "no_stock"

    @property
    def text(self) -> str:
        """Return the reason as a sentence for the person who has to act on it."""
        return _TEXTS[self]


_TEXTS = {
    Reason.OTHER_PRODUCT: say("The lot is of another product."),
    Reason.LOT_CAP: say("The customer accepts no more different lots on this line."),
    Reason.TAKEN: say("Other lines of this wave take the stock this line could use."),
    Reason.HELD: say("The stock is on hold."),
    Reason.NOT_YET: say("The stock is not available by the ship day."),
    Reason.TOO_OLD: say("Too little life is left at delivery for this customer."),
    Reason.PROMISE_TOO_SHORT: say(
        "Too little life is left at delivery for this customer by the cautious date, which this site "
        "promises; by the median there is enough."
    ),
    Reason.OLDER_THAN_LAST: say("The stock is older than what this customer got or gets in this wave."),
    Reason.NEWER_THAN_NEXT: say("The stock is newer than what this customer is promised for a later day."),
    Reason.NO_STOCK: say("There is no more stock of this product."),
}


def least_days_left(min_life_days: int, min_life_fraction: float | None, total_days: int) -> int:
    """
    Return the days of life that must be left: the stricter of the days and the fraction of the total life.

    Parameters
    ----------
    min_life_days
        Days asked for, >= 0. [days]
    min_life_fraction
        Fraction of the total life asked for, 0...1; None: no such rule. [-]
    total_days
        Days from packaging to the printed best-before. [days]

    Returns
    -------
    int
        The fraction is rounded up to whole days. [days]

    Examples
    --------
    >>> least_days_left(30, 2 / 3, 100), least_days_left(30, 0.07, 100), least_days_left(90, 0.35, 180)
    (67, 30, 90)
    """
    if min_life_fraction is None:
        return min_life_days
    return max(min_life_days, ceil(min_life_fraction * total_days - ROUNDING_DAYS))


def _is_whole(number: object) -> bool:
    try:
        index(number)  # type: ignore[arg-type]  # that is what is asked
    except TypeError:
        return False
    return True


def _is_part(number: object) -> bool:
    return isinstance(number, Real) and 0 <= float(number) <= 1


def _check_cases(where: str, cases: int) -> None:
    if not (_is_whole(cases) and cases >= 0):
        raise invalid(
            where,
            say("{cases!r} is not a whole number of cases.", cases=cases),
            say("Give 0, 1, 2, … cases."),
        )


@dataclass(frozen=True, slots=True)
class LotStock:
    """
    Free stock of one lot: what is not reserved yet.

    Days are integers or dates, one kind throughout. ``expires_on`` is the effective expiry, which sorts;
    ``promised_on`` the day up to which customers are promised that it lasts (None: the same day);
    ``printed_on`` the best-before the customer sees (None: the same day). Parts of a lot that aged
    differently name the same ``lot``: they share a printed date, and customers count them as one. None: the
    id names the lot. ``total_days`` is the lot's whole life, from packaging to the printed best-before; only
    lines that ask for a fraction of it need it.
    """

    id: Key
    product: Key
    cases: int
    expires_on: Day
    received_on: Day
    held: bool = False
    available_on: Day | None = None
    printed_on: Day | None = None
    lot: Key | None = None
    promised_on: Day | None = None
    total_days: int | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a stock."""
        _check_cases("lot.cases", self.cases)
        if self.total_days is not None and self.total_days < 0:
            raise invalid(
                "lot.total_days",
                say("{total_days} is negative.", total_days=self.total_days),
                say("Give 0 or more days, or none."),
            )

    @property
    def label(self) -> Key:
        """Return what the customer knows the lot by."""
        return self.id if self.lot is None else self.lot


@dataclass(frozen=True, slots=True)
class Line:
    """
    One order line: a product for one customer, shipped and delivered on stated days.

    A higher ``priority`` is served first. ``last_delivered_on`` is the printed date this customer last
    received of the product; None: no such rule, or nothing received yet. ``next_delivered_on`` is the printed
    date promised to them for a later day, which this line may not overtake. ``lots_had`` are the lots that
    serve the line from before: they count against ``max_lots``, and more of them is always welcome.
    ``min_life_fraction`` of a lot's total life must be left too, rounded up to whole days; the stricter of
    the two minima decides.
    """

    id: Key
    customer: Key
    product: Key
    cases: int
    ship_on: Day
    deliver_on: Day
    min_life_days: int = 0
    priority: int = 0
    max_lots: int | None = None
    last_delivered_on: Day | None = None
    lots_had: frozenset[Key] = frozenset()
    next_delivered_on: Day | None = None
    min_life_fraction: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be an order line."""
        _check_cases("line.cases", self.cases)
        for name, number in (
            ("min_life_days", self.min_life_days),
            ("priority", self.priority),
            ("max_lots", 1 if self.max_lots is None else self.max_lots),
        ):
            if not _is_whole(number):
                raise invalid(
                    f"line.{name}",
                    say("{number!r} is not a whole number.", number=number),
                    say("Give a whole number."),
                )
        if self.min_life_fraction is not None and not _is_part(self.min_life_fraction):
            raise invalid(
                "line.min_life_fraction",
                say("{min_life_fraction} is no part of a life.", min_life_fraction=self.min_life_fraction),
                say("Give a fraction from 0 to 1, or none."),
            )
        if self.min_life_days < 0:
            raise invalid(
                "line.min_life_days",
                say("{min_life_days} is negative.", min_life_days=self.min_life_days),
                say("Give 0 or more days."),
            )
        if self.max_lots is not None and self.max_lots < 1:
            raise invalid(
                "line.max_lots",
                say("{max_lots} lots serve nothing.", max_lots=self.max_lots),
                say("Give 1 or more, or none."),
            )

    @property
    def new_lots(self) -> int | None:
        """Return how many lots may come to those it has; None: any number."""
        return None if self.max_lots is None else max(0, self.max_lots - len(self.lots_had))

    def life_days(self, lot: LotStock) -> int:
        """Return the days of life ``lot`` must have left at delivery; Invalid where it lacks its total."""
        if self.min_life_fraction is None:
            return self.min_life_days
        if lot.total_days is None:
            raise invalid(
                "lot.total_days",
                say(
                    "Line {id!r} asks for a fraction of the total life; lot {lot_id!r} does not state it.",
                    id=self.id,
                    lot_id=lot.id,
                ),
                say("Give the days from packaging to the printed best-before."),
            )
        return least_days_left(self.min_life_days, self.min_life_fraction, lot.total_days)

    def is_closed_to(self, lot: LotStock) -> bool:
        """Tell whether the line has all the lots its customer accepts, and ``lot`` is none of them."""
        return self.new_lots == 0 and lot.label not in self.lots_had


@dataclass(frozen=True, slots=True)
class Short:
    """
    What a line does not get, and what stopped most of it.

    ``blocked`` lists every cause with the cases it keeps from this line (never more than the line misses),
    the weightiest first; ``reason`` is the first of them.
    """

    cases: int
    reason: Reason
    blocked: tuple[tuple[Reason, int], ...] = ()
    ask: "Callable[[], tuple[Remedy, ...]] | None" = field(default=None, compare=False, repr=False)

    @property
    def remedies(self) -> "tuple[Remedy, ...]":
        """Return what would have to change to serve it; worked out when asked for."""
        return () if self.ask is None else self.ask()


@dataclass(frozen=True, slots=True)
class Allocation:
    """
    The answer of `allocate`.

    Attributes
    ----------
    taken
        (line id, lot id, cases), lines in the order given, lots of a line first-expired first.
    short
        What is missing, by line id; lines served in full do not appear.
    bound
        No allocation within the rules (for several priorities: none as good in the higher ones) serves more
        cases. Equal to `served` when that is proven best. [cases]
    is_proven
        Both goals are proven best, not only the cases served.
    """

    taken: list[tuple[Key, Key, int]]
    short: dict[Key, Short]
    bound: int
    is_proven: bool = True

    @property
    def served(self) -> int:
        """Return the cases served over all lines."""
        return sum(cases for _, _, cases in self.taken)
