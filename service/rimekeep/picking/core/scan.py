"""What a picker scanned, and whether it is what the pick asks for."""

from dataclasses import dataclass

from rimekeep.errors import Fault, Invalid, Refused, refused
from rimekeep.stock.core.scan import elements_of
from rimekeep.wording import glued, say


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
            return say("pallet {sscc}", sscc=self.sscc)
        if self.lot_code is None:
            return say("no lot of GTIN {gtin}", gtin=self.gtin)
        return say("lot {lot} of GTIN {gtin}", lot=self.lot_code, gtin=self.gtin)

    @property
    def opening(self) -> str:
        """Return the same as the beginning of a sentence."""
        if self.sscc is not None:
            return say("Pallet {sscc}", sscc=self.sscc)
        if self.lot_code is None:
            return say("No lot of GTIN {gtin}", gtin=self.gtin)
        return say("Lot {lot} of GTIN {gtin}", lot=self.lot_code, gtin=self.gtin)


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
            Fault(
                "scan",
                (f.detail if f.field == "scan" else say("{field}: {detail}", field=f.field, detail=f.detail)),
                f.mend,
            )
            for f in error.faults
        )
        raise Invalid("scan-unreadable", say("The scan is not a label read here."), faults) from None
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
    asked = say("pallet {sscc} with lot {lot_code}", sscc=wanted.sscc, lot_code=wanted.lot_code)
    if scanned.sscc is not None:
        if scanned.sscc != wanted.sscc:
            raise _wrong_unit(scanned.sscc, asked, wanted, lots_on_scanned, seen, data)
        return
    if wanted.is_whole_unit:
        raise _not_this(
            "scan-the-pallet",
            say("A case label was scanned, but the whole pallet is taken."),
            say("Scan the SSCC of {asked}.", asked=asked),
            data,
        )
    if scanned.lot_code is None:
        raise _not_this(
            "lot-not-scanned",
            say("{what} was scanned: the lot is missing.", what=scanned.opening),
            say("Scan the label with the lot too, or the SSCC of {asked}.", asked=asked),
            data,
        )
    if wanted.gtin is None:
        raise _not_this(
            "no-gtin",
            say("Product {sku} has no GTIN here, so a case label proves nothing.", sku=wanted.sku),
            say("Scan the SSCC of {asked}.", asked=asked),
            data,
        )
    if scanned.gtin != wanted.gtin:
        raise _not_this(
            "wrong-product",
            say(
                "Scanned is {words}; wanted is product {sku}, GTIN {gtin}.",
                words=scanned.words,
                sku=wanted.sku,
                gtin=wanted.gtin,
            ),
            say("Put it back and take {asked}.", asked=asked),
            data,
        )
    if scanned.lot_code != wanted.lot_code:
        raise _not_this(
            "wrong-lot",
            say(
                "Scanned is lot {lot_code}; wanted is lot {wanted_lot_code}.",
                lot_code=scanned.lot_code,
                wanted_lot_code=wanted.lot_code,
            ),
            say("Put it back and take {asked}.", asked=asked),
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
    mend = glued(seen, say("Put it back and take {asked}.", asked=asked))
    if lots is None:
        return _not_this("wrong-unit", say("Pallet {sscc} is not known at this site.", sscc=sscc), mend, data)
    holds = ", ".join(lots) or say("nothing")
    if wanted.lot_code not in lots:
        return _not_this(
            "wrong-lot",
            say("Scanned is pallet {sscc}, which holds lot {holds}.", sscc=sscc, holds=holds),
            mend,
            data,
        )
    fact = say("Scanned is pallet {sscc}: the same lot, but the cases are reserved on another.", sscc=sscc)
    return _not_this("wrong-unit", fact, mend, data)


def _not_this(code: str, fact: str, mend: str, data: dict[str, object]) -> Refused:
    return refused(code, "scan", fact, mend, data)


def is_same_code(given: str, code: str) -> bool:
    """Tell whether a bay's check code was read; capitals and blanks do not matter, gloves do."""
    return given.replace(" ", "").casefold() == code.replace(" ", "").casefold()
