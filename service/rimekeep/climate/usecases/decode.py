"""
Batches of readings from their bytes, in one pass where all is as it should be.

A body that fits the form exactly is read straight into columns. Any other is read again, item by item, by
the rules in ``core``, which alone say what is wrong; so the two ways must agree on every body the first one
takes.
"""

from datetime import datetime
from operator import attrgetter
from typing import Literal

import msgspec
import numpy as np
from pydantic_core import from_json

from rimekeep.climate.core import senml
from rimekeep.climate.core.batch import Batch, check_size, instant_ms, read_batch, read_records
from rimekeep.climate.usecases.readings import MAX_BATCH
from rimekeep.errors import invalid
from rimekeep.wording import say


class _Reading(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    sensor: str
    at: str
    temp: float
    # As in CELSIUS; any other unit is read item by item.
    unit: Literal["Cel", "C", "°C"] = "Cel"


class _Readings(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    readings: list[_Reading]


class _Record(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A SenML record of the plain kind: base fields, a name, a time, a number."""

    n: str | None = None
    t: float | None = None
    v: float | None = None
    u: str | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bver: int = senml.VERSION


_READINGS = msgspec.json.Decoder(_Readings)
_RECORDS = msgspec.json.Decoder(list[_Record])
# Applied by `map`, without a step of the interpreter for each reading.
_SENSOR, _AT, _TEMP = (attrgetter(name) for name in ("sensor", "at", "temp"))


def read_json(body: bytes) -> Batch:
    """Read ``{"readings": […]}``; what is wrong with single readings is among the batch's faults."""
    try:
        readings = _READINGS.decode(body).readings
        texts = list(map(_AT, readings))
        instants = {text: instant_ms(text) for text in set(texts)}
    except (msgspec.DecodeError, ValueError):
        return read_batch(_decoded(body), largest=MAX_BATCH)
    size = len(readings)
    temp_c = np.fromiter(map(_TEMP, readings), np.float64, size)
    if (np.abs(temp_c) >= 1e9).any():
        return read_batch(_decoded(body), largest=MAX_BATCH)
    check_size(size, MAX_BATCH)
    at_ms = np.fromiter(map(instants.__getitem__, texts), np.int64, size)
    return Batch(list(map(_SENSOR, readings)), at_ms, temp_c, np.arange(size), size)


def read_senml(body: bytes, *, received_at: datetime | None) -> Batch:
    """Read a SenML pack; ``received_at`` None refuses times relative to the arrival, one by one."""
    try:
        records = _RECORDS.decode(body)
    except (msgspec.DecodeError, ValueError):
        records = []
    batch = _plain_pack(records) if 0 < len(records) <= MAX_BATCH else None
    if batch is None:
        return read_records(_decoded(body), received_at=received_at, largest=MAX_BATCH)
    return batch


def _plain_pack(records: list[_Record]) -> Batch | None:
    """Return a pack of absolute times, names as they should be and °C only; None for any other."""
    base_name, base_s, base_unit = "", 0.0, None
    codes, at_s, temp_c, places = [], [], [], []
    units: set[str | None] = set()
    for place, one in enumerate(records):
        if one.bn is not None:
            base_name = one.bn
        if one.bt is not None:
            base_s = one.bt
        if one.bu is not None:
            base_unit = one.bu
        if one.bver != senml.VERSION:
            return None
        if one.v is None:
            if one.n is not None or one.t is not None or one.u is not None:
                return None
            continue
        codes.append(base_name + (one.n or ""))
        at_s.append(base_s + (one.t or 0.0))
        temp_c.append(one.v)
        places.append(place)
        units.add(one.u if one.u is not None else base_unit)
    times = np.array(at_s, dtype=np.float64)
    temps = np.array(temp_c, dtype=np.float64)
    if (
        units != {"Cel"}
        or not all(senml.NAME.fullmatch(code) for code in set(codes))
        or not ((times >= senml.RELATIVE_BELOW_S) & (times < senml.END_S)).all()
        or not (np.abs(temps) < 1e9).all()
    ):
        return None
    at_ms = np.rint(times * 1000).astype(np.int64)
    return Batch(codes, at_ms, temps, np.array(places, dtype=np.int64), len(codes), is_pack=True)


def _decoded(body: bytes) -> object:
    try:
        return from_json(body)
    except ValueError as error:
        raise invalid(
            "body", say("The body is not JSON: {error}.", error=error), say("Send a JSON document in UTF-8.")
        ) from None
