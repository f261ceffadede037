"""
GS1 keys and element strings as a handheld scans them.

Rules after the GS1 General Specifications (check digits, element strings, FNC1, dates, associations) as coded
in the GS1 Barcode Syntax Dictionary (github gs1/gs1-syntax-dictionary). Only the application identifiers
(AIs) that stand on a brewery's pallet and case labels are read: 00 01 02 10 11 15 17 37.
"""

from calendar import monthrange
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from rimekeep.errors import Fault, Invalid
from rimekeep.wording import say

SEPARATOR = "\x1d"  # the GS character, in which a scanner transmits FNC1
# GS1-128; then DataBar, DataMatrix and QR code with GS1 content, which carry the same strings (from memory).
SYMBOLOGY_IDENTIFIERS = ("]C1", "]e0", "]d2", "]Q3")
CHARACTER_SET_82 = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)


class Gs1Error(Invalid):
    """A key or a scan breaks a GS1 rule; the fault says what, where and what to do."""

    def __init__(self, where: str, detail: str, mend: str) -> None:
        super().__init__("gs1-data", "This is not valid GS1 data.", (Fault(where, detail, mend),))


@dataclass(frozen=True, slots=True)
class Element:
    """What the dictionary says of one application identifier."""

    title: str
    shortest: int
    longest: int
    form: str  # "key" ends in a check digit, "date", "digits", "text" (character set 82)

    @property
    def is_fixed(self) -> bool:
        """Tell whether the value ends by its length alone, without a separator."""
        return self.form in ("key", "date")


ELEMENTS: Mapping[str, Element] = {
    "00": Element("SSCC", 18, 18, "key"),
    "01": Element("GTIN", 14, 14, "key"),
    "02": Element("GTIN of contained items", 14, 14, "key"),
    "10": Element("lot", 1, 20, "text"),
    "11": Element("production date", 6, 6, "date"),
    "15": Element("best before date", 6, 6, "date"),
    "17": Element("expiry date", 6, 6, "date"),
    "37": Element("count of contained items", 1, 8, "digits"),
}


def is_digits(text: str) -> bool:
    """Tell whether ``text`` is one or more of 0-9; other scripts' digits do not count."""
    return text.isascii() and text.isdigit()


def check_digit(body: str) -> int:
    """
    Return the GS1 check digit that belongs behind ``body``.

    Parameters
    ----------
    body
        The key without its check digit, digits only.

    Returns
    -------
    int
        0...9: what lifts the sum, weighted 3 and 1 from the right, to a multiple of ten [1]_.

    Raises
    ------
    Gs1Error
        ``body`` is empty or holds something other than 0-9.

    References
    ----------
    .. [1] GS1 General Specifications, section 7.9 (clause number from memory).

    Examples
    --------
    >>> check_digit("12345678901234567")
    5
    """
    if not is_digits(body):
        raise Gs1Error(
            "key",
            say("{body!r} is not made of digits only.", body=body),
            say("Give the digits before the check digit."),
        )
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(body)))
    return -total % 10


def _is_key(text: str, lengths: tuple[int, ...]) -> bool:
    return len(text) in lengths and is_digits(text) and check_digit(text[:-1]) == int(text[-1])


def is_valid_sscc(sscc: str) -> bool:
    """Tell whether ``sscc`` is 18 digits with the right check digit."""
    return _is_key(sscc, (18,))


def is_valid_gtin(gtin: str) -> bool:
    """Tell whether ``gtin`` is 8, 12, 13 or 14 digits with the right check digit."""
    return _is_key(gtin, (8, 12, 13, 14))


