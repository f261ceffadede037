"""
CSV as people really have it: with a BOM, semicolons, decimal commas, another encoding.

A file is either read as it was meant or refused with the line, the column, what is wrong and what would be
right. It is never guessed at: where two readings are possible, the user is asked to say which.
"""

import codecs
import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from rimekeep.errors import invalid

MAX_FAULTS = 200
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class RowFault:
    """One cell that is wrong."""

    line: int
    column: str
    detail: str
    mend: str


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


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the file, its cells read."""

    line: int
    values: dict[str, object]


@dataclass(slots=True)
class Rows:
    """A file that was read: the good rows and every fault."""

    rows: list[Row] = field(default_factory=list)
    faults: list[RowFault] = field(default_factory=list)


@dataclass(slots=True)
class ImportReport:
    """What an import did, or would have to be told."""

    kind: str
    rows: int = 0
    created: int = 0
    unchanged: int = 0
    faults: list[RowFault] = field(default_factory=list)

    def fault(self, row: Row, column: str, detail: str, mend: str) -> None:
        """Note a fault of ``row``."""
        self.faults.append(RowFault(row.line, column, detail, mend))


def text(cell: str, _dialect: Dialect) -> str:
    """Read a text."""
    if "\x00" in cell:
        raise CellError("the text holds a NUL character.", "Remove it.")
    if len(cell) > 500:
        raise CellError(f"the text has {len(cell)} characters.", "Use at most 500.")
    return cell


def whole(cell: str, _dialect: Dialect) -> int:
    """Read a whole number."""
    try:
        number = int(cell)
    except ValueError:
        raise CellError(f"{cell!r} is not a whole number.", "Write digits only, such as 48.") from None
    if abs(number) > 2**31 - 1:
        raise CellError(f"{cell!r} is too large.", "Check the digits.")
    return number


def count(cell: str, dialect: Dialect) -> int:
    """Read a whole number that is not negative."""
    number = whole(cell, dialect)
    if number < 0:
        raise CellError(f"{cell!r} is negative.", "Give 0 or more.")
    return number


def decimal(cell: str, dialect: Dialect) -> float:
    """
    Read a number. A decimal comma is read only in files that do not separate cells by commas.

    A number with both signs, or with a comma in a comma-separated file, is refused: it may be a thousand.
    """
    wanted = "Write 3.5, or 3,5 in a file separated by semicolons; no thousands separators."
    raw = cell
    if "," in cell:
        if "." in cell or cell.count(",") > 1 or not dialect.allows_decimal_comma:
            raise CellError(f"{raw!r} can be read in two ways.", wanted)
        cell = cell.replace(",", ".")
    try:
        number = Decimal(cell)
    except InvalidOperation:
        raise CellError(f"{raw!r} is not a number.", wanted) from None
    if not number.is_finite() or abs(number) > Decimal("1e12"):
        raise CellError(f"{raw!r} is not a usable number.", wanted)
    return float(number)


def day(cell: str, _dialect: Dialect) -> date:
    """Read a day; only the ISO form, because 03/04 means two different days."""
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise CellError(f"{cell!r} is not a day.", "Write year-month-day: 2026-09-30.") from None


def instant(cell: str, _dialect: Dialect) -> datetime:
    """Read an instant with its offset."""
    try:
        at = datetime.fromisoformat(cell)
    except ValueError:
        raise CellError(f"{cell!r} is not an instant.", "Write RFC 3339: 2026-03-01T06:00:00Z.") from None
    if at.tzinfo is None:
        raise CellError(
            f"{cell!r} has no offset from UTC.", "Add Z or +01:00: nobody can tell the zone otherwise."
        )
    return at.astimezone(UTC)


def yes_no(cell: str, _dialect: Dialect) -> bool:
    """Read yes or no."""
    known = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
    if cell.lower() not in known:
        raise CellError(f"{cell!r} is neither yes nor no.", "Write yes or no.")
    return known[cell.lower()]


def word(words: type[StrEnum]) -> Reader:
    """Return a reader for one of the enum's words."""

    def read(cell: str, _dialect: Dialect) -> str:
        if cell not in set(words):
            raise CellError(f"{cell!r} is not known here.", f"Use one of: {', '.join(words)}.")
        return cell

    return read


