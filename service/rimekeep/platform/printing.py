"""What every PDF shares: texts in the characters its built-in fonts have, and texts made to fit."""

from unicodedata import combining, normalize

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth

PLAIN, BOLD = "Helvetica", "Helvetica-Bold"
# Letters with a stroke have no plain letter inside them that Unicode would give back.
_STROKES = str.maketrans("ŁłĐđĦħŦŧ−", "LlDdHhTt-")


def printable(text: str) -> str:
    """
    Return a text in one line and in the characters the built-in fonts have.

    A letter they lack loses its mark; what is no Latin letter becomes a question mark.

    Examples
    --------
    >>> printable("Łódź,  Žižkov 5 °C")
    'Lódz, Žižkov 5 °C'
    """
    return " ".join("".join(_known(sign) for sign in text).split())


def _known(sign: str) -> str:
    for tried in (sign, sign.translate(_STROKES)):
        try:
            tried.encode("cp1252")
        except UnicodeEncodeError:
            continue
        return tried
    plain = "".join(part for part in normalize("NFKD", sign) if not combining(part))
    return plain.encode("cp1252", "replace").decode("cp1252")


def fitted(text: str, font: str, points: float, room: float, *, least: float = 5.0) -> tuple[str, float]:
    """Return a text that fits into ``room`` and its size: made smaller down to ``least``, then cut."""
    known = printable(text)
    points = max(least, min(points, points * room / max(stringWidth(known, font, points), 1.0)))
    if stringWidth(known, font, points) <= room + 0.01:
        return known, points
    while known and stringWidth(known + "...", font, points) > room:
        known = known[:-1]
    return known + "...", points


def wrapped(text: str, font: str, points: float, room: float) -> list[str]:
    """Return a text in lines that fit into ``room``, broken between words."""
    return [str(line) for line in simpleSplit(printable(text), font, points, room)]
