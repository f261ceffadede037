"""What an outlook is asked with and what it answers. Days are integers or dates, one kind throughout."""

import math
from dataclasses import dataclass, field
from operator import index

from rimekeep.errors import invalid
from rimekeep.picking.core.allocation.records import Day, Key, day_number
from rimekeep.wording import say


def _whole(where: str, number: int, least: int = 0) -> None:
    try:
        is_count = index(number) >= least
    except TypeError:
        is_count = False
    if not is_count:
        raise invalid(
            where,
            say("{number!r} is not a whole number from {least}.", number=number, least=least),
            say("Give a whole number."),
        )


@dataclass(frozen=True, slots=True)
class LotPart:
    """
    Free cases of one lot that share their dates.

    ``last_on`` is the last day they may still be delivered on to somebody who asks for no life beyond that
    day: the earliest of the printed, the effective and the promised date. ``total_days`` is the lot's whole
    life, of which customers may ask a fraction (None: unknown, fractions ask nothing of it). Before
    ``available_on`` (None: at once) nothing of it can be delivered. [cases, days]
    """

    id: Key
    product: Key
    cases: int
    last_on: Day
    received_on: Day
    total_days: int | None = None
    available_on: Day | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a stock."""
        _whole("lot.cases", self.cases)
        if self.total_days is not None:
            _whole("lot.total_days", self.total_days)


@dataclass(frozen=True, slots=True)
class Demand:
    """
    Cases one customer is expected to take on one day, and the life they ask for on it.

    Of ``min_life_days`` and ``min_life_fraction`` of a lot's whole life the stricter counts. Customer None:
    nobody in particular.
    """

    product: Key
    customer: Key | None
    day: Day
    cases: int
    min_life_days: int = 0
    min_life_fraction: float | None = None

    def __post_init__(self) -> None:
        """Refuse what nobody can want."""
        _whole("demand.cases", self.cases)
        _whole("demand.min_life_days", self.min_life_days)
        share = self.min_life_fraction
        if share is not None and not (math.isfinite(share) and 0 <= share <= 1):
            raise invalid(
                "demand.min_life_fraction",
                say("{share} is not from 0 to 1.", share=share),
                say("Give 0.5 for half."),
            )


@dataclass(frozen=True, slots=True)
class LotOutlook:
    """
    What becomes of one lot part.

    Attributes
    ----------
    sold, waste, left
        Cases that sell within the horizon; that will not and that nobody known may get after it; that may
        still sell after it. They add up to the part's cases.
    saleable_until
        The last day on which any customer of the product accepts it, as a day number.
    act_by
        The last day on which an action could still have saved it: if from this day on (and not before) every
        customer takes the product with no life left beyond the day of delivery, as much of this part and of
        all that must go before it sells as if they did so from today. A day later something is lost for good.
        None: nothing is wasted, or not even that saves any of it and a buyer outside the forecast is needed.
    shown_on
        The first day from which on, to this day, it could be known: the lots in store by that day, less what
        was in fact delivered since, were more than the demand to come could take of them, by the demand that
        was known on each of these days and the dates known now. None: nothing is wasted.
    """

    id: Key
    product: Key
    sold: int
    waste: int
    left: int
    saleable_until: int
    act_by: int | None = None
    shown_on: int | None = None


@dataclass(frozen=True, slots=True)
class Relaxation:
    """
    What it would save if one customer asked for fewer days of life, all else unchanged.

    ``first_days`` is the smallest number of days that saves anything and ``first_cases`` what it saves;
    ``best_days`` the smallest that saves the most this customer can, ``best_cases``. Product None: the same
    number of days on every product.
    """

    customer: Key
    product: Key | None
    first_days: int
    first_cases: int
    best_days: int
    best_cases: int
    # Cases saved at best_days, by product.
    by_product: dict[Key, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    The answer of `outlook`: lot parts by product, first to go first, and what relaxing rules would save.

    ``unmet`` are the cases of demand that no lot serves, by product.
    """

    lots: list[LotOutlook]
    unmet: dict[Key, int]
    relaxations: list[Relaxation]
    customer_relaxations: list[Relaxation]

    @property
    def waste(self) -> int:
        """Return the cases that will not sell in time."""
        return sum(lot.waste for lot in self.lots)


def optional_day(day: Day | None, absent: int) -> int:
    """Return a day as a number, ``absent`` for None."""
    return absent if day is None else day_number(day)