def read_rows(data: bytes, columns: Sequence[Column], *, encoding: str | None = None) -> Rows:
    """
    Read a CSV file.

    Parameters
    ----------
    data
        The file's bytes.
    columns
        What the kind of file has; columns may stand in any order.
    encoding
        Only needed for files in neither UTF-8 nor a Unicode form with a byte order mark.

    Raises
    ------
    Invalid
        The file as a whole cannot be read: encoding, separator or heading. Faults of single cells are
        returned, not raised.
    """
    content = _decode(data, encoding)
    lines = content.splitlines()
    if not lines or not lines[0].strip():
        raise invalid("line 1", "The file is empty.", f"Start with the heading: {_heading(columns)}.")
    dialect = _dialect(lines[0], columns)
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=dialect.delimiter, strict=True)
    result = Rows()
    try:
        header = [name.strip().lower() for name in next(reader)]
        _check_header(header, columns)
        by_name = {column.name: column for column in columns}
        for cells in reader:
            if any(cell.strip() for cell in cells):
                _read_row(reader.line_num, cells, header, by_name, dialect, result)
            if len(result.faults) >= MAX_FAULTS:
                break
    except csv.Error as error:
        raise invalid(
            f"line {reader.line_num}", f"The line breaks CSV's rules: {error}.", "Close every quotation mark."
        ) from None
    return result


def _decode(data: bytes, encoding: str | None) -> str:
    known = next((name for bom, name in _BOMS if data.startswith(bom)), None)
    name = encoding or known or "utf-8"
    try:
        content = data.decode(name)
    except LookupError:
        raise invalid(
            "encoding", f"{name!r} is no encoding known here.", "Use utf-8, cp1252 or utf-16."
        ) from None
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise invalid(
            f"line {line}",
            f"The file is not {name}: byte 0x{data[error.start]:02X} cannot be read.",
            "Save it as UTF-8, or name its encoding with --encoding, for example --encoding cp1252.",
        ) from None
    if "\x00" in content[:1000]:
        raise invalid(
            "line 1", "The file looks like UTF-16 without a mark.", "Name it: --encoding utf-16-le."
        )
    return content.removeprefix("\ufeff")


def _dialect(heading: str, columns: Sequence[Column]) -> Dialect:
    names = {column.name for column in columns}
    best = max(
        ",;\t|",
        key=lambda sign: len(names & {part.strip().strip('"').lower() for part in heading.split(sign)}),
    )
    return Dialect(best)


def _heading(columns: Sequence[Column]) -> str:
    return ",".join(column.name for column in columns)


def _check_header(header: list[str], columns: Sequence[Column]) -> None:
    names = [column.name for column in columns]
    absent = [column.name for column in columns if column.is_required and column.name not in header]
    unknown = [name for name in header if name not in names]
    twice = sorted({name for name in header if header.count(name) > 1})
    for words, found in (("lacks", absent), ("has the unknown", unknown), ("has twice", twice)):
        if found:
            raise invalid(
                "line 1",
                f"The heading {words} {', '.join(repr(name) for name in found)}.",
                f"Columns are {_heading(columns)}; needed are "
                f"{', '.join(column.name for column in columns if column.is_required)}.",
            )


def _read_row(
    line: int, cells: list[str], header: list[str], by_name: dict[str, Column], dialect: Dialect, result: Rows
) -> None:
    if len(cells) != len(header):
        result.faults.append(
            RowFault(
                line,
                "",
                f"the line has {len(cells)} cells, the heading {len(header)}.",
                "Put texts that hold the separator into quotation marks; numbers with a comma need semicolons.",
            )
        )
        return
    values: dict[str, object] = {name: column.default for name, column in by_name.items()}
    is_good = True
    for name, cell in zip(header, cells, strict=True):
        column, cell = by_name[name], cell.strip()
        if not cell:
            if column.is_required:
                result.faults.append(RowFault(line, name, "the cell is empty.", "Fill it."))
                is_good = False
            continue
        try:
            values[name] = column.read(cell, dialect)
        except CellError as error:
            result.faults.append(RowFault(line, name, error.detail, error.mend))
            is_good = False
    if is_good:
        result.rows.append(Row(line, values))


def repeated(rows: Sequence[Row], *names: str) -> Iterator[tuple[Row, int]]:
    """Yield rows whose key stood in the file before, with the line where it stood first."""
    seen: dict[tuple[object, ...], int] = {}
    for row in rows:
        found = seen.setdefault(tuple(row.values[name] for name in names), row.line)
        if found != row.line:
            yield row, found
