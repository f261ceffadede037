"""SenML packs, against RFC 8428's example and packs resolved by two other routines."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.climate.core.senml import SenmlError, readings, resolve
from rimekeep.errors import Invalid

NOW_S = 1_772_352_000.0


def _now(record: dict[str, Any]) -> float:
    now = record["inputs"]["now"]
    return NOW_S if now is None else float(now)


@pytest.mark.parametrize("record", [r for r in records("senml") if r["expected"]["valid"]], ids=by_id)
def test_pack_resolves_as_the_standard_says(record: dict[str, Any]) -> None:
    resolved = resolve(record["inputs"]["pack"], received_at_s=_now(record))
    expected = record["expected"]["readings"]
    assert [(one.name, one.unit) for one in resolved] == [(one["name"], one["unit"]) for one in expected]
    assert [one.at_s for one in resolved] == pytest.approx([one["t"] for one in expected], abs=1e-6)
    assert [one.value for one in resolved] == pytest.approx([one["v"] for one in expected], abs=1e-9)


@pytest.mark.parametrize("record", [r for r in records("senml") if r["expected"]["valid"]], ids=by_id)
def test_only_temperatures_come_out_as_readings(record: dict[str, Any]) -> None:
    found = readings(record["inputs"]["pack"], received_at_s=_now(record))
    expected = [one for one in record["expected"]["readings"] if "temp_c" in one]
    assert [name for name, _, _ in found] == [one["name"] for one in expected]
    assert [temp for _, _, temp in found] == pytest.approx([one["temp_c"] for one in expected], abs=1e-9)


@pytest.mark.parametrize("record", [r for r in records("senml") if not r["expected"]["valid"]], ids=by_id)
def test_invalid_pack_is_refused(record: dict[str, Any]) -> None:
    with pytest.raises(SenmlError):
        readings(record["inputs"]["pack"], received_at_s=NOW_S)


GOOD = {"n": "t", "u": "Cel", "v": 3.5}


@pytest.mark.parametrize(
    ("pack", "field"),
    [
        ([], "pack"),
        ({"n": "t"}, "pack"),
        ("[]", "pack"),
        (None, "pack"),
        ([GOOD, 7], "[1]"),
        ([GOOD, [GOOD]], "[1]"),
        ([{**GOOD, 3: 1}], "[0]"),
        ([{**GOOD, "v": "3.5"}], "[0].v"),
        ([{**GOOD, "v": True}], "[0].v"),
        ([{**GOOD, "v": None}], "[0].v"),
        ([{**GOOD, "v": float("nan")}], "[0].v"),
        ([{**GOOD, "v": 10**400}], "[0].v"),
        ([{**GOOD, "v": {"v": 1}}], "[0].v"),
        ([{**GOOD, "bv": 1e308, "v": 1e308}], "[0].v"),
        ([{**GOOD, "t": "now"}], "[0].t"),
        ([{**GOOD, "bt": 1e308, "t": 1e308}], "[0].t"),
        ([{**GOOD, "bt": [1]}], "[0].bt"),
        ([{**GOOD, "bs": "x"}], "[0].bs"),
        ([{**GOOD, "s": "x"}], "[0].s"),
        ([{**GOOD, "ut": "x"}], "[0].ut"),
        ([{**GOOD, "u": 3}], "[0].u"),
        ([{**GOOD, "bu": 3}], "[0].bu"),
        ([{**GOOD, "n": 3}], "[0].n"),
        ([{**GOOD, "bn": []}], "[0].bn"),
        ([{**GOOD, "n": ""}], "[0].n"),
        ([{**GOOD, "n": "-t"}], "[0].n"),
        ([{**GOOD, "n": "t\n"}], "[0].n"),
        ([{**GOOD, "n": "tür"}], "[0].n"),
        ([{"u": "Cel", "v": 1}], "[0].n"),
        ([{**GOOD, "vs": "x"}], "[0].vs"),
        ([{"n": "t", "vb": 1}], "[0].vb"),
        ([{"n": "t", "vs": 1}], "[0].vs"),
        ([{"n": "t", "u": "Cel"}], "[0].v"),
        ([{**GOOD, "bver": True}], "[0].bver"),
        ([{**GOOD, "bver": 10.0}], "[0].bver"),
        ([{**GOOD, "bver": 0}], "[0].bver"),
        ([{**GOOD, "bver": 9}, {**GOOD, "bver": 10}], "[1].bver"),
        ([GOOD, {**GOOD, "bver": 5}], "[1].bver"),
        ([GOOD, {**GOOD, "bt_": 5}], "[1].'bt_'"),
    ],
)
def test_fault_names_record_and_field(pack: object, field: str) -> None:
    with pytest.raises(SenmlError) as caught:
        readings(pack, received_at_s=NOW_S)
    assert caught.value.faults[0].field == field
    assert caught.value.faults[0].mend
    assert isinstance(caught.value, Invalid)


def test_bases_of_an_own_record_hold_for_those_after_it() -> None:
    pack = [
        {"bn": "dock:", "bu": "K", "bt": -30.0, "bv": 273.15, "bver": 10},
        {"n": "a", "v": 2.0},
        {"n": "b", "v": 5.0, "t": 30},
    ]
    found = readings(pack, received_at_s=NOW_S)
    assert [(name, at) for name, at, _ in found] == [("dock:a", NOW_S - 30), ("dock:b", NOW_S)]
    assert [temp for _, _, temp in found] == pytest.approx([2.0, 5.0])


def test_text_flags_and_sums_are_passed_over() -> None:
    pack = [{"n": "door", "vb": True}, {"n": "note", "vs": "ok"}, {"n": "kwh", "u": "J", "s": 5}, GOOD]
    assert readings(pack, received_at_s=NOW_S) == [("t", NOW_S, 3.5)]


def test_time_of_two_to_the_28th_is_absolute_and_one_less_is_relative() -> None:
    pack = [{**GOOD, "n": "old", "t": 2**28}, {**GOOD, "n": "now", "t": 2**28 - 1}]  # RFC 8428, 4.5.3
    found = [(name, at) for name, at, _ in readings(pack, received_at_s=NOW_S)]
    assert found == [("old", 2.0**28), ("now", NOW_S + 2**28 - 1)]


def test_records_of_one_time_keep_the_order_sent() -> None:
    pack = [{**GOOD, "n": name, "t": time} for name, time in (("c", 0), ("a", -5), ("b", 0))]
    assert [name for name, _, _ in readings(pack, received_at_s=NOW_S)] == ["a", "c", "b"]


def test_name_too_long_to_show_is_cut() -> None:
    with pytest.raises(SenmlError) as caught:
        readings([{**GOOD, "n": " " * 10_000}], received_at_s=NOW_S)
    assert len(str(caught.value)) < 400


anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from([10**400, 2**28]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)
labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_"]
)
likely = st.sampled_from(["a", "Cel", "K", 3.5, -20, 10, 2**28, True])


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        anything,
        st.lists(st.one_of(anything, st.dictionaries(labels, st.one_of(likely, anything))), max_size=4),
    )
)
def test_hostile_pack_never_raises_anything_else(pack: object) -> None:
    found, field = [], "read"
    try:
        found = readings(pack, received_at_s=NOW_S)
    except SenmlError as error:
        field = error.faults[0].field
    assert field
    assert [at for _, at, _ in found] == sorted(at for _, at, _ in found)
    json.dumps(found, allow_nan=False)
