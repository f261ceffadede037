"""
JSON files read into the rows CSV files are read into: the same columns, readers and faults.

A file is a list of objects. Where an object holds a list of objects, as an order its lines, each of these is
a row that has the outer fields too. Numbers are read as they are written, never through binary fractions. A
fault names the line of the file on which the object begins.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rimekeep.errors import Invalid, invalid
from rimekeep.platform.csvfile import MAX_FAULTS, Column, Dialect, RowFault, Rows
from rimekeep.platform.csvfile.reading import decode_text, read_cells
from rimekeep.wording import say

_DIALECT = Dialect(",")


def looks_like_json(data: bytes) -> bool:
    """Tell whether a file begins as a JSON list or object does; no heading of a CSV file does."""
    return data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"[", b"{")


def read_json_rows(data: bytes, columns: Sequence[Column], *, nested: str | None = None) -> Rows:
    """
    Read a JSON file.

    Parameters
    ----------
    data
        The file's bytes, UTF-8.
    columns
        What the kind of file has; every field of an object is one of them.
    nested
        Name of the field that holds the rows of an object; None: every object is a row.

    Raises
    ------
    Invalid
        The file as a whole cannot be read. Faults of single fields are returned, not raised.
    """
    content = decode_text(data, None)
    by_name = {column.name: column for column in columns}
    result = Rows()
    for line, outer in _objects(content):
        rows = _flat(line, outer, nested, result)
        for place, fields in rows:
            _read_object(line, place, fields, by_name, result)
        if len(result.faults) >= MAX_FAULTS:
            more = say("after {MAX_FAULTS} faults the rest was not read.", MAX_FAULTS=MAX_FAULTS)
            result.faults.append(RowFault(line, "", more, say("Mend these first.")))
            break
    return result


def _objects(content: str) -> Iterator[tuple[int, Any]]:
    """Yield the elements of the outermost list, each with the line it begins on."""
    decoder = json.JSONDecoder(
        parse_float=_Number, parse_int=_Number, parse_constant=_no_constant, object_pairs_hook=_once
    )
    at, line, counted = _skip(content, 0), 1, 0
    is_list = content[at : at + 1] == "["
    at = _skip(content, at + 1) if is_list else at
    while not (is_list and content[at : at + 1] == "]"):
        line += content.count("\n", counted, at)
        counted = at
        try:
            found, end = decoder.raw_decode(content, at)
        except json.JSONDecodeError as error:
            raise _broken(error.lineno, error.msg) from None
        except RecursionError:
            raise _broken(line, "it is nested too deeply") from None
        except Invalid as error:
            fault = error.faults[0]
            raise invalid(f"line {line}, {fault.field}", fault.detail, fault.mend) from None
        yield line, found
        at = _skip(content, end)
        sign = content[at : at + 1]
        if not is_list:
            break
        if sign == ",":
            at = _skip(content, at + 1)
        elif sign != "]":
            raise _broken(content.count("\n", 0, at) + 1, "a comma or ] is missing")
    if _skip(content, at + is_list) != len(content):
        raise _broken(content.count("\n", 0, at) + 1, "something follows the end of the data")


class _Number(str):
    """A number as it is written."""

    __slots__ = ()


def _skip(content: str, at: int) -> int:
    while at < len(content) and content[at] in " \t\r\n":
        at += 1
    return at


def _broken(line: int, words: str) -> Invalid:
    return invalid(
        f"line {line}",
        say("The file breaks JSON's rules: {words}.", words=words),
        say('Give a list of objects: [{"code": "INN", …}, …].'),
    )


def _no_constant(word: str) -> Any:
    raise invalid("value", say("{word} is no number JSON knows.", word=word), say("Give a number, or null."))


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise invalid(
            twice,
            say("The field {twice!r} stands twice in one object.", twice=twice),
            say("Keep one of the two."),
        )
    return found


def _flat(line: int, outer: Any, nested: str | None, result: Rows) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield the rows of one object, each with the place of the row within it."""
    if not isinstance(outer, dict):
        result.unread[line] = {}
        detail = say("{dumps} is no object.", dumps=json.dumps(outer)[:40])
        result.faults.append(RowFault(line, "", detail, say('Give objects: {"code": "INN", …}.')))
        return
    if nested is None or nested not in outer:
        yield "", outer
        return
    head = {name: value for name, value in outer.items() if name != nested}
    inner = outer[nested]
    if not isinstance(inner, list) or not inner or not all(isinstance(one, dict) for one in inner):
        result.unread[line] = {name: str(value) for name, value in head.items()}
        detail = say("{nested!r} is no list of objects with anything in it.", nested=nested)
        result.faults.append(RowFault(line, nested, detail, say('Give [{"line": 1, …}, …].')))
        return
    for number, one in enumerate(inner):
        place = f"{nested}[{number}]."
        if repeated := sorted(head.keys() & one.keys()):
            result.unread[line] = {name: str(value) for name, value in head.items()}
            detail = say(
                "{repeated!r} stands outside {nested!r} and inside it.", repeated=repeated[0], nested=nested
            )
            result.faults.append(RowFault(line, place + repeated[0], detail, say("Keep one of the two.")))
            continue
        yield place, {**head, **one}


def _read_object(
    line: int, place: str, fields: Mapping[str, Any], by_name: Mapping[str, Column], result: Rows
) -> None:
    """Read one object as the cells of a row."""
    cells: dict[str, str] = {}
    faults: list[RowFault] = []
    for name, value in fields.items():
        if name not in by_name:
            mend = say("Fields are {choices}.", choices=", ".join(by_name))
            faults.append(RowFault(line, place + name, say("the field is not known."), mend))
        elif isinstance(value, (dict, list)):
            faults.append(
                RowFault(line, place + name, say("the value is a list or object."), say("Give one value."))
            )
        else:
            cells[name] = _cell(value)
    for name, column in by_name.items():
        if column.is_required and name not in fields:
            faults.append(RowFault(line, place + name, say("the field is missing."), say("Add it.")))
    if faults:
        result.faults += faults
        result.unread[line] = cells
        return
    read_cells(line, cells, by_name, _DIALECT, result, place)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
