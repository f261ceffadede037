"""Of which form single values of an EPCIS document must be; each check yields what is wrong, and where."""

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from rimekeep.errors import Fault

Check = Callable[[Any, str], Iterator[Fault]]
# In bytes; longer names fit into no index.
LONGEST_NAME = 1000
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`\x00-\x20\x7f]+")
_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")
_OFFSET = re.compile(r"[+-](?:(?:0\d|1[0-3]):[0-5]\d|14:00)")
_UOM = re.compile(r"[A-Z0-9]{2,3}")
_HEX = re.compile(r"[A-Fa-f0-9]+")
# Terms of the CBV stand as bare words in documents, those of the Web vocabulary too.
_CBV = re.compile(r"urn:epcglobal:cbv|https?://ns\.gs1\.org/cbv/")
_WEB_VOC = re.compile(r"https?://(?:www\.)?gs1\.org/voc/")


def is_uri(value: Any) -> bool:
    """Tell whether a value has the form of a URI; a prefixed name like ``example:field`` has."""
    if not isinstance(value, str) or len(value.encode(errors="replace")) > LONGEST_NAME:
        return False
    return _URI.fullmatch(value) is not None


def uri(value: Any, where: str) -> Iterator[Fault]:
    """Want a URI."""
    if not is_uri(value):
        mend = f"Give a URI of at most {LONGEST_NAME} bytes, as urn:epc:… or https://id.gs1.org/…."
        yield Fault(where, f"{brief(value)} is no URI.", mend)


def instant(value: str) -> datetime:
    """Return an RFC 3339 instant in UTC; raise ValueError if it is none."""
    if not _TIME.fullmatch(value):
        raise ValueError(value)
    head, dot, tail = value.upper().partition(".")
    if dot:
        # The calendar here knows microseconds; finer digits are cut.
        digits = re.match(r"\d+", tail)
        assert digits is not None  # the form was checked
        value = f"{head}.{digits[0][:6]:0<6}{tail[digits.end() :]}"
    found = datetime.fromisoformat(value.upper())
    try:
        return found.astimezone(UTC)
    except OverflowError:
        raise ValueError(value) from None


def time(value: Any, where: str) -> Iterator[Fault]:
    """Want an instant with its offset."""
    try:
        instant(value if isinstance(value, str) else "")
    except ValueError:
        mend = "Use RFC 3339 with an offset: 2026-03-01T06:00:00+01:00."
        yield Fault(where, f"{brief(value)} is no instant.", mend)


def offset(value: Any, where: str) -> Iterator[Fault]:
    """Want an offset from UTC."""
    if not isinstance(value, str) or not _OFFSET.fullmatch(value):
        yield Fault(where, f"{brief(value)} is no offset from UTC.", "Give ±hh:mm, at most 14:00.")


def text(value: Any, where: str) -> Iterator[Fault]:
    """Want a text."""
    if not isinstance(value, str):
        yield Fault(where, f"{brief(value)} is no text.", "Give a text.")


def number(value: Any, where: str) -> Iterator[Fault]:
    """Want a number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        yield Fault(where, f"{brief(value)} is no number.", "Give a number, without quotes.")


def truth(value: Any, where: str) -> Iterator[Fault]:
    """Want true or false."""
    if not isinstance(value, bool):
        yield Fault(where, f"{brief(value)} is neither true nor false.", "Give true or false.")


def hexadecimal(value: Any, where: str) -> Iterator[Fault]:
    """Want hexadecimal digits."""
    if not isinstance(value, str) or not _HEX.fullmatch(value):
        yield Fault(where, f"{brief(value)} is not hexadecimal.", "Use 0-9 and a-f.")


def uom(value: Any, where: str) -> Iterator[Fault]:
    """Want a unit of UN/ECE Recommendation 20."""
    if not isinstance(value, str) or not _UOM.fullmatch(value):
        mend = "Use its code in UN/ECE Recommendation 20, as KGM."
        yield Fault(where, f"{brief(value)} is no unit of measure.", mend)


def anything(value: Any, where: str) -> Iterator[Fault]:
    """Want nothing in particular: an extension."""
    return iter(())


def one_of(words: Collection[str]) -> Check:
    """Want one of the words, and nothing else."""

    def check(value: Any, where: str) -> Iterator[Fault]:
        if not isinstance(value, str) or value not in words:
            yield Fault(where, f"{brief(value)} is not known.", f"Use one of {', '.join(sorted(words))}.")

    return check


def term(words: Collection[str], *, is_web: bool = False) -> Check:
    """Want a bare word of the vocabulary, or a URI outside it."""
    reserved = _WEB_VOC if is_web else _CBV

    def check(value: Any, where: str) -> Iterator[Fault]:
        if isinstance(value, str) and value in words:
            return
        if not is_uri(value) or reserved.match(value):
            mend = "Use the bare word of the standard's vocabulary, as shipping, or a URI of your own."
            yield Fault(where, f"{brief(value)} is no term of the vocabulary.", mend)

    return check


def many(check: Check, *, least: int = 0, is_set: bool = False) -> Check:
    """Want a list of what ``check`` wants."""

    def check_all(value: Any, where: str) -> Iterator[Fault]:
        if not isinstance(value, list):
            yield Fault(where, f"{brief(value)} is no list.", "Give a list: […].")
            return
        if len(value) < least:
            yield Fault(where, f"The list has {len(value)} entries.", f"Give at least {least}.")
        if is_set and all(isinstance(one, str) for one in value) and len(set(value)) < len(value):
            yield Fault(where, "An entry stands twice.", "Give each once.")
        for place, one in enumerate(value):
            yield from check(one, f"{where}[{place}]")

    return check_all


def thing(
    fields: Mapping[str, Check], *, needs: Iterable[str] = (), is_open: bool = False, may_add: bool = False
) -> Check:
    """
    Want an object with these fields.

    ``may_add`` admits extensions besides, whose names must be URIs; ``is_open`` admits anything.
    """
    needed = tuple(needs)

    def check(value: Any, where: str) -> Iterator[Fault]:
        if not isinstance(value, dict):
            yield Fault(where, f"{brief(value)} is no object.", "Give an object: {…}.")
            return
        for name in needed:
            if name not in value:
                yield Fault(within(where, name), "The field is missing.", "Add it.")
        for name, one in value.items():
            if (known := fields.get(name)) is not None:
                yield from known(one, within(where, name))
            elif not (is_open or (may_add and is_uri(name))):
                mend = "Remove it; fields of your own need a name with a prefix, as example:field."
                yield Fault(within(where, name), "The field is not known to the standard.", mend)

    return check


def within(where: str, name: str) -> str:
    """Return the path of a field."""
    shown = name if len(name) <= 60 else f"{name[:60]}…"
    return f"{where}.{shown}" if where else shown or "''"


def brief(value: Any) -> str:
    """Return a value as it is shown in a message, cut short."""
    if isinstance(value, (dict, list)):
        return "This"
    shown = repr(value) if not isinstance(value, int) or abs(value) < 10**40 else "The number"
    return shown if len(shown) <= 80 else f"{shown[:80]}…"
