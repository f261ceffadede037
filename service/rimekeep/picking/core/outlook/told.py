"""An outlook in the words people know: lots, products, days, money."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from rimekeep.picking.core.outlook.demand import Basis
from rimekeep.picking.core.outlook.records import Outlook, Relaxation


@dataclass(frozen=True, slots=True)
class PartFacts:
    """Who a lot part is: its lot, and the day its beer is over by the strictest date."""

    lot_id: int
    lot_code: str
    product_id: int
    last_on: date


@dataclass(frozen=True, slots=True)
class ProductFacts:
    """What a product is called and a case of it is worth."""

    sku: str
    name: str
    value_per_case: float | None


@dataclass(frozen=True, slots=True)
class WastedLot:
    """Cases of a lot that will not sell in time; days as in `LotOutlook`, None where there is none."""

    lot_id: int
    lot_code: str
    product_id: int
    sku: str
    last_on: date
    cases: int
    sold_cases: int
    value: float | None
    saleable_until: date
    act_by: date | None
    shown_on: date | None


@dataclass(frozen=True, slots=True)
class ProductOutlook:
    """One product: free cases, those on hold apart, what sells, is wasted or left, and demand unmet."""

    product_id: int
    sku: str
    name: str
    demand_from: Basis
    free_cases: int
    held_cases: int
    sold_cases: int
    waste_cases: int
    left_cases: int
    unmet_cases: int
    value: float | None


@dataclass(frozen=True, slots=True)
class Saving:
    """What a customer's taking beer with fewer days left would save; None: every product."""

    customer_id: int
    customer_code: str
    product_id: int | None
    sku: str | None
    first_days: int
    first_cases: int
    best_days: int
    best_cases: int
    value: float | None


@dataclass(frozen=True, slots=True)
class SiteOutlook:
    """
    What will not sell in time at a site, from ``today`` to ``until``.

    ``value`` adds up what is valued; ``unvalued_cases`` are those of products nobody said the worth of.
    ``shown_on`` is the first day any of it showed, ``act_by`` the first day by which something must be done.
    """

    today: date
    until: date
    currency: str | None
    waste_cases: int
    value: float
    unvalued_cases: int
    shown_on: date | None
    act_by: date | None
    lots: list[WastedLot]
    products: list[ProductOutlook]
    savings: list[Saving]
    customer_savings: list[Saving]


def told(
    found: Outlook,
    *,
    today: date,
    until: date,
    currency: str | None,
    parts: Mapping[str, PartFacts],
    held: Mapping[int, int],
    products: Mapping[int, ProductFacts],
    basis: Mapping[int, Basis],
    customers: Mapping[int, str],
) -> SiteOutlook:
    """Return the outlook with names, dates and money; worst product first, and its lots in their order."""

    def worth(product: int, cases: int) -> float | None:
        value = products[product].value_per_case
        return None if value is None else round(value * cases, 2)

    lots: list[WastedLot] = []
    sums: dict[int, list[int]] = defaultdict(lambda: [0, 0, 0])
    for one in found.lots:
        facts = parts[str(one.id)]
        for place, cases in enumerate((one.sold, one.waste, one.left)):
            sums[facts.product_id][place] += cases
        if one.waste:
            lots.append(
                WastedLot(
                    facts.lot_id,
                    facts.lot_code,
                    facts.product_id,
                    products[facts.product_id].sku,
                    facts.last_on,
                    one.waste,
                    one.sold,
                    worth(facts.product_id, one.waste),
                    date.fromordinal(one.saleable_until),
                    None if one.act_by is None else date.fromordinal(one.act_by),
                    None if one.shown_on is None else date.fromordinal(one.shown_on),
                )
            )
    rows = [
        ProductOutlook(
            product,
            products[product].sku,
            products[product].name,
            basis[product],
            sum(sums[product]),
            held.get(product, 0),
            sums[product][0],
            sums[product][1],
            sums[product][2],
            found.unmet.get(product, 0),
            worth(product, sums[product][1]),
        )
        for product in sorted({*sums, *held}, key=lambda product: (-sums[product][1], products[product].sku))
    ]
    rank = {row.product_id: number for number, row in enumerate(rows)}

    def savings(relaxations: Iterable[Relaxation]) -> list[Saving]:
        return [
            Saving(
                int(one.customer),
                customers[int(one.customer)],
                None if one.product is None else int(one.product),
                None if one.product is None else products[int(one.product)].sku,
                one.first_days,
                one.first_cases,
                one.best_days,
                one.best_cases,
                _total([worth(int(product), cases) for product, cases in one.by_product.items()]),
            )
            for one in relaxations
        ]

    values = [row.value for row in rows if row.value is not None]
    return SiteOutlook(
        today,
        until,
        currency,
        sum(row.waste_cases for row in rows),
        round(sum(values), 2),
        sum(row.waste_cases for row in rows if row.value is None),
        min((one.shown_on for one in lots if one.shown_on), default=None),
        min((one.act_by for one in lots if one.act_by), default=None),
        sorted(lots, key=lambda one: rank[one.product_id]),
        rows,
        savings(found.relaxations),
        savings(found.customer_relaxations),
    )


def _total(values: list[float | None]) -> float | None:
    """Return the sum of what is valued; None if nothing is."""
    known = [value for value in values if value is not None]
    return round(sum(known), 2) if known else None
