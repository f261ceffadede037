"""What a scanned code is."""

import re
from contextlib import suppress
from dataclasses import dataclass, field

from sqlalchemy.orm import Session

from rimekeep.errors import Missing
from rimekeep.stock.core import gs1
from rimekeep.stock.core.records import UnitView
from rimekeep.stock.core.scan import elements_of
from rimekeep.stock.queries.catalog import bay_by_code, lot_by_code, product_by_gtin
from rimekeep.stock.queries.units import unit_by_sscc, unit_view
from rimekeep.stock.tables import Bay, Lot, Product

_PLAIN_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")


@dataclass(frozen=True, slots=True)
class Scanned:
    """What was found behind a code; ``kind`` names the most particular of them."""

    kind: str
    elements: dict[str, str] = field(default_factory=dict)
    unit: UnitView | None = None
    lot: Lot | None = None
    product: Product | None = None
    bay: Bay | None = None


def scanned(session: Session, site_id: int, code: str, *, reference_year: int) -> Scanned:
    """
    Return what a scanned code is: a unit, a lot, a product, or a bay of this site.

    Raises `Missing` for a good code of a thing that is not here, `Invalid` for a code that is none.
    """
    try:
        elements = elements_of(code, reference_year=reference_year)
    except gs1.Gs1Error:
        # A bay's label carries its plain code.
        if not _PLAIN_CODE.fullmatch(code.strip()):
            raise
        with suppress(Missing):
            return Scanned("bay", bay=bay_by_code(session, site_id, code.strip()))
        raise
    if "00" in elements:
        unit = unit_by_sscc(session, site_id, elements["00"])
        return Scanned("unit", elements, unit=unit_view(session, unit))
    product = product_by_gtin(session, site_id, elements.get("01") or elements["02"])
    if "10" not in elements:
        return Scanned("product", elements, product=product)
    lot = lot_by_code(session, site_id, product.id, elements["10"])
    return Scanned("lot", elements, lot=lot, product=product)
