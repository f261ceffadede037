"""
What was known of a product's demand on a day of the past.

Forecasts count as they had been entered by then, orders from the day they were placed, the mean of past
weekdays as it was then. A day nobody had spoken of yet counts as it was first spoken of: that a forecast
reached less far then does not mean that nothing was expected. Orders count with the cases they have now.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from rimekeep.picking.core.allocation.records import Key
from rimekeep.picking.core.outlook.demand import Basis, Ordered, expected, past_means
from rimekeep.picking.core.outlook.records import Demand

# Nobody asks how much longer than this a lot has been too much. [days]
LOOK_BACK_DAYS = 120


@dataclass(frozen=True, slots=True)
class Word:
    """A forecast as it was entered: cases of a customer (None: nobody in particular) for a day."""

    product: Key
    customer: Key | None
    day: int
    cases: int
    entered_on: int


Said = TypeVar("Said", Ordered, Word)


@dataclass(frozen=True, slots=True)
class Known:
    """
    All that was said of demand, by product, and from when on it was known.

    Attributes
    ----------
    words
        Every forecast for the days looked at, in the order they were entered.
    history
        Customer, day and cases of what was ordered, back to the window before the first day asked about.
    basis
        Where each product's demand comes from today.
    first_day
        When the store's record begins; None: there is none.
    """

    today: int
    until: int
    ordered: Mapping[Key, list[Ordered]]
    words: Mapping[Key, list[Word]]
    history: Mapping[Key, list[tuple[Key, int, int]]]
    rules: Mapping[tuple[Key, Key | None], tuple[int, float | None]]
    basis: Mapping[Key, Basis]
    first_day: int | None

    def changed_on(self, product: Key) -> set[int]:
        """Return the days, today at the latest, on which what was known changed."""
        if self.basis.get(product) == Basis.PAST:
            return set(range(self.today - LOOK_BACK_DAYS, self.today + 1))
        entered = {word.entered_on for word in self.words.get(product, ())}
        placed = {one.placed_on for one in self.ordered.get(product, ()) if one.placed_on is not None}
        # Until the first word the mean of the past stood for it, from day to day another one.
        before = range(self.today - LOOK_BACK_DAYS, min(entered, default=self.today - LOOK_BACK_DAYS))
        return {day for day in (*entered, *placed, *before) if day <= self.today}

    def demand(self, product: Key, day: int) -> list[Demand] | None:
        """Return what was expected at the end of a day; None: too little was known to tell."""
        told: dict[tuple[Key, Key | None, int], int] = {}
        later: dict[tuple[Key, Key | None, int], int] = {}
        for word in self.words.get(product, ()):
            place = word.product, word.customer, word.day
            if word.entered_on <= day:
                told[place] = word.cases
            else:
                later.setdefault(place, word.cases)
        if told:
            told = {**later, **told}
        past = past_means(
            ((product, *one) for one in self.history.get(product, ())),
            today=day,
            until=self.until,
            first_day=self.first_day,
        )
        found, basis = expected(
            (_as_known(one, day) for one in self.ordered.get(product, ())),
            told,
            past,
            rules=self.rules,
            products=[product],
            today=self.today,
        )
        if basis[product] == Basis.ORDERS and self.basis.get(product) != Basis.ORDERS:
            return None
        return found


def by_product(some: Iterable[Said]) -> dict[Key, list[Said]]:
    """Return them by the product they speak of, in the same order."""
    found: dict[Key, list[Said]] = defaultdict(list)
    for one in some:
        found[one.product].append(one)
    return dict(found)


def _as_known(one: Ordered, day: int) -> Ordered:
    """Return an order line as it was known: before it was placed it asks for no more than it was given."""
    if one.placed_on is None or one.placed_on <= day:
        return one
    return replace(one, cases=one.cases - one.open_cases, open_cases=0)