def sscc(extension_digit: int, company_prefix: str, serial: int) -> str:
    """
    Build an SSCC with its check digit.

    Parameters
    ----------
    extension_digit
        0...9, chosen freely to widen the number range.
    company_prefix
        GS1 Company Prefix, 4...12 digits, as allotted.
    serial
        Serial reference; must fit in the 16 − len(prefix) digits that remain.

    Returns
    -------
    str
        18 digits.

    Raises
    ------
    Gs1Error
        A part has the wrong form or the serial does not fit.

    Examples
    --------
    >>> sscc(0, "9521234", 1)
    '095212340000000013'
    """
    if not 0 <= extension_digit <= 9:
        raise Gs1Error(
            "extension digit",
            say("{extension_digit} is not one digit.", extension_digit=extension_digit),
            say("Use 0 to 9."),
        )
    if not (is_digits(company_prefix) and 4 <= len(company_prefix) <= 12):
        raise Gs1Error(
            "company prefix",
            say("{company_prefix!r} is not 4 to 12 digits.", company_prefix=company_prefix),
            say("Use the allotted prefix."),
        )
    width = 16 - len(company_prefix)
    if not 0 <= serial < 10**width:
        raise Gs1Error(
            "serial",
            say("{serial} does not fit in {width} digits.", serial=serial, width=width),
            say("Use another extension digit or prefix."),
        )
    body = f"{extension_digit}{company_prefix}{serial:0{width}d}"
    return f"{body}{check_digit(body)}"


def parse_element_string(scan: str, *, reference_year: int) -> dict[str, str]:
    """
    Split a scan that holds every element string of a label, and check all of it.

    Parameters
    ----------
    scan
        What the scanner sent. A leading symbology identifier such as ``]C1`` is dropped; values of variable
        length end at the GS character (U+001D) or at the end. One GS behind a value of fixed length is
        tolerated.
    reference_year
        Year that decides the century of two-digit years; normally this year.

    Returns
    -------
    dict of str to str
        Values as scanned by AI, in the order scanned.

    Raises
    ------
    Gs1Error
        Unknown AI, wrong length, character, check digit or date, or elements that may not stand (alone)
        together.

    Notes
    -----
    A forgotten separator cannot be seen: the rest then belongs to the lot, as the standard reads it.

    Examples
    --------
    >>> parse_element_string("]C1011952123400001015270331", reference_year=2026)
    {'01': '19521234000010', '15': '270331'}
    """
    start = next((len(prefix) for prefix in SYMBOLOGY_IDENTIFIERS if scan.startswith(prefix)), 0)
    if start == len(scan):
        raise Gs1Error("scan", say("It is empty."), say("Scan the label again."))
    elements: dict[str, str] = {}
    while start < len(scan):
        ai = scan[start : start + 2]
        element = ELEMENTS.get(ai)
        if element is None:
            raise Gs1Error(
                f"scan, character {start + 1}",
                say("{ai!r} is not an application identifier read here.", ai=ai),
                say(
                    "Scan the GS1 label of a pallet or case; read here are {choices}.",
                    choices=", ".join(ELEMENTS),
                ),
            )
        start += 2
        if element.is_fixed:
            end = start + element.longest
            value = scan[start:end]
            start = end + 1 if scan[end : end + 1] == SEPARATOR else end
        else:
            end = scan.find(SEPARATOR, start)
            end = len(scan) if end < 0 else end
            value = scan[start:end]
            start = end + 1
        check_value(ai, value, reference_year=reference_year)
        if elements.setdefault(ai, value) != value:
            raise Gs1Error(
                f"AI {ai} ({element.title})",
                say("It stands twice, as {elements!r} and {value!r}.", elements=elements[ai], value=value),
                say("Scan one label at a time."),
            )
    check_associations(elements)
    return elements


