"""Readings as a gateway sends them, in JSON or as SenML, each judged for itself."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimekeep.climate.core import senml
from rimekeep.climate.core.readings import FloatArray, to_celsius
from rimekeep.errors import Invalid, invalid
from rimekeep.wording import say

FIELDS = frozenset({"sensor", "at", "temp", "unit"})
CELSIUS = frozenset({"Cel", "C", "°C"})
# What a JSON reading calls by name has a label in a SenML record.
LABELS = {"sensor": "n", "at": "t", "temp": "v", "unit": "u"}
IntArray = NDArray[np.int64]
# (sensor code, instant, °C)
Said = tuple[str, datetime, float]


class Word(StrEnum):
    """What became of one reading."""

    STORED = "stored"
    REPEATED = "repeated"
    QUARANTINED = "quarantined"
    DIFFERS = "differs"
    UNKNOWN_SENSOR = "unknown sensor"
    UNKNOWN_UNIT = "unknown unit"
    IN_THE_FUTURE = "in the future"
    BOOKS_CLOSED = "books closed"
    NOT_AN_INSTANT = "not an instant"
    NOT_A_TEMPERATURE = "not a temperature"
    NOT_A_READING = "not a reading"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one reading; one that was not stored names the field, what is wrong and the mend."""

    word: Word
    field: str = ""
    detail: str = ""
    mend: str = ""

    @property
    def is_refused(self) -> bool:
        """Tell whether the reading was not taken."""
        return self.word not in (Word.STORED, Word.REPEATED, Word.QUARANTINED)


STORED = Outcome(Word.STORED)
REPEATED = Outcome(Word.REPEATED)


@dataclass(frozen=True, slots=True)
class Batch:
    """
    Readings column by column: codes, instants and temperatures of one length n, in the order sent.

    ``places`` says where in what was sent each stood, shape (n,); ``faults`` what is wrong with those that
    could not be read, by place; ``size`` how many there were of both. ``other_units`` shows a temperature
    as it was sent, by row, where that was not in °C. [ms since 1970, °C]
    """

    codes: list[str]
    at_ms: IntArray
    temp_c: FloatArray
    places: IntArray
    size: int
    faults: Mapping[int, Outcome] = field(default_factory=dict)
    other_units: Mapping[int, str] = field(default_factory=dict)
    is_pack: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a batch: whatever is not named here was stored."""

    size: int
    repeated: frozenset[int]
    faults: Mapping[int, Outcome]
    is_pack: bool = False

    @property
    def quarantined(self) -> int:
        """Return how many readings wait for QA's word."""
        return sum(outcome.word is Word.QUARANTINED for outcome in self.faults.values())

    @property
    def stored(self) -> int:
        """Return how many readings are new."""
        return self.size - len(self.repeated) - len(self.faults)

    def outcomes(self) -> list[Outcome]:
        """Return one outcome per reading, in the order sent."""
        return [
            self.faults.get(place) or (REPEATED if place in self.repeated else STORED)
            for place in range(self.size)
        ]

    def summary(self) -> dict[str, Any]:
        """Return what is told of it: the counts, and every reading that was not stored, with the mend."""
        quarantined = self.quarantined
        return {
            "stored": self.stored,
            "repeated": len(self.repeated),
            "quarantined": quarantined,
            "refused": len(self.faults) - quarantined,
            "faults": [self._told(place, outcome) for place, outcome in sorted(self.faults.items())],
        }

    def _told(self, place: int, outcome: Outcome) -> dict[str, Any]:
        name = LABELS.get(outcome.field, outcome.field) if self.is_pack else outcome.field
        return {
            "index": place,
            "outcome": outcome.word,
            "field": f"{'' if self.is_pack else 'readings'}[{place}].{name}".rstrip("."),
            "detail": outcome.detail,
            "mend": outcome.mend,
        }


def columns(said: Iterable[Said]) -> Batch:
    """Return readings already read as a batch."""
    rows = list(said)
    return Batch(
        [row[0] for row in rows],
        np.array([to_ms(row[1]) for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows], dtype=np.float64),
        np.arange(len(rows)),
        len(rows),
    )


def to_ms(at: datetime) -> int:
    """Return an instant as whole milliseconds since 1970."""
    return round(at.timestamp() * 1000)


def check_size(count: int, largest: int) -> None:
    """Refuse a batch nobody should send in one piece."""
    if count > largest:
        raise invalid(
            "readings",
            say("The batch holds {count} readings.", count=count),
            say("Send at most {largest} at once.", largest=largest),
            code="batch-too-large",
        )


