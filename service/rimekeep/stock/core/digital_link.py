"""
The same keys as web addresses (GS1 Digital Link) and as EPC URNs.

Canonical address: https://id.gs1.org, GTIN always 14 digits, the lot in the path, all else in the query
sorted by AI (GS1 Digital Link Standard: URI Syntax; clause not read). URN forms after the EPC Tag Data
Standard. Where the company prefix ends cannot be told from a key, so its length is always asked for.
"""

from collections.abc import Mapping
from urllib.parse import parse_qsl, quote, unquote, urlsplit

from rimekeep.stock.core.gs1 import (
    ELEMENTS,
    Gs1Error,
    check_associations,
    check_digit,
    check_value,
    is_digits,
)
from rimekeep.wording import say

RESOLVER = "https://id.gs1.org"
# Whether a day exists depends on the century only for 29 February of a year 00, and 2000 was a leap year.
_ANY_YEAR = 2000
_URN_SAFE = (
    "!'()*+,-.:;=_"  # what the Tag Data Standard leaves unescaped besides letters and digits (from memory)
)


def _checked(elements: Mapping[str, str]) -> None:
    for ai, value in elements.items():
        if ai not in ELEMENTS:
            raise Gs1Error(
                f"AI {ai}", say("It is not read here."), say("Use {choices}.", choices=", ".join(ELEMENTS))
            )
        check_value(ai, value, reference_year=_ANY_YEAR)
    check_associations(elements)


def digital_link(elements: Mapping[str, str]) -> str:
    """
    Return the canonical GS1 Digital Link of an SSCC (00) or of a GTIN (01) with or without a lot (10).

    Parameters
    ----------
    elements
        Values by AI, as `parse_element_string` returns them.

    Returns
    -------
    str
        Everything but letters, digits and ``-._~`` is percent-encoded.

    Raises
    ------
    Gs1Error
        A value is wrong, or there is neither 00 nor 01 to address.

    Examples
    --------
    >>> digital_link({"01": "19521234000010", "10": "A/7"})
    'https://id.gs1.org/01/19521234000010/10/A%2F7'
    """
    _checked(elements)
    key = next((ai for ai in ("00", "01") if ai in elements), None)
    if key is None:
        raise Gs1Error(
            "elements", say("There is no key to address."), say("Give an SSCC (00) or a GTIN (01).")
        )
    path = [key, *(["10"] if key == "01" and "10" in elements else [])]
    address = RESOLVER + "".join(f"/{ai}/{quote(elements[ai], safe='')}" for ai in path)
    query = "&".join(f"{ai}={quote(elements[ai], safe='')}" for ai in sorted(elements.keys() - set(path)))
    return f"{address}?{query}" if query else address


def parse_digital_link(uri: str) -> dict[str, str]:
    """
    Return the elements of a GS1 Digital Link on any host and below any path.

    Parameters
    ----------
    uri
        http or https address. Query names that are no application identifiers are passed over.

    Returns
    -------
    dict of str to str
        Values by AI, path first, decoded.

    Raises
    ------
    Gs1Error
        No SSCC or GTIN where the key must stand, a value is wrong, or an AI is not read here.

    Examples
    --------
    >>> parse_digital_link("https://example.org/shop/01/19521234000010/10/L2603A?15=270331")
    {'01': '19521234000010', '10': 'L2603A', '15': '270331'}
    """
    try:
        parts = urlsplit(uri.strip())
    except ValueError:
        raise Gs1Error(
            "address", say("{uri!r} is no web address.", uri=uri), say("Scan the code again.")
        ) from None
    if parts.scheme not in ("http", "https") or not parts.netloc:
        raise Gs1Error(
            "address", say("{uri!r} is no web address.", uri=uri), say("It must begin with https://.")
        )
    segments = parts.path.removesuffix("/").split("/")
    if len(segments) >= 4 and segments[-4] == "01" and segments[-2] == "10":
        pairs = [("01", segments[-3]), ("10", segments[-1])]
    elif len(segments) >= 2 and segments[-2] in ("00", "01"):
        pairs = [(segments[-2], segments[-1])]
    else:
        raise Gs1Error(
            "address",
            say(
                "The path {path!r} does not end in an SSCC (00), a GTIN (01) or a GTIN and lot (01, 10).",
                path=parts.path,
            ),
            say("Scan the code on the case or pallet, or give the address with its key."),
        )
    elements = {ai: unquote(value) for ai, value in pairs}
    for name, value in parse_qsl(parts.query, keep_blank_values=True):
        if is_digits(name) and elements.setdefault(name, value) != value:
            raise Gs1Error(
                f"AI {name}", say("It stands twice with different values."), say("Keep one of them.")
            )
    _checked(elements)
    return elements


def _split_prefix(body: str, prefix_length: int) -> tuple[str, str]:
    if not 6 <= prefix_length <= 12:
        raise Gs1Error(
            "company prefix",
            say("A length of {prefix_length} is impossible.", prefix_length=prefix_length),
            say("It has 6 to 12 digits."),
        )
    return body[:prefix_length], body[prefix_length:]


def sscc_urn(sscc: str, *, prefix_length: int) -> str:
    """
    Return the EPC URN of an SSCC.

    >>> sscc_urn("106141412345678908", prefix_length=7)
    'urn:epc:id:sscc:0614141.1234567890'
    """
    check_value("00", sscc, reference_year=_ANY_YEAR)
    prefix, serial = _split_prefix(sscc[1:-1], prefix_length)
    return f"urn:epc:id:sscc:{prefix}.{sscc[0]}{serial}"


def lgtin_urn(gtin: str, lot: str, *, prefix_length: int) -> str:
    """
    Return the EPC URN of a lot: a class of trade items of one GTIN and batch.

    >>> lgtin_urn("19521234000010", "A/7", prefix_length=7)
    'urn:epc:class:lgtin:9521234.100001.A%2F7'
    """
    check_value("01", gtin, reference_year=_ANY_YEAR)
    check_value("10", lot, reference_year=_ANY_YEAR)
    prefix, item = _split_prefix(gtin[1:-1], prefix_length)
    return f"urn:epc:class:lgtin:{prefix}.{gtin[0]}{item}.{quote(lot, safe=_URN_SAFE)}"


def parse_urn(urn: str) -> dict[str, str]:
    """
    Return the elements of an SSCC or LGTIN URN, check digit added.

    >>> parse_urn("urn:epc:id:sscc:9521234.0000000001")
    {'00': '095212340000000013'}
    """
    *head, tail = urn.split(":", 4)
    fields = tail.split(".", 2)
    numbers = fields[:2]
    if len(numbers) == 2 and all(is_digits(part) for part in numbers):
        prefix, reference = numbers
        body = reference[0] + prefix + reference[1:]
        key = f"{body}{check_digit(body)}"
        elements: dict[str, str] | None = None
        if head == ["urn", "epc", "id", "sscc"] and len(fields) == 2:
            elements = {"00": key}
        elif head == ["urn", "epc", "class", "lgtin"] and len(fields) == 3:
            elements = {"01": key, "10": unquote(fields[2])}
        if elements is not None:
            _checked(elements)
            _split_prefix(body, len(prefix))
            return elements
    raise Gs1Error(
        "URN",
        say("{urn!r} is neither an SSCC nor an LGTIN.", urn=urn),
        say("Use urn:epc:id:sscc: or urn:epc:class:lgtin:."),
    )
