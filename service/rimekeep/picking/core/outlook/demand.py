"""What is expected to be taken: orders, what was forecast beyond them, or else the past."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from rimekeep.picking.core.allocation.records import Key
from rimekeep.picking.core.outlook.records import Demand

# The past that is looked at, and the least of it a mean is made of. [days]
WINDOW_DAYS = 56
LEAST_DAYS = 28


class Basis(StrEnum):
    """Where a product's expected demand comes from."""

    GIVEN = "forecast"
    PAST = "mean of past weekdays"
    ORDERS = "orders only"


@dataclass(frozen=True, slots=True)
class Ordered:
    """
    An order line: asked for on ``day``, of which ``open_cases`` still need stock that is not reserved.

    The minimum life is the line's own. It has been known since ``placed_on``; None: always.
    """

    product: Key
    customer: Key
    day: int
    cases: int
    open_cases: int
    min_life_days: int
    min_life_fraction: float | None = None
    placed_on: int | None = None


Told = Mapping[tuple[Key, Key | None, int], int]
"""Cases by product, customer (None: nobody in particular) and day."""


def past_means(
    history: Iterable[tuple[Key, Key, int, int]], *, today: int, until: int, first_day: int | None
) -> dict[tuple[Key, Key | None, int], int]:
    """
    Return a plain forecast: each customer takes what they took, on average, on that weekday.

    The mean is over the last eight weeks, or as many days as there are since ``first_day``, at least four
    weeks: of less no forecast is made. Days without an order count as zero. Trend, season and holidays are
    not looked at. Fractions are carried over to the same weekday of the next week, so that sums keep.

    Parameters
    ----------
    history
        Product, customer, day and cases of what was ordered; other days than those looked at are left out.
    today, until
        First and last day to forecast.
    first_day
        When the store's record begins; None: there is none.

    Examples
    --------
    >>> past = [("lager", "inn", day, 3) for day in range(0, 28, 14)]
    >>> past_means(past, today=28, until=41, first_day=0)
    {('lager', 'inn', 28): 2, ('lager', 'inn', 35): 1}
    """
    if first_day is None or today - first_day < LEAST_DAYS:
        return {}
    begin = max(first_day, today - WINDOW_DAYS)
    taken: dict[tuple[Key, Key, int], int] = defaultdict(int)
    for product, customer, day, cases in history:
        if begin <= day < today:
            taken[product, customer, day % 7] += cases
    found: dict[tuple[Key, Key | None, int], int] = {}
    for (product, customer, weekday), cases in taken.items():
        count = sum(1 for day in range(begin, today) if day % 7 == weekday)
        first = today + (weekday - today) % 7
        before = 0
        for number, day in enumerate(range(first, until + 1, 7), 1):
            # Half up, in whole numbers.
            total = (2 * cases * number + count) // (2 * count)
            if total > before:
                found[product, customer, day] = total - before
            before = total
    return found


def expected(
    ordered: Iterable[Ordered],
    given: Told,
    past: Told,
    *,
    rules: Mapping[tuple[Key, Key | None], tuple[int, float | None]],
    products: Collection[Key],
    today: int,
) -> tuple[list[Demand], dict[Key, Basis]]:
    """
    Return the demand that stock which is not reserved has to meet, and where each product's comes from.

    A forecast tells all of a day: orders of the customer for that day are part of it, and only what is beyond
    them is added. Of a forecast of nobody in particular the orders of customers without a forecast of their
    own for the day are part. Overdue orders count today. ``past`` stands in for products nothing is given of;
    ``rules`` tell each customer's minimum life, of a product or (product None) of all.
    """
    has_given = {product for product, _, _ in given}
    told = {**{place: cases for place, cases in past.items() if place[0] not in has_given}, **given}
    has_past = {product for product, _, _ in told} - has_given
    basis = {
        product: Basis.GIVEN if product in has_given else Basis.PAST if product in has_past else Basis.ORDERS
        for product in products
    }
    found = []
    beyond = dict(told)
    for one in ordered:
        if one.open_cases:
            found.append(
                Demand(
                    one.product,
                    one.customer,
                    max(one.day, today),
                    one.open_cases,
                    one.min_life_days,
                    one.min_life_fraction,
                )
            )
        own = one.product, one.customer, one.day
        place = own if own in beyond else (one.product, None, one.day)
        if place in beyond:
            beyond[place] -= one.cases
    for (product, customer, day), left in beyond.items():
        if left > 0 and day >= today:
            days, share = (
                (0, None)
                if customer is None
                else rules.get((customer, product)) or rules.get((customer, None), (0, None))
            )
            found.append(Demand(product, customer, day, int(left), days, share))
    return found, basis