@dataclass(slots=True)
class _Columns:
    """A batch while it is read one by one."""

    codes: list[str] = field(default_factory=list)
    at_ms: list[int] = field(default_factory=list)
    temp_c: list[float] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    faults: dict[int, Outcome] = field(default_factory=dict)
    other_units: dict[int, str] = field(default_factory=dict)

    def add(self, place: int, code: str, at_ms: int, temp: float, unit: str) -> None:
        try:
            temp_c = to_celsius(temp, unit)
        except Invalid as error:
            self.faults[place] = Outcome(
                Word.UNKNOWN_UNIT, "unit", error.faults[0].detail, error.faults[0].mend
            )
            return
        if unit not in CELSIUS:
            self.other_units[len(self.codes)] = f"{temp:g} {unit}"
        self.codes.append(code)
        self.at_ms.append(at_ms)
        self.temp_c.append(temp_c)
        self.places.append(place)

    def batch(self, size: int, *, is_pack: bool = False) -> Batch:
        return Batch(
            self.codes,
            np.array(self.at_ms, dtype=np.int64),
            np.array(self.temp_c, dtype=np.float64),
            np.array(self.places, dtype=np.int64),
            size,
            self.faults,
            self.other_units,
            is_pack,
        )


def read_batch(document: object, *, largest: int) -> Batch:
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
    Batch
        ``unit`` is Cel unless given; what cannot be read is among the faults.

    Raises
    ------
    Invalid
        The document is no such batch, or holds more than ``largest`` readings.
    """
    readings = document.get("readings") if isinstance(document, dict) else None
    if not isinstance(readings, list):
        raise invalid(
            "readings",
            say("The body holds no list of readings."),
            say('Send {"readings": [{"sensor", "at", "temp"}]}.'),
        )
    if isinstance(document, dict) and len(document) > 1:
        extra = next(name for name in document if name != "readings")
        raise invalid(str(extra)[:40], say("The body has no such field."), say("Remove it."))
    check_size(len(readings), largest)
    found = _Columns()
    for place, item in enumerate(readings):
        fault = _read(found, place, item)
        if fault is not None:
            found.faults[place] = fault
    return found.batch(len(readings))


def _read(
    found: _Columns, place: int, item: object, parse: Callable[[str], datetime] = datetime.fromisoformat
) -> Outcome | None:
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
        at_ms = instant_ms(at_text, parse)
    except ValueError:
        return Outcome(
            Word.NOT_AN_INSTANT,
            "at",
            f"{at_text[:40]!r} is not an instant with an offset.",
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
    found.add(place, code, at_ms, float(temp), unit if isinstance(unit, str) else repr(unit)[:40])
    return None


def instant_ms(text: str, parse: Callable[[str], datetime] = datetime.fromisoformat) -> int:
    """Return an instant written with its offset, in whole milliseconds since 1970, or raise ValueError."""
    at = parse(text)
    if at.tzinfo is None or not 1970 <= at.year < 9999:
        raise ValueError(text)
    return to_ms(at)


def read_records(pack: object, *, received_at: datetime | None, largest: int) -> Batch:
    """
    Read a SenML pack (RFC 8428).

    Parameters
    ----------
    pack
        The decoded JSON.
    received_at
        When it arrived, for times relative to now (RFC 8428, 4.5.3). None when nobody can tell, because the
        pack waited on the way: relative times are refused one by one then.
    largest
        Most records in a pack.

    Returns
    -------
    Batch
        One entry per numeric record; units other than Cel and K are among the faults.

    Raises
    ------
    Invalid
        The pack is no SenML, or holds more than ``largest`` records.
    """
    check_size(len(pack) if isinstance(pack, list) else 0, largest)
    now_s = received_at.timestamp() if received_at is not None else 0.0
    found = _Columns()
    records = sorted(senml.resolve(pack, received_at_s=now_s), key=lambda record: record.place)
    for record in records:
        fault = _resolved(found, record, is_dated=received_at is not None)
        if fault is not None:
            found.faults[record.place] = fault
    # Records without a number of their own (base fields, sums) are no readings and count as none.
    return found.batch(len(records), is_pack=True)


def _resolved(found: _Columns, record: senml.Resolved, *, is_dated: bool) -> Outcome | None:
    if record.unit not in senml.TEMPERATURE_UNITS:
        said = (
            "The record has no unit." if record.unit is None else f"{record.unit[:40]!r} is no temperature."
        )
        return Outcome(
            Word.UNKNOWN_UNIT, "unit", said, "Send temperatures in Cel or K, and nothing else here."
        )
    if not is_dated and record.at_s < senml.RELATIVE_BELOW_S:
        return Outcome(
            Word.NOT_AN_INSTANT,
            "at",
            "The time is relative to the moment of arrival, and the pack may have waited on the way.",
            "Send seconds since 1970, as a base time (bt) for instance.",
        )
    if not 0 <= record.at_s < senml.END_S:
        return Outcome(Word.NOT_AN_INSTANT, "at", f"{record.at_s} is no time.", "Send seconds since 1970.")
    if not -1e9 < record.value < 1e9:
        return Outcome(
            Word.NOT_A_TEMPERATURE, "temp", "The number is not a temperature.", "Leave the reading out."
        )
    found.add(record.place, record.name, round(record.at_s * 1000), record.value, record.unit)
    return None


def at_of(at_ms: int) -> datetime:
    """Return whole milliseconds since 1970 as an instant."""
    return datetime.fromtimestamp(at_ms / 1000, UTC)
