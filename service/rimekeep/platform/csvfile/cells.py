"""What a cell may hold: one reader per kind of value, each refusing what could be meant in two ways."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum

from rimekeep.wording import say

_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")
# Python's own int() and Decimal() also take underscores and other scripts' digits, which nobody means.
_WHOLE = re.compile(r"[+-]?[0-9]{1,12}")
_DECIMAL = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
# JSON can write one half of a pair; no encoding and no database can.
_HALF = re.compile("[\ud800-\udfff]")
EARLIEST, LATEST = date(1970, 1, 1), date(2199, 12, 31)


class CellError(ValueError):
    """Raised by a cell reader: what is wrong, and what would be right."""

    def __init__(self, detail: str, mend: str) -> None:
        """Keep both parts."""
        super().__init__(detail)
        self.detail = detail
        self.mend = mend


@dataclass(frozen=True, slots=True)
class Dialect:
    """How this file writes things."""

    delimiter: str
    # Whether numbers with a comma, with a dot, stand in it as whole cells.
    has_commas: bool = False
    has_dots: bool = False

    @property
    def allows_decimal_comma(self) -> bool:
        """Tell whether a comma may be a decimal sign: only where it cannot be the separator."""
        return self.delimiter != ","


Reader = Callable[[str, Dialect], object]


@dataclass(frozen=True, slots=True)
class Column:
    """A column a kind of file has."""

    name: str
    read: Reader
    is_required: bool = True
    default: object = None


def text(cell: str, _dialect: Dialect) -> str:
    """Read a text."""
    if "\x00" in cell:
        raise CellError(say("the text holds a NUL character."), say("Remove it."))
    if _HALF.search(cell):
        raise CellError(say("the text holds half a character (a lone surrogate)."), say("Remove it."))
    if len(cell) > 500:
        raise CellError(say("the text has {n} characters.", n=len(cell)), say("Use at most 500."))
    return cell


def name(cell: str, dialect: Dialect) -> str:
    """Read a name."""
    if len(text(cell, dialect)) > 120:
        raise CellError(say("the name has {n} characters.", n=len(cell)), say("Use at most 120."))
    return cell


def code(cell: str, _dialect: Dialect) -> str:
    """Read a code as the API takes it."""
    if not _CODE.fullmatch(cell):
        raise CellError(
            say("{cell!r} is no code.", cell=cell),
            say("Use up to 40 letters, digits and . _ / - without spaces."),
        )
    return cell


def whole(cell: str, _dialect: Dialect) -> int:
    """Read a whole number."""
    if not _WHOLE.fullmatch(cell):
        raise CellError(
            say("{cell!r} is not a whole number.", cell=cell), say("Write digits only, such as 48.")
        )
    number = int(cell)
    if abs(number) > 2**31 - 1:
        raise CellError(say("{cell!r} is too large.", cell=cell), say("Check the digits."))
    return number


def count(cell: str, dialect: Dialect) -> int:
    """Read a whole number that is not negative."""
    number = whole(cell, dialect)
    if number < 0:
        raise CellError(say("{cell!r} is negative.", cell=cell), say("Give 0 or more."))
    return number


def decimal(cell: str, dialect: Dialect) -> float:
    """
    Read a number. A decimal comma is read only in files that do not separate cells by commas.

    Refused is what may be a thousand: a number with both signs, one with a comma in a comma-separated file,
    and one like 1.234 or 1,234 in a file that also has numbers with the other sign.
    """
    wanted = say(
        "Write 3.5, or 3,5 in a file separated by semicolons; no thousands separators, one sign throughout."
    )
    raw = cell
    is_thousand = _THOUSANDS.fullmatch(cell) and dialect.has_commas and dialect.has_dots
    if "," in cell:
        if "." in cell or cell.count(",") > 1 or not dialect.allows_decimal_comma or is_thousand:
            raise CellError(say("{raw!r} can be read in two ways.", raw=raw), wanted)
        cell = cell.replace(",", ".")
    elif is_thousand:
        raise CellError(say("{raw!r} can be read in two ways.", raw=raw), wanted)
    if not _DECIMAL.fullmatch(cell):
        raise CellError(say("{raw!r} is not a number.", raw=raw), wanted)
    number = Decimal(cell)
    if abs(number) > Decimal("1e12"):
        raise CellError(say("{raw!r} is not a usable number.", raw=raw), wanted)
    return float(number)


def day(cell: str, _dialect: Dialect) -> date:
    """Read a day; only the ISO form, because 03/04 means two different days."""
    try:
        read = date.fromisoformat(cell)
    except ValueError:
        raise CellError(
            say("{cell!r} is not a day.", cell=cell), say("Write year-month-day: 2026-09-30.")
        ) from None
    _require_century(cell, read)
    return read


def instant(cell: str, _dialect: Dialect) -> datetime:
    """Read an instant with its offset."""
    try:
        at = datetime.fromisoformat(cell)
    except ValueError:
        raise CellError(
            say("{cell!r} is not an instant.", cell=cell), say("Write RFC 3339: 2026-03-01T06:00:00Z.")
        ) from None
    if at.tzinfo is None:
        raise CellError(
            say("{cell!r} has no offset from UTC.", cell=cell),
            say("Add Z or +01:00: nobody can tell the zone otherwise."),
        )
    _require_century(cell, at.date())
    return at.astimezone(UTC)


def _require_century(cell: str, read: date) -> None:
    if not EARLIEST <= read <= LATEST:
        raise CellError(
            say("{cell!r} is not of our time.", cell=cell),
            say("Give a year from {year} to {LATEST_year}.", year=EARLIEST.year, LATEST_year=LATEST.year),
        )


def yes_no(cell: str, _dialect: Dialect) -> bool:
    """Read yes or no."""
    known = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
    if cell.lower() not in known:
        raise CellError(say("{cell!r} is neither yes nor no.", cell=cell), say("Write yes or no."))
    return known[cell.lower()]


def word(words: type[StrEnum]) -> Reader:
    """Return a reader for one of the enum's words."""

    def read(cell: str, _dialect: Dialect) -> str:
        if cell not in set(words):
            raise CellError(
                say("{cell!r} is not known here.", cell=cell),
                say("Use one of: {choices}.", choices=", ".join(words)),
            )
        return cell

    return read
