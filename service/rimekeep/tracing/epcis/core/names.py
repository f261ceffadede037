"""
What things are called in EPCIS: pallets, lots, places, business transactions.

Everything is kept and compared as a canonical GS1 Digital Link; an EPC URN says the same of the same thing,
so either form finds it. A place is a GLN with an extension (AI 414 and 254, as in an SGLN). Where the site
has no GLN, or a product no GTIN, there is no open identifier: such names are URNs of our own.
"""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote, unquote, urlsplit

from rimekeep.stock.core.digital_link import (
    RESOLVER,
    digital_link,
    lgtin_urn,
    parse_digital_link,
    parse_urn,
    sscc_urn,
)
from rimekeep.stock.core.gs1 import CHARACTER_SET_82, Gs1Error, check_digit, is_digits

OWN = "urn:x-rimekeep"
_SGLN = "urn:epc:id:sgln:"
_LONGEST_EXTENSION = 20
_URN_SAFE = "!'()*+,-.:;=_"  # as in an LGTIN's lot (from memory)


@dataclass(frozen=True, slots=True)
class House:
    """
    Who speaks: the site whose events are told.

    ``prefix`` is its GS1 Company Prefix, whose length EPC URNs need; ``gln`` its Global Location Number.
    """

    code: str
    prefix: str
    gln: str | None = None
    with_urns: bool = False


def is_valid_gln(gln: str) -> bool:
    """Tell whether ``gln`` is 13 digits with the right check digit."""
    return len(gln) == 13 and is_digits(gln) and check_digit(gln[:-1]) == int(gln[-1])


def own(house: House, *parts: str) -> str:
    """
    Return a URN of our own.

    >>> own(House("NORTH", "9521234"), "zone", "Cold 1")
    'urn:x-rimekeep:NORTH:zone:Cold%201'
    """
    return ":".join((OWN, *(quote(part, safe="-._~") for part in (house.code, *parts))))


def pallet(sscc: str) -> str:
    """Return the name of a logistic unit."""
    try:
        return digital_link({"00": sscc})
    except Gs1Error:
        # Whatever a ledger holds can be told; one row must not keep back all that follow.
        return f"{OWN}:unit:{quote(sscc, safe='-._~')}"


def lot_class(house: House, gtin: str | None, lot: str, sku: str) -> str:
    """Return the name of a lot: all cases of one product and packaging run."""
    if gtin is not None:
        try:
            return digital_link({"01": gtin.zfill(14), "10": lot})
        except Gs1Error:
            pass  # a lot's code may be longer than AI 10 holds
    return own(house, "lot", sku, lot)


def place(house: House, zone: str | None = None, bay: str | None = None) -> str:
    """Return the name of the site, of a room in it, or of a bay; bays have codes of their own site-wide."""
    part = bay or zone
    if house.gln is not None:
        address = f"{RESOLVER}/414/{house.gln}"
        if part is None:
            return address
        if len(part) <= _LONGEST_EXTENSION and set(part) <= CHARACTER_SET_82:
            return f"{address}/254/{quote(part, safe='')}"
    if part is None:
        return own(house, "site")
    return own(house, "bay" if bay else "zone", part)


def transaction(house: House, kind: str, code: str) -> str:
    """Return the name of an order or despatch; with a GLN as the CBV has it (8.5.2, clause from memory)."""
    if house.gln is not None:
        number = code if kind == "order" else f"{kind}-{code}"
        return f"urn:epcglobal:cbv:bt:{house.gln}:{quote(number, safe='-._~')}"
    return own(house, kind, code)


def _place_of(uri: str) -> tuple[str, str | None] | None:
    """Return GLN and extension of an SGLN URN or a Digital Link of a place."""
    if uri.startswith(_SGLN):
        fields = uri[len(_SGLN) :].split(".", 2)
        body = "".join(fields[:2])
        extension = unquote("".join(fields[2:]))
        if len(fields) != 3 or len(body) != 12 or not is_digits(body) or len(extension) > _LONGEST_EXTENSION:
            return None
        return f"{body}{check_digit(body)}", None if extension == "0" else extension
    try:
        parts = urlsplit(uri)
    except ValueError:
        return None
    if parts.scheme not in ("http", "https") or parts.query:
        return None
    segments = parts.path.removesuffix("/").split("/")
    if len(segments) >= 4 and segments[-4] == "414" and segments[-2] == "254":
        gln, extension = segments[-3], unquote(segments[-1])
    elif len(segments) >= 2 and segments[-2] == "414":
        gln, extension = segments[-1], ""
    else:
        return None
    return (gln, extension or None) if is_valid_gln(gln) and len(extension) <= _LONGEST_EXTENSION else None


def canonical(uri: str) -> str:
    """
    Return the one form under which a name is looked for, whichever way it is written.

    What is no SSCC, LGTIN or SGLN stays as it is.

    Examples
    --------
    >>> canonical("urn:epc:class:lgtin:9521234.100001.L2603A")
    'https://id.gs1.org/01/19521234000010/10/L2603A'
    >>> canonical("urn:epc:id:sgln:9521234.00001.B7")
    'https://id.gs1.org/414/9521234000013/254/B7'
    >>> canonical("https://example.org/00/095212340000000013")
    'https://id.gs1.org/00/095212340000000013'
    """
    if (found := _place_of(uri)) is not None:
        gln, extension = found
        tail = "" if extension is None else f"/254/{quote(extension, safe='')}"
        return f"{RESOLVER}/414/{gln}{tail}"
    try:
        elements = parse_urn(uri) if uri.startswith("urn:") else parse_digital_link(uri)
        return digital_link({ai: elements[ai] for ai in ("00", "01", "10") if ai in elements})
    except Gs1Error:
        return uri


def as_urn(uri: str, prefix: str) -> str:
    """
    Return the EPC URN of a canonical Digital Link.

    Where a company prefix ends cannot be seen in a key: only keys under ``prefix`` are written as URNs, the
    others stay Digital Links.

    Examples
    --------
    >>> as_urn("https://id.gs1.org/00/095212340000000013", "9521234")
    'urn:epc:id:sscc:9521234.0000000001'
    >>> as_urn("https://id.gs1.org/00/095212340000000013", "9529876")
    'https://id.gs1.org/00/095212340000000013'
    """
    if (found := _place_of(uri)) is not None:
        gln, extension = found
        if not gln.startswith(prefix) or len(prefix) > 12:
            return uri
        tail = "0" if extension is None else quote(extension, safe=_URN_SAFE)
        return f"{_SGLN}{prefix}.{gln[len(prefix) : 12]}.{tail}"
    try:
        elements = parse_digital_link(uri)
        if (sscc := elements.get("00")) is not None and sscc[1:].startswith(prefix):
            return sscc_urn(sscc, prefix_length=len(prefix))
        if (gtin := elements.get("01", ""))[1:].startswith(prefix) and "10" in elements:
            return lgtin_urn(gtin, elements["10"], prefix_length=len(prefix))
    except Gs1Error:
        pass
    return uri


def written(at: datetime) -> str:
    """Return an instant as EPCIS has it, in UTC."""
    return at.isoformat().replace("+00:00", "Z")
