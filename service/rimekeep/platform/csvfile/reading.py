"""
CSV as people really have it: with a BOM, semicolons, decimal commas, another encoding.

A file is either read as it was meant or refused with the line, the column, what is wrong and what would be
right. It is never guessed at: where two readings are possible, the user is asked to say which.
"""

import codecs
import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rimekeep.errors import invalid
from rimekeep.platform.csvfile.cells import CellError, Column, Dialect
from rimekeep.wording import say

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


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the file, its cells read."""

    line: int
    values: dict[str, object]
    # Where in the line's object it stands, in JSON files: "lines[0].".
    place: str = ""
    # The columns it has, empty or not; what it does not have, it says nothing about.
    told: frozenset[str] = frozenset()


@dataclass(slots=True)
class Rows:
    """A file that was read: the good rows and every fault."""

    rows: list[Row] = field(default_factory=list)
    faults: list[RowFault] = field(default_factory=list)
    # The cells of lines that could not be read, as they stand, by line; none where not even those are clear.
    unread: dict[int, dict[str, str]] = field(default_factory=dict)


@dataclass(slots=True)
class ImportReport:
    """What an import did, or would have to be told."""

    kind: str
    rows: int = 0
    created: int = 0
    unchanged: int = 0
    amended: int = 0
    faults: list[RowFault] = field(default_factory=list)

    def fault(self, row: Row, column: str, detail: str, mend: str) -> None:
        """Note a fault of ``row``."""
        self.faults.append(RowFault(row.line, row.place + column, detail, mend))


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
    content = decode_text(data, encoding)
    lines = content.splitlines()
    if not lines or not lines[0].strip():
        raise invalid(
            "line 1",
            say("The file is empty."),
            say("Start with the heading: {heading}.", heading=_heading(columns)),
        )
    dialect = _dialect(lines[0], content, columns)
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=dialect.delimiter, strict=True)
    result = Rows()
    try:
        header = [name.strip().lower() for name in next(reader)]
        _check_header(header, columns)
        by_name = {column.name: column for column in columns}
        line = reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                _read_row(line, cells, header, by_name, dialect, result)
            if len(result.faults) >= MAX_FAULTS:
                more = say("after {MAX_FAULTS} faults the rest was not read.", MAX_FAULTS=MAX_FAULTS)
                result.faults.append(RowFault(line, "", more, say("Mend these first.")))
                break
            # A cell in quotation marks may run over several lines; a row is named by its first.
            line = reader.line_num + 1
    except csv.Error as error:
        raise invalid(
            f"line {reader.line_num}",
            say("The line breaks CSV's rules: {error}.", error=error),
            say("Close every quotation mark."),
        ) from None
    return result


def decode_text(data: bytes, encoding: str | None) -> str:
    """Return a file's text: by its mark, or the encoding named, or UTF-8; nothing is guessed."""
    known = next((name for bom, name in _BOMS if data.startswith(bom)), None)
    # A mark is certain; what the user says of a file that has one is not.
    name = known or encoding or "utf-8"
    try:
        content = data.decode(name)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise invalid(
            f"line {line}",
            say(
                "The file is not {name}: byte 0x{data:02X} cannot be read.", name=name, data=data[error.start]
            ),
            say("Save it as UTF-8, or name its encoding, cp1252 for example (--encoding cp1252)."),
        ) from None
    except (LookupError, ValueError):
        raise invalid(
            "encoding",
            say("{name!r} is no encoding known here.", name=name),
            say("Use utf-8, cp1252 or utf-16."),
        ) from None
    if "\x00" in content[:1000]:
        byte_order = "be" if content.startswith("\x00") else "le"
        raise invalid(
            "line 1",
            say("The file looks like UTF-16 without a mark."),
            say("Name it: --encoding utf-16-{byte_order}.", byte_order=byte_order),
        )
    return content.removeprefix("\ufeff")


def _dialect(heading: str, content: str, columns: Sequence[Column]) -> Dialect:
    names = {column.name for column in columns}

    def known(sign: str) -> int:
        return len(names & {part.strip().strip('"').lower() for part in heading.split(sign)})

    delimiter = max(",;\t|", key=known)
    edge = re.escape(delimiter)

    def has_number_with(sign: str) -> bool:
        cell = rf'(?:^|{edge})[ "]*[+-]?[0-9]+{re.escape(sign)}[0-9]+[ "]*(?={edge}|[\r\n]|\Z)'
        return re.search(cell, content, re.MULTILINE) is not None

    return Dialect(
        delimiter, has_commas=delimiter != "," and has_number_with(","), has_dots=has_number_with(".")
    )


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
                say(
                    "The heading {words} {choices}.",
                    words=words,
                    choices=", ".join(repr(name) for name in found),
                ),
                say(
                    "Columns are {heading}; needed are {choices}.",
                    heading=_heading(columns),
                    choices=", ".join(column.name for column in columns if column.is_required),
                ),
            )


def _read_row(
    line: int, cells: list[str], header: list[str], by_name: dict[str, Column], dialect: Dialect, result: Rows
) -> None:
    if len(cells) != len(header):
        result.unread[line] = {}
        result.faults.append(
            RowFault(
                line,
                "",
                say("the line has {n} cells, the heading {n_header}.", n=len(cells), n_header=len(header)),
                say(
                    "Put texts that hold the separator into quotation marks; decimal commas need semicolons."
                ),
            )
        )
        return
    read_cells(line, dict(zip(header, cells, strict=True)), by_name, dialect, result)


def read_cells(
    line: int,
    cells: Mapping[str, str],
    by_name: Mapping[str, Column],
    dialect: Dialect,
    result: Rows,
    place: str = "",
) -> None:
    """Read the cells of one row; a row with any fault is not among the rows."""
    values: dict[str, object] = {name: column.default for name, column in by_name.items()}
    is_good = True
    for name, cell in cells.items():
        column, cell = by_name[name], cell.strip()
        if not cell:
            if column.is_required:
                result.faults.append(RowFault(line, place + name, say("the cell is empty."), say("Fill it.")))
                is_good = False
            continue
        try:
            values[name] = column.read(cell, dialect)
        except CellError as error:
            result.faults.append(RowFault(line, place + name, error.detail, error.mend))
            is_good = False
    if is_good:
        result.rows.append(Row(line, values, place, frozenset(cells)))
    else:
        result.unread[line] = {name: cell.strip() for name, cell in cells.items()}


def repeated(rows: Sequence[Row], *names: str) -> Iterator[tuple[Row, int]]:
    """Yield rows whose key stood in the file before, with the line where it stood first."""
    seen: dict[tuple[object, ...], Row] = {}
    for row in rows:
        found = seen.setdefault(tuple(row.values[name] for name in names), row)
        if found is not row:
            yield row, found.line
