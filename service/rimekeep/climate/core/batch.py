"""Readings as a gateway sends them in JSON, each judged for itself."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from rimekeep.climate.core.readings import to_celsius
from rimekeep.errors import Invalid, invalid

FIELDS = frozenset({"sensor", "at", "temp", "unit"})
# (sensor code, instant, °C)
Said = tuple[str, datetime, float]


class Word(StrEnum):
    """What became of one reading."""

    STORED = "stored"
    REPEATED = "repeated"
    DIFFERS = "differs"
    UNKNOWN_SENSOR = "unknown sensor"
    UNKNOWN_UNIT = "unknown unit"
    IN_THE_FUTURE = "in the future"
    NOT_AN_INSTANT = "not an instant"
    NOT_A_TEMPERATURE = "not a temperature"
    NOT_A_READING = "not a reading"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one reading; a refused one names the field, what is wrong and the mend."""

    word: Word
    field: str = ""
    detail: str = ""
    mend: str = ""

    @property
    def is_refused(self) -> bool:
        """Tell whether the reading was not taken."""
        return self.word not in (Word.STORED, Word.REPEATED)


def read_batch(document: object, *, largest: int) -> list[Said | Outcome]:
    """
    Read ``{"readings": [{"sensor", "at", "temp", "unit"}, …]}``.

    Parameters
    ----------
    document
        The decoded JSON.
    largest
        Most readings in a batch.

    Returns
    -------
    list
        One entry per reading, in order: (sensor code, instant, °C), or what is wrong with it. ``unit`` is Cel
        unless given.

    Raises
    ------
    Invalid
        The document is no such batch, or holds more than ``largest`` readings.
    """
    readings = document.get("readings") if isinstance(document, dict) else None
    if not isinstance(readings, list):
        raise invalid(
            "readings",
            "The body holds no list of readings.",
            'Send {"readings": [{"sensor", "at", "temp"}]}.',
        )
    if isinstance(document, dict) and len(document) > 1:
        extra = next(name for name in document if name != "readings")
        raise invalid(str(extra)[:40], "The body has no such field.", "Remove it.")
    if len(readings) > largest:
        raise invalid(
            "readings",
            f"The batch holds {len(readings)} readings.",
            f"Send at most {largest} at once.",
            code="batch-too-large",
        )
    return [_read(item) for item in readings]


def _read(item: object, parse: Callable[[str], datetime] = datetime.fromisoformat) -> Said | Outcome:
    if not isinstance(item, dict):
        return Outcome(Word.NOT_A_READING, "", "A reading is an object.", "Send {sensor, at, temp}.")
    code, at_text, temp = item.get("sensor"), item.get("at"), item.get("temp")
    unit = item.get("unit", "Cel")
    if not item.keys() <= FIELDS:
        extra = next(str(name) for name in item if name not in FIELDS)
        return Outcome(
            Word.NOT_A_READING, extra[:40], "A reading has no such field.", "Send sensor, at, temp and unit."
        )
    if not isinstance(code, str):
        return Outcome(
            Word.UNKNOWN_SENSOR,
            "sensor",
            "The sensor's code is not a text.",
            "Send the code it is registered by.",
        )
    if not isinstance(at_text, str):
        return Outcome(
            Word.NOT_AN_INSTANT, "at", "The time is not a text.", "Send RFC 3339: 2026-03-01T06:00:00Z."
        )
    try:
        at = parse(at_text)
        is_aware = at.tzinfo is not None and 1970 <= at.year < 9999
    except ValueError:
        is_aware = False
    if not is_aware:
        shown = at_text[:40]
        return Outcome(
            Word.NOT_AN_INSTANT,
            "at",
            f"{shown!r} is not an instant with an offset.",
            "Send RFC 3339: 2026-03-01T06:00:00Z.",
        )
    if isinstance(temp, bool) or not isinstance(temp, int | float):
        return Outcome(
            Word.NOT_A_TEMPERATURE, "temp", "The temperature is not a number.", "Send a JSON number."
        )
    if not -1e9 < temp < 1e9:  # a NaN fails this too
        return Outcome(
            Word.NOT_A_TEMPERATURE, "temp", "The number is not a temperature.", "Leave the reading out."
        )
    if unit == "Cel":
        return code, at, float(temp)
    try:
        return code, at, to_celsius(float(temp), unit if isinstance(unit, str) else repr(unit)[:40])
    except Invalid as error:
        fault = error.faults[0]
        return Outcome(Word.UNKNOWN_UNIT, "unit", fault.detail, fault.mend)
