"""What a code says, whichever way it is printed or typed."""

from rimekeep.stock.core import gs1
from rimekeep.stock.core.digital_link import parse_digital_link
from rimekeep.stock.core.facts import GTIN_LENGTHS, SSCC_LENGTH, require_gtin, require_sscc


def elements_of(code: str, *, reference_year: int) -> dict[str, str]:
    """
    Return the GS1 elements of a scan, typed or scanned: element string, web address, bare SSCC or bare GTIN.

    Blanks and line ends around it, which many scanners add, do not count; nor does the bracketed AI people
    read off a label before an SSCC.

    Raises
    ------
    Invalid
        The code is none of these (then it is a `Gs1Error`), or a digit is wrong.

    Examples
    --------
    >>> elements_of("(00)095212340000000013", reference_year=2026)
    {'00': '095212340000000013'}
    """
    plain = code.strip().removeprefix("(00)")
    if gs1.is_digits(plain) and len(plain) == SSCC_LENGTH:
        return {"00": require_sscc(plain, where="scan")}
    if gs1.is_digits(plain) and len(plain) in GTIN_LENGTHS:
        return {"01": require_gtin(plain, where="scan")}
    if plain.lower().startswith(("http://", "https://")):
        return parse_digital_link(plain)
    return gs1.parse_element_string(plain, reference_year=reference_year)
