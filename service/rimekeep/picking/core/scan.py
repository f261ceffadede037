"""What a picker scanned, and whether it is what the pick asks for."""

from dataclasses import dataclass

from rimekeep.errors import Fault, Invalid, Refused, refused
from rimekeep.stock.core.scan import elements_of


@dataclass(frozen=True, slots=True)
class Scanned:
    """The keys read from a label; GTINs in 14 digits."""

    sscc: str | None = None
    gtin: str | None = None
    lot_code: str | None = None

    @property
    def words(self) -> str:
        """Return it in words for a message."""
        if self.sscc is not None:
            return f"pallet {self.sscc}"
        lot = "no lot" if self.lot_code is None else f"lot {self.lot_code}"
        return f"{lot} of GTIN {self.gtin}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a pick asks for."""

    sscc: str
    lot_code: str
    gtin: str | None
    sku: str
    is_whole_unit: bool


def read_scan(scan: str, *, reference_year: int) -> Scanned:
    """
    Read a scan: whatever names a pallet, or a product and lot, on a GS1 label.

    Raises
    ------
    Invalid
        It breaks a GS1 rule; the fault's field is ``scan``.
    """
    try:
        elements = elements_of(scan, reference_year=reference_year)
    except Invalid as error:
        # The form's field comes first, so that the handheld can point at it; the place within stays readable.
        faults = tuple(
            Fault("scan", f.detail if f.field == "scan" else f"{f.field}: {f.detail}", f.mend)
            for f in error.faults
        )
        raise Invalid("scan-unreadable", "The scan is not a label read here.", faults) from None
    gtin = elements.get("01") or elements.get("02")
    return Scanned(elements.get("00"), gtin, elements.get("10"))


def check_scan(
    scanned: Scanned, wanted: Wanted, *, lots_on_scanned: tuple[str, ...] | None, seen: str = ""
) -> None:
    """
    Raise Refused unless the scan is of what the pick asks for.

    Parameters
    ----------
    scanned
        What was read.
    wanted
        What the pick asks for.
    lots_on_scanned
        Codes of the lots on the pallet scanned; None where it is not known at this site or no SSCC was read.
    seen
        What else is known of that pallet, as a sentence.
    """
    data: dict[str, object] = {
        "scanned": {"sscc": scanned.sscc, "gtin": scanned.gtin, "lot_code": scanned.lot_code},
        "wanted": {"sscc": wanted.sscc, "gtin": wanted.gtin, "lot_code": wanted.lot_code},
    }
    asked = f"pallet {wanted.sscc} with lot {wanted.lot_code}"
    if scanned.sscc is not None:
        if scanned.sscc != wanted.sscc:
            raise _wrong_unit(scanned.sscc, asked, wanted, lots_on_scanned, seen, data)
        return
    if wanted.is_whole_unit:
        raise _not_this(
            "scan-the-pallet",
            "A case label was scanned, but the whole pallet is taken.",
            f"Scan the SSCC of {asked}.",
            data,
        )
    if scanned.lot_code is None:
        raise _not_this(
            "lot-not-scanned",
            f"{scanned.words.capitalize()} was scanned: the lot is missing.",
            f"Scan the label with the lot too, or the SSCC of {asked}.",
            data,
        )
    if wanted.gtin is None:
        raise _not_this(
            "no-gtin",
            f"Product {wanted.sku} has no GTIN here, so a case label proves nothing.",
            f"Scan the SSCC of {asked}.",
            data,
        )
    if scanned.gtin != wanted.gtin:
        raise _not_this(
            "wrong-product",
            f"Scanned is {scanned.words}; wanted is product {wanted.sku}, GTIN {wanted.gtin}.",
            f"Put it back and take {asked}.",
            data,
        )
    if scanned.lot_code != wanted.lot_code:
        raise _not_this(
            "wrong-lot",
            f"Scanned is lot {scanned.lot_code}; wanted is lot {wanted.lot_code}.",
            f"Put it back and take {asked}.",
            data,
        )


def _wrong_unit(
    sscc: str,
    asked: str,
    wanted: Wanted,
    lots: tuple[str, ...] | None,
    seen: str,
    data: dict[str, object],
) -> Refused:
    mend = " ".join(part for part in (seen, f"Put it back and take {asked}.") if part)
    if lots is None:
        return _not_this("wrong-unit", f"Pallet {sscc} is not known at this site.", mend, data)
    holds = ", ".join(lots) or "nothing"
    if wanted.lot_code not in lots:
        return _not_this("wrong-lot", f"Scanned is pallet {sscc}, which holds lot {holds}.", mend, data)
    fact = f"Scanned is pallet {sscc}: the same lot, but the cases are reserved on another."
    return _not_this("wrong-unit", fact, mend, data)


def _not_this(code: str, fact: str, mend: str, data: dict[str, object]) -> Refused:
    return refused(code, "scan", fact, mend, data)


def is_same_code(given: str, code: str) -> bool:
    """Tell whether a bay's check code was read; capitals and blanks do not matter, gloves do."""
    return given.replace(" ", "").casefold() == code.replace(" ", "").casefold()
