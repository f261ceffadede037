"""
Sensor measurement lists (SenML, RFC 8428), resolved to absolute readings.

A gateway may send anything; whatever cannot be read under the RFC ends in a `SenmlError` that names the
record and the field, and in nothing else.
"""

import math
import re
from dataclasses import dataclass

from rimekeep.climate.core.readings import to_celsius
from rimekeep.errors import Fault, Invalid

VERSION = 10  # RFC 8428, 4.4: the version this reader understands, and the default
RELATIVE_BELOW_S = 2**28  # RFC 8428, 4.5.3: smaller times are relative to now
END_S = 253_370_764_800.0  # the year 9999: later is no time a calendar has
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)  # RFC 8428, 4.5.1
TEMPERATURE_UNITS = ("Cel", "K")

BASE_LABELS = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
VALUE_LABELS = ("v", "vs", "vb", "vd")
KNOWN_LABELS = BASE_LABELS | {*VALUE_LABELS, "n", "u", "s", "t", "ut"}
LONGEST_SHOWN = 40


class SenmlError(Invalid):
    """The pack is not SenML as RFC 8428 has it; the fault's field is ``[record].label``."""


@dataclass(frozen=True, slots=True)
class Resolved:
    """One numeric record with every base applied: POSIX time, full name, own unit, place in the pack."""

    name: str
    unit: str | None
    at_s: float
    value: float
    place: int = 0


def readings(pack: object, *, received_at_s: float) -> list[tuple[str, float, float]]:
    """
    Return the temperatures of a SenML pack.

    Parameters
    ----------
    pack
        The decoded JSON: a list of records.
    received_at_s
        When the pack arrived; times below 2**28 count from here. [s since 1970]

    Returns
    -------
    list of (name, at_s, temp_c)
        Ascending in time, in the order sent where times are equal. Records in other units than Cel and K are
        checked and left out. [s since 1970], [°C]

    Raises
    ------
    SenmlError
        The pack breaks the RFC, or holds a number that is not finite.

    References
    ----------
    RFC 8428, Sensor Measurement Lists, sections 4.1 to 4.6.

    Examples
    --------
    >>> readings([{"bn": "room2:", "bt": 1772352000, "bu": "Cel", "n": "air", "v": 3.5}], received_at_s=0)
    [('room2:air', 1772352000.0, 3.5)]
    """
    return [
        (record.name, record.at_s, to_celsius(record.value, record.unit))
        for record in resolve(pack, received_at_s=received_at_s)
        if record.unit in TEMPERATURE_UNITS
    ]


def resolve(pack: object, *, received_at_s: float) -> list[Resolved]:
    """Return every numeric record, of any unit, resolved and in order of time; errors as `readings`."""
    now_s = _number(received_at_s, "received_at_s")
    if not isinstance(pack, list | tuple) or not pack:
        raise _error("pack", "A SenML pack is a list of one record or more.", "Send a JSON array of objects.")
    base = _Base()
    resolved = []
    for index, record in enumerate(pack):
        if not isinstance(record, dict):
            raise _error(f"[{index}]", "A SenML record is an object.", "Send a JSON array of objects.")
        found = _record(index, record, base, now_s)
        if found is not None:
            resolved.append(found)
    return sorted(resolved, key=lambda one: one.at_s)


@dataclass(slots=True)
class _Base:
    """The base fields in force, carried from record to record."""

    name: str = ""
    time_s: float = 0.0
    unit: str | None = None
    value: float = 0.0
    version: int | None = None


def _record(index: int, record: dict[object, object], base: _Base, now_s: float) -> Resolved | None:
    _check_labels(index, record)
    _take_base(index, record, base)
    values = [label for label in VALUE_LABELS if label in record]
    if len(values) > 1:
        raise _error(f"[{index}].{values[1]}", "A record has one value.", "Send one of v, vs, vb, vd.")
    if not values and "s" not in record:
        if record.keys() & {"n", "u", "t", "ut"}:
            raise _error(f"[{index}].v", "The record has neither a value nor a sum.", "Send v.")
        return None  # base fields only: they hold for the records after it
    name = base.name + (_text(record["n"], f"[{index}].n") if "n" in record else "")
    if not NAME.fullmatch(name):
        raise _error(
            f"[{index}].n",
            f"The full name {_shown(name)} is not one the standard allows.",
            "Start with a letter or digit and use letters, digits and - : . / _ only.",
        )
    unit = _text(record["u"], f"[{index}].u") if "u" in record else base.unit
    time_s = _finite(base.time_s + _optional(record, "t", index), f"[{index}].t")
    at_s = _finite(now_s + time_s if time_s < RELATIVE_BELOW_S else time_s, f"[{index}].t")
    for label in ("s", "ut"):
        _optional(record, label, index)
    if values != ["v"]:
        _check_other_value(index, record, values)
        return None
    value = _finite(base.value + _number(record["v"], f"[{index}].v"), f"[{index}].v")
    return Resolved(name, unit, at_s, value, index)


def _check_labels(index: int, record: dict[object, object]) -> None:
    for label in record:
        if not isinstance(label, str):
            raise _error(f"[{index}]", "A label is not a string.", "Send JSON objects.")
        if label.endswith("_") and label not in KNOWN_LABELS:
            raise _error(
                f"[{index}].{_shown(label)}",
                "A label ending in _ must be understood, and this one is not known here.",
                "Leave it out, or send the reading without the extension.",
            )


def _take_base(index: int, record: dict[object, object], base: _Base) -> None:
    if "bver" in record:
        version = record["bver"]
        if isinstance(version, bool) or not isinstance(version, int) or not 1 <= version <= VERSION:
            raise _error(f"[{index}].bver", f"The version is not 1 to {VERSION}.", f"Send version {VERSION}.")
    in_force = base.version or VERSION
    version_now = record.get("bver", in_force)
    if index > 0 and version_now != in_force:
        raise _error(f"[{index}].bver", "The version changes inside the pack.", "Send one version for all.")
    base.version = version_now if isinstance(version_now, int) else in_force
    if "bn" in record:
        base.name = _text(record["bn"], f"[{index}].bn")
    if "bu" in record:
        base.unit = _text(record["bu"], f"[{index}].bu")
    if "bt" in record:
        base.time_s = _number(record["bt"], f"[{index}].bt")
    if "bv" in record:
        base.value = _number(record["bv"], f"[{index}].bv")
    _optional(record, "bs", index)


def _check_other_value(index: int, record: dict[object, object], values: list[str]) -> None:
    for label in values:
        wanted = bool if label == "vb" else str
        if not isinstance(record[label], wanted):
            raise _error(f"[{index}].{label}", f"The value is not a {wanted.__name__}.", "Send numbers as v.")


def _optional(record: dict[object, object], label: str, index: int) -> float:
    return _number(record[label], f"[{index}].{label}") if label in record else 0.0


def _number(value: object, field: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _error(field, "The value is not a number.", "Send a JSON number.")
    try:
        return _finite(float(value), field)
    except OverflowError:
        raise _error(field, "The number is too large.", "Check the sensor's unit.") from None


def _finite(value: float, field: str) -> float:
    if not math.isfinite(value):
        raise _error(field, "The number is not finite.", "Leave the record out; JSON has no NaN or infinity.")
    return value


def _text(value: object, field: str) -> str:
    if not isinstance(value, str):
        raise _error(field, "The value is not a string.", "Send a JSON string.")
    return value


def _shown(text: str) -> str:
    return repr(text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "…")


def _error(field: str, detail: str, mend: str) -> SenmlError:
    return SenmlError("senml", "The SenML pack cannot be read.", (Fault(field, detail, mend),))
