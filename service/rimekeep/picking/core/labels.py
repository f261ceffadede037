"""
What stands on a unit's GS1 logistic label, as data and as barcodes.

Rules after the GS1 General Specifications (logistic label; AIs 00, 02, 10, 15, 37): the SSCC always
stands, in a barcode of its own, the lowest; the GTIN contained comes with its count and only where the unit
holds one trade item; lot and best-before date only where all of it shares them; values of variable length
that are not last end at FNC1.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

from rimekeep.stock.core import gs1

# Most data characters of one GS1-128 symbol, AIs and separators included (General Specifications).
MOST_CHARACTERS = 48

Elements = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Content:
    """Cases of one lot on a unit."""

    sku: str
    product_name: str
    gtin: str | None
    lot_code: str
    best_before_on: date
    cases: int
    mass_kg: float


@dataclass(frozen=True, slots=True)
class LogisticLabel:
    """
    A unit with what is, or will be, on it and whom it is for.

    ``is_complete`` tells that nothing is still to be picked onto it; ``mass_kg`` includes the wood.
    """

    sscc: str
    contents: tuple[Content, ...]
    sender: str
    tare_kg: float
    is_complete: bool = True
    order_code: str | None = None
    customer_name: str | None = None
    customer_address: str = ""

    @property
    def cases(self) -> int:
        """Return all cases."""
        return sum(one.cases for one in self.contents)

    @property
    def mass_kg(self) -> float:
        """Return what it weighs, after the products' data. [kg]"""
        return self.tare_kg + sum(one.mass_kg for one in self.contents)


def elements(label: LogisticLabel) -> Elements:
    """
    Return the label's application identifiers and values, the SSCC first.

    Examples
    --------
    >>> lager = Content("LAGER", "Lager", "19521234000010", "L1", date(2027, 3, 31), 48, 888.0)
    >>> elements(LogisticLabel("095212340000000013", (lager,), "Brewery", 25.0))[1:]
    (('02', '19521234000010'), ('15', '270331'), ('37', '48'), ('10', 'L1'))
    """
    found = [("00", label.sscc)]
    gtins = {one.gtin for one in label.contents}
    gtin = next(iter(gtins)) if len(gtins) == 1 else None
    if gtin is not None:
        found.append(("02", gtin.zfill(14)))
        days = {one.best_before_on for one in label.contents}
        if len(days) == 1:
            found.append(("15", f"{next(iter(days)):%y%m%d}"))
        found.append(("37", str(label.cases)))
        lots = {one.lot_code for one in label.contents}
        if len(lots) == 1:
            found.append(("10", next(iter(lots))))
    return tuple(found)


def element_string(some: Iterable[tuple[str, str]], *, separator: str = gs1.SEPARATOR) -> str:
    """
    Return element strings in one, with a separator behind values of variable length that are not last.

    Examples
    --------
    >>> element_string([("37", "48"), ("10", "L1")], separator="|")
    '3748|10L1'
    """
    parts = list(some)
    text = ""
    for place, (ai, value) in enumerate(parts, start=1):
        text += ai + value
        if not gs1.ELEMENTS[ai].is_fixed and place < len(parts):
            text += separator
    return text


def human_readable(some: Iterable[tuple[str, str]]) -> str:
    """
    Return the text below a barcode: AIs in brackets, which are not part of the data.

    Examples
    --------
    >>> human_readable([("02", "19521234000010"), ("37", "48")])
    '(02)19521234000010(37)48'
    """
    return "".join(f"({ai}){value}" for ai, value in some)


@dataclass(frozen=True, slots=True)
class Symbols:
    """The barcodes from the top down, the SSCC's last, and the elements only text could hold."""

    barcodes: tuple[Elements, ...]
    left_out: Elements


def symbols(label: LogisticLabel, *, fits: Callable[[str], bool], most: int = 3) -> Symbols:
    """
    Share the label's elements among as few barcodes as may be.

    Parameters
    ----------
    fits
        Tells whether an element string's barcode is not too wide.
    most
        Barcodes there is room for, the SSCC's included.

    Returns
    -------
    Symbols
        Where not all elements fit, the lot is left to the text, then the best-before date; never the GTIN
        without its count.
    """
    every = elements(label)
    for kept in (every[1:], _without(every[1:], "10"), _without(every[1:], "10", "15"), ()):
        for number in range(most):
            shared = _shared(kept, number, fits)
            if shared is not None:
                left_out = tuple(one for one in every[1:] if one not in kept)
                return Symbols((*shared, every[:1]), left_out)
    return Symbols((every[:1],), every[1:])


def _without(some: Elements, *ais: str) -> Elements:
    return tuple(one for one in some if one[0] not in ais)


def _shared(some: Elements, number: int, fits: Callable[[str], bool]) -> tuple[Elements, ...] | None:
    """Return the elements in a number of barcodes that fit, or None; fixed lengths first, the GTIN on top."""
    if number == 0:
        return None if some else ()
    for size in range(len(some), 0, -1):
        for first in combinations(some, size):
            if some[0] not in first:
                continue
            text = element_string(first)
            if len(text) <= MOST_CHARACTERS and fits(text):
                rest = _shared(tuple(one for one in some if one not in first), number - 1, fits)
                if rest is not None:
                    return (first, *rest)
    return None


TITLES: Mapping[str, str] = {
    "00": "SSCC",
    "02": "CONTENT",
    "10": "BATCH/LOT",
    "15": "BEST BEFORE",
    "37": "COUNT",
}


def titled(label: LogisticLabel) -> Sequence[tuple[str, str]]:
    """Return the data titles of the standard with what people read beside them, dates as YYYY-MM-DD."""
    days = {"15": label.contents[0].best_before_on.isoformat()} if label.contents else {}
    return [(TITLES[ai], days.get(ai, value)) for ai, value in elements(label)]