def check_value(ai: str, value: str, *, reference_year: int) -> None:
    """Raise `Gs1Error` unless ``value`` may stand behind the known ``ai``."""
    element = ELEMENTS[ai]
    where = f"AI {ai} ({element.title})"
    if not element.shortest <= len(value) <= element.longest:
        wanted = (
            str(element.shortest)
            if element.is_fixed
            else say("{shortest} to {longest}", shortest=element.shortest, longest=element.longest)
        )
        mend = (
            say("Scan the whole label again.")
            if len(value) < element.shortest
            else say(
                "A GS separator is missing behind it or the value is too long: have the label printed anew."
            )
        )
        raise Gs1Error(
            where,
            say("{value!r} has {n} characters, {wanted} are due.", value=value, n=len(value), wanted=wanted),
            mend,
        )
    if element.form == "text":
        stranger = next((sign for sign in value if sign not in CHARACTER_SET_82), None)
        if stranger is not None:
            place = value.index(stranger) + 1
            raise Gs1Error(
                where,
                say(
                    "{stranger!r} at place {place} of {value!r} is outside GS1 character set 82.",
                    stranger=stranger,
                    place=place,
                    value=value,
                ),
                say("Have the label printed with letters, digits and plain signs only."),
            )
        return
    if not is_digits(value):
        raise Gs1Error(
            where,
            say("{value!r} is not made of digits only.", value=value),
            say("Scan the label again or type the digits."),
        )
    if element.form == "key" and (right := check_digit(value[:-1])) != int(value[-1]):
        raise Gs1Error(
            where,
            say(
                "The check digit of {value} reads {value_1}; {right} would be right.",
                value=value,
                value_1=value[-1],
                right=right,
            ),
            say("A digit was misread or mistyped: scan the label again."),
        )
    if element.form == "date":
        element_date(value, reference_year=reference_year, where=where)


def check_associations(elements: Mapping[str, str]) -> None:
    """Raise `Gs1Error` unless the elements of a whole label may stand together."""
    present = elements.keys()
    if "01" in present and present & {"02", "37"}:
        raise Gs1Error(
            "AI 01 (GTIN)",
            say("A trade item's GTIN cannot stand with the contents (02, 37) of a logistic unit."),
            say("Scan either the case label or the pallet label."),
        )
    if "02" in present and "37" not in present:
        raise Gs1Error(
            "AI 02",
            say("The contained GTIN comes without its count (37)."),
            say("Scan the rest of the label too."),
        )
    if "37" in present and not {"00", "02"} <= present:
        raise Gs1Error(
            "AI 37",
            say("A count needs the SSCC (00) and the contained GTIN (02)."),
            say("Scan the whole label."),
        )
    lonely = sorted(present & {"10", "11", "15", "17"})
    if lonely and not present & {"01", "02"}:
        raise Gs1Error(
            f"AI {lonely[0]}",
            say("A {title} says nothing without a GTIN (01 or 02).", title=ELEMENTS[lonely[0]].title),
            say("Scan the barcode with the GTIN as well."),
        )


def element_date(yymmdd: str, *, reference_year: int, where: str = "date") -> date:
    """
    Return the calendar day of a six-digit GS1 date.

    Parameters
    ----------
    yymmdd
        Year, month, day. Day 00 means the last day of the month.
    reference_year
        Decides the century: 51 or more years ahead belong to the past century, 50 or more behind to the next.
    where
        Name of the field for the error message.

    Returns
    -------
    date
        The day.

    Raises
    ------
    Gs1Error
        Not six digits, or no such month or day.

    Examples
    --------
    >>> element_date("160200", reference_year=2026)
    datetime.date(2016, 2, 29)
    """
    if len(yymmdd) != 6 or not is_digits(yymmdd):
        raise Gs1Error(
            where, say("{yymmdd!r} is not six digits.", yymmdd=yymmdd), say("Give the date as YYMMDD.")
        )
    short_year, month, day = int(yymmdd[:2]), int(yymmdd[2:4]), int(yymmdd[4:])
    ahead = short_year - reference_year % 100
    century = reference_year - reference_year % 100 + (-100 if ahead >= 51 else 100 if ahead <= -50 else 0)
    if not 1 <= month <= 12:
        raise Gs1Error(
            where,
            say("{yymmdd!r} has month {month:02d}.", yymmdd=yymmdd, month=month),
            say("Months are 01 to 12."),
        )
    last = monthrange(century + short_year, month)[1]
    if day > last:
        raise Gs1Error(
            where,
            say("{yymmdd!r} has day {day}; that month has {last} days.", yymmdd=yymmdd, day=day, last=last),
            say("Correct the day."),
        )
    return date(century + short_year, month, day or last)
