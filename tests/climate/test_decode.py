"""Readings read in one pass and read item by item are the same readings; what cannot be meant is told by place."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.climate import usecases
from rimekeep.climate.core.batch import Batch, Word, read_batch, read_records
from rimekeep.errors import Fault, Invalid

RECEIVED = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
LARGEST = 10_000


def same(one: Batch, other: Batch) -> None:
    assert one.codes == other.codes
    assert one.at_ms.tolist() == other.at_ms.tolist()
    assert one.temp_c.tolist() == other.temp_c.tolist()
    assert one.places.tolist() == other.places.tolist()
    assert (one.size, one.is_pack) == (other.size, other.is_pack)
    assert dict(one.faults) == dict(other.faults)
    assert dict(one.other_units) == dict(other.other_units)


# Written without an offset here; the offset is drawn apart.
EARLIEST, LATEST = datetime.fromisoformat("1995-01-01"), datetime.fromisoformat("2040-01-01")
OFFSETS = st.sampled_from(["Z", "+00:00", "+01:00", "-09:30", "", "+05:45"])
INSTANTS = st.builds(
    lambda at, fraction, offset: at.strftime("%Y-%m-%dT%H:%M:%S") + fraction + offset,
    st.datetimes(EARLIEST, LATEST),
    st.sampled_from(["", ".5", ".123", ".123456", ".0005"]),
    OFFSETS,
)
GOOD = st.fixed_dictionaries(
    {
        "sensor": st.sampled_from(["a", "b", "room2:air"]),
        "at": INSTANTS,
        "temp": st.floats(-80, 100) | st.integers(-80, 100),
    },
    optional={"unit": st.sampled_from(["Cel", "C", "°C", "F", "K", "R"])},
)
ODD = st.one_of(
    st.none(),
    st.integers(),
    st.fixed_dictionaries(
        {
            "sensor": st.none() | st.text(max_size=3),
            "at": st.none() | st.text(max_size=5),
            "temp": st.none() | st.booleans(),
        },
        optional={"humidity": st.integers()},
    ),
)


@settings(max_examples=100, deadline=None)
@given(st.lists(GOOD, max_size=8) | st.lists(GOOD | ODD, max_size=8))
def test_json_is_read_alike_both_ways(readings: list[Any]) -> None:
    document = {"readings": readings}
    same(usecases.read_json(json.dumps(document).encode()), read_batch(document, largest=LARGEST))


def or_faults(read: Callable[[], Batch]) -> Batch | tuple[Fault, ...]:
    """What was read, or why it cannot be."""
    try:
        return read()
    except Invalid as error:
        return error.faults


PLAIN = st.fixed_dictionaries(
    {"n": st.sampled_from(["a", "b"]), "v": st.floats(-80, 100) | st.integers(-80, 100)},
    optional={
        "t": st.integers(0, 10**6) | st.floats(0, 10**6),
        "u": st.sampled_from(["Cel", "K", "%RH"]),
        "bn": st.sampled_from(["room2:", "x-"]),
        "bt": st.sampled_from([0, 1_772_352_000, 1_772_352_000.25]),
        "bu": st.just("Cel"),
        "bver": st.sampled_from([10, 5]),
        "bv": st.just(1.5),
        "must_": st.just(1),
    },
)
BASE = st.just({"bn": "room1:", "bt": 1_772_352_000, "bu": "Cel"})


@settings(max_examples=100, deadline=None)
@given(st.lists(PLAIN, max_size=6) | st.tuples(BASE, PLAIN, PLAIN, PLAIN).map(list))
def test_senml_is_read_alike_both_ways(pack: list[dict[str, Any]]) -> None:
    body = json.dumps(pack).encode()
    for received_at in (RECEIVED, None):
        slow = or_faults(lambda at=received_at: read_records(pack, received_at=at, largest=LARGEST))
        fast = or_faults(lambda at=received_at: usecases.read_senml(body, received_at=at))
        if isinstance(slow, Batch) and isinstance(fast, Batch):
            same(fast, slow)
        else:
            assert fast == slow


@pytest.mark.parametrize("record", records("senml"), ids=by_id)
def test_senml_vectors_are_read_alike_both_ways(record: dict[str, Any]) -> None:
    """RFC 8428, sections 4 and 5, by our check file."""
    pack = record["inputs"]["pack"]
    body = json.dumps(pack).encode()
    if not record["expected"]["valid"]:
        with pytest.raises(Invalid):
            usecases.read_senml(body, received_at=RECEIVED)
        return
    same(
        usecases.read_senml(body, received_at=RECEIVED),
        read_records(pack, received_at=RECEIVED, largest=LARGEST),
    )


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-16T05:00:00",  # no time zone
        "2026-03-16",
        "0001-01-01T00:00:00Z",
        "9999-12-31T23:59:59Z",
        "1969-12-31T23:59:59Z",
        "2026-02-29T00:00:00Z",
        "2026-03-16T25:00:00Z",
        "16.03.2026 05:00",
        "",
        "1773640200",
    ],
)
def test_what_is_no_instant_is_told_so(text: str) -> None:
    body = json.dumps({"readings": [{"sensor": "a", "at": text, "temp": 3}]}).encode()
    batch = usecases.read_json(body)
    assert batch.codes == []
    assert batch.faults[0].word is Word.NOT_AN_INSTANT
    assert batch.faults[0].field == "at"


@pytest.mark.parametrize(
    "temp", ["NaN", "Infinity", "-Infinity", "1e400", "1e9", "null", "true", '"3"', "[]"]
)
def test_what_is_no_temperature_is_told_so_and_costs_its_neighbour_nothing(temp: str) -> None:
    good = '{"sensor": "a", "at": "2026-03-16T05:00:00Z", "temp": 3}'
    body = f'{{"readings": [{good}, {good.replace("3}", temp + "}")}]}}'.encode()
    batch = usecases.read_json(body)
    assert (batch.codes, batch.temp_c.tolist()) == (["a"], [3.0])
    assert batch.faults[1].word is Word.NOT_A_TEMPERATURE


@pytest.mark.parametrize("unit", ["%RH", "lx", "Far", "degC", None])
def test_senml_units_other_than_cel_and_k_are_refused_one_by_one(unit: str | None) -> None:
    """RFC 8428, section 12.1: Cel and K are the registered units of temperature (Cel preferred)."""
    other = {"n": "a", "v": 80} if unit is None else {"n": "a", "u": unit, "v": 80}
    pack = [other, {"bt": 1_772_352_000, "n": "b", "u": "Cel", "v": 3.5}]
    batch = usecases.read_senml(json.dumps(pack).encode(), received_at=RECEIVED)
    assert (batch.codes, batch.temp_c.tolist(), batch.places.tolist()) == (["b"], [3.5], [1])
    assert batch.faults[0].word is Word.UNKNOWN_UNIT


def test_relative_times_are_refused_when_nobody_knows_when_they_were_sent() -> None:
    pack = [{"n": "a", "u": "Cel", "v": 3.5, "t": -10}]
    batch = usecases.read_senml(json.dumps(pack).encode(), received_at=None)
    assert batch.faults[0].word is Word.NOT_AN_INSTANT
    held = usecases.read_senml(json.dumps(pack).encode(), received_at=RECEIVED)
    assert held.at_ms.tolist() == [int(RECEIVED.timestamp() * 1000) - 10_000]


def test_no_readings_are_a_batch_too() -> None:
    batch = usecases.read_json(b'{"readings": []}')
    assert (batch.size, batch.codes, dict(batch.faults)) == (0, [], {})
    assert batch.temp_c.dtype == np.float64
