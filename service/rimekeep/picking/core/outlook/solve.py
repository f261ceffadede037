"""Stock that will not sell in time: how much, since when it shows, until when it can be helped, and how."""

from collections import defaultdict
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from rimekeep.errors import invalid
from rimekeep.picking.core.allocation.records import Day, Key, day_number
from rimekeep.picking.core.allocation.rules import FAR_OFF
from rimekeep.picking.core.outlook.known import Known
from rimekeep.picking.core.outlook.market import Ints, Market, markets
from rimekeep.picking.core.outlook.records import Demand, LotOutlook, LotPart, Outlook, Relaxation
from rimekeep.wording import say


def outlook(
    lots: Sequence[LotPart],
    demand: Sequence[Demand],
    *,
    today: Day,
    until: Day,
    relax: bool = True,
    known: Callable[[Collection[Key]], Known] | None = None,
) -> Outlook:
    """
    Return which stock will not sell in time, by maximum flow of lots to demand over the days.

    A lot part may go to a demand on a day if it is available and its last day is at least that day plus the
    customer's minimum life. Of all plans the one is taken that leaves least of what must go first: of the
    parts saleable until any given day, no plan sells more. Beyond the date rules nothing is asked for here:
    neither lot caps nor "no backward date", which can only make things worse.

    Parameters
    ----------
    lots
        Free stock; parts without cases are left out.
    demand
        Expected cases by product, customer and day of delivery; days outside today…until are left out.
    today, until
        First and last day looked at.
    relax
        Whether to look for relaxations, which takes most of the time.
    known
        Tells what was known of these products' demand on days past, for ``shown_on``; None: all of it
        always was.

    Returns
    -------
    Outlook
        Waste is told only of parts that no known customer may get after ``until``; of the others what does
        not sell is `left`. Product by product, first to go first. Relaxations with the most cases first; they
        count what would sell within the horizon.

    Raises
    ------
    Invalid
        ``until`` before ``today``.

    Notes
    -----
    ``act_by`` and ``shown_on`` are defined in `LotOutlook`. ``act_by`` and the relaxations are found by
    bisection: more demand that accepts a lot never leaves more, and more lots never leave less. So is
    ``shown_on`` where demand was always known; else the days are gone through, from today back.

    Examples
    --------
    >>> lots = [LotPart("A", "lager", 100, last_on=40, received_on=0)]
    >>> wanted = [Demand("lager", "inn", day, 10, min_life_days=30) for day in range(8, 21, 4)]
    >>> answer = outlook(lots, wanted, today=8, until=30)
    >>> answer.lots[0].sold, answer.lots[0].waste, answer.lots[0].act_by
    (10, 90, 12)
    >>> [(r.customer, r.first_days, r.first_cases, r.best_days, r.best_cases) for r in answer.relaxations]
    [('inn', 2, 10, 10, 30)]
    """
    first, end = day_number(today), day_number(until)
    if end < first:
        raise invalid(
            "until",
            say("{until} lies before {today}.", until=until, today=today),
            say("Give that day or a later one."),
        )
    found: list[LotOutlook] = []
    unmet: dict[Key, int] = {}
    by_product: list[Relaxation] = []
    at_risk: dict[Key, tuple[Market, int]] = {}
    for product, market in markets(lots, demand, first, end).items():
        unsold = market.unsold()
        # Lots are in the order of saleable_until, so those at risk come first.
        risky = int(np.searchsorted(market.saleable_until, end, side="right"))
        waste = unsold[:risky]
        unmet[product] = int(market.wanted.sum() - (market.stock - unsold).sum())
        if waste.any():
            at_risk[product] = market, risky
        act_by = _act_by(market, waste, first)
        shown_on = _shown_on(market, waste) if known is None else {}
        for place, lot in enumerate(market.lots):
            lost = int(unsold[place]) if place < risky else 0
            found.append(
                LotOutlook(
                    lot.id,
                    product,
                    int(lot.cases - unsold[place]),
                    lost,
                    int(unsold[place]) - lost,
                    int(market.saleable_until[place]),
                    act_by.get(place),
                    shown_on.get(place),
                )
            )
        if relax and waste.any():
            by_product += _relaxations({product: (market, risky)}, product)
    if known is not None and at_risk:
        then = known(at_risk)
        shown = {
            lot_id: day
            for product, (market, risky) in at_risk.items()
            for lot_id, day in _shown_as_known(market, risky, product, first, end, then).items()
        }
        found = [replace(one, shown_on=shown.get(one.id)) for one in found]
    if not relax:
        at_risk = {}
    return Outlook(found, unmet, _sorted(by_product), _sorted(_relaxations(at_risk, None)))


def _sorted(found: list[Relaxation]) -> list[Relaxation]:
    return sorted(found, key=lambda one: (-one.best_cases, one.best_days, str(one.customer)))


def _act_by(market: Market, waste: Ints, today: int) -> dict[int, int]:
    """Return `LotOutlook.act_by` by place, for lots that can be helped at all."""
    sums = np.cumsum(waste)
    days = [*np.unique(market.day[market.day >= today]).tolist(), FAR_OFF]

    @cache
    def freed(number: int) -> Ints:
        deadline, group = market.freed_from(days[number])
        return np.cumsum(market.unsold(deadline, group=group)[: len(waste)])

    found = {}
    for place in np.flatnonzero(waste).tolist():
        least = freed(0)[place]
        if least < sums[place]:

            def is_late(number: int, place: int = place, least: int = int(least)) -> bool:
                return bool(freed(number)[place] > least)

            found[place] = int(days[_first(1, len(days) - 1, is_late) - 1])
    return found


def _shown_on(market: Market, waste: Ints) -> dict[int, int]:
    """Return `LotOutlook.shown_on` by place."""
    days = np.unique(market.received).tolist()

    @cache
    def unsold(number: int) -> Ints:
        return market.unsold(stock=np.where(market.received <= days[number], market.stock, 0))

    return {
        place: days[_first(0, len(days) - 1, lambda number, at=place: bool(unsold(number)[at]))]  # type: ignore[misc]
        for place in np.flatnonzero(waste).tolist()
    }


def _shown_as_known(
    market: Market, risky: int, product: Key, today: int, until: int, known: Known
) -> dict[Key, int]:
    """Return `LotOutlook.shown_on` by lot part, each day judged by what was known on it."""
    left = {market.lots[place].id for place in np.flatnonzero(market.unsold()[:risky]).tolist()}
    shown = dict.fromkeys(left, today)
    days = {*market.received.tolist(), *known.changed_on(product)}
    for day in sorted((day for day in days if day <= today), reverse=True):
        demand = known.demand(product, day) if left else None
        if demand is None:
            break
        lots = [lot for lot, came in zip(market.lots, market.received.tolist(), strict=True) if came <= day]
        then = markets(lots, demand, today, until).get(product)
        if then is None:
            break
        is_lost = (then.unsold() > 0) & (then.saleable_until <= until)
        left &= {then.lots[place].id for place in np.flatnonzero(is_lost).tolist()}
        shown.update(dict.fromkeys(left, day))
    return shown


def _relaxations(at_risk: dict[Key, tuple[Market, int]], product: Key | None) -> list[Relaxation]:
    """Return what each customer could save by asking for less life on these products."""
    before = {key: int(market.unsold()[:risky].sum()) for key, (market, risky) in at_risk.items()}
    groups: dict[Key, dict[Key, list[int]]] = defaultdict(lambda: defaultdict(list))
    for key, (market, _) in at_risk.items():
        for number, customer in enumerate(market.customers):
            if customer is not None and market.needed[:, number].any():
                groups[customer][key].append(number)
    found = [_relaxation(customer, product, at_risk, before, asked) for customer, asked in groups.items()]
    return [one for one in found if one is not None]


def _relaxation(
    customer: Key,
    product: Key | None,
    at_risk: dict[Key, tuple[Market, int]],
    before: dict[Key, int],
    asked: dict[Key, list[int]],
) -> Relaxation | None:
    """Return the fewest days that save anything and the most, for one customer; None: nothing is saved."""
    saved = _savings(at_risk, before, asked)
    needed = [at_risk[key][0].needed[:, numbers] for key, numbers in asked.items()]
    most_days = max(int(days.max()) for days in needed)
    most = sum(saved(most_days).values())
    if not most:
        return None
    best_days = _first(1, most_days, lambda days: sum(saved(days).values()) >= most)
    first_days = _first(1, best_days, lambda days: sum(saved(days).values()) > 0)
    told = {key: cases for key, cases in saved(best_days).items() if cases}
    return Relaxation(customer, product, first_days, sum(saved(first_days).values()), best_days, most, told)


def _savings(
    at_risk: dict[Key, tuple[Market, int]], before: dict[Key, int], asked: dict[Key, list[int]]
) -> Callable[[int], dict[Key, int]]:
    """Return what fewer days save, by product, for the groups ``asked`` of one customer."""

    @cache
    def saved(days: int) -> dict[Key, int]:
        cases = {}
        for key, numbers in asked.items():
            market, risky = at_risk[key]
            cases[key] = before[key] - int(market.unsold_if_relaxed(numbers, days)[:risky].sum())
        return cases

    return saved


def _first(low: int, high: int, holds: Callable[[int], bool]) -> int:
    """Return the first of low…high for which ``holds``; it holds for all after it, and for ``high``."""
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low
