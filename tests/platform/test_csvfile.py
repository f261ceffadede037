"""CSV is read as it was meant, or refused with the line, the column and what would be right."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid
from rimekeep.platform.csvfile import (
    MAX_FAULTS,
    CellError,
    Column,
    Dialect,
    ImportReport,
    Row,
    code,
    count,
    day,
    decimal,
    instant,
    name,
    read_rows,
    repeated,
    text,
    whole,
    word,
    yes_no,
)

COLUMNS = (
    Column("sku", code),
    Column("name", text),
    Column("mass_kg", decimal),
    Column("cases", count, is_required=False, default=0),
)
COMMA, SEMICOLON = Dialect(","), Dialect(";")


def values(content: str | bytes, **kwargs: Any) -> list[dict[str, object]]:
    data = content.encode() if isinstance(content, str) else content
    read = read_rows(data, COLUMNS, **kwargs)
    assert read.faults == []
    return [row.values for row in read.rows]


def faults(content: str) -> list[tuple[int, str, str]]:
    return [(fault.line, fault.column, fault.detail) for fault in read_rows(content.encode(), COLUMNS).faults]


def refusal(data: bytes, **kwargs: Any) -> tuple[str, str, str]:
    with pytest.raises(Invalid) as caught:
        read_rows(data, COLUMNS, **kwargs)
    (fault,) = caught.value.faults
    return fault.field, fault.detail, fault.mend


PLAIN = "sku,name,mass_kg,cases\nA-1,Märzen,18.5,48\n"
EXPECTED = [{"sku": "A-1", "name": "Märzen", "mass_kg": 18.5, "cases": 48}]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_unicode_with_and_without_a_mark_is_recognised(encoding: str) -> None:
    assert values(PLAIN.encode(encoding)) == EXPECTED


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_a_mark_is_refused_and_its_name_said(encoding: str) -> None:
    where, _, mend = refusal(PLAIN.replace("ä", "ae").encode(encoding))
    assert where == "line 1"
    assert encoding in mend
    assert values(PLAIN.encode(encoding), encoding=encoding) == EXPECTED


def test_cp1252_is_refused_with_its_line_and_read_when_named() -> None:
    data = PLAIN.encode("cp1252")
    where, detail, mend = refusal(data)
    assert where == "line 2"
    assert "0xE4" in detail
    assert "--encoding cp1252" in mend
    assert values(data, encoding="cp1252") == EXPECTED


def test_a_mark_wins_over_a_wrongly_named_encoding() -> None:
    assert values(PLAIN.encode("utf-8-sig"), encoding="cp1252") == EXPECTED


@pytest.mark.parametrize("encoding", ["klingon", "base64", "idna", "utf-16\x00"])
def test_an_unusable_encoding_is_refused_as_such(encoding: str) -> None:
    assert refusal(PLAIN.encode(), encoding=encoding)[0] in {"encoding", "line 2"}


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separators_are_recognised_by_the_heading(separator: str) -> None:
    assert values(PLAIN.replace(",", separator)) == EXPECTED


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_system_are_read(end: str) -> None:
    assert values(PLAIN.replace("\n", end)) == EXPECTED


def test_semicolons_allow_decimal_commas() -> None:
    assert values("sku;name;mass_kg\nA-1;Lager;18,5\n")[0]["mass_kg"] == 18.5


def test_a_comma_between_commas_is_never_a_decimal_sign() -> None:
    (fault,) = faults('sku,name,mass_kg\nA-1,Lager,"18,5"\n')
    assert fault[:2] == (2, "mass_kg")
    assert "two ways" in fault[2]


@pytest.mark.parametrize("cell", ["1.234,5", "1,234.5", "1,234,567"])
def test_numbers_with_thousands_are_refused_as_readable_in_two_ways(cell: str) -> None:
    with pytest.raises(CellError, match="two ways") as caught:
        decimal(cell, SEMICOLON)
    assert "no thousands separators" in caught.value.mend


def test_a_thousand_may_hide_behind_either_sign_in_a_file_with_both() -> None:
    mixed = "sku;name;mass_kg\nA-1;Lager;18,5\nA-2;Lager;1.234\nA-3;Lager;0.125\n"
    assert [fault[:2] for fault in faults(mixed)] == [(3, "mass_kg")]
    assert [fault[:2] for fault in faults(mixed.replace("18,5", "1,500").replace("1.234", "18.5"))] == [
        (2, "mass_kg")
    ]


def test_three_decimals_are_read_where_nothing_else_is_likely() -> None:
    assert values("sku;name;mass_kg\nA-1;Lager;1.234\nA-2;Lager 0,5 l;2.5\n")[0]["mass_kg"] == 1.234


@pytest.mark.parametrize(
    "cell", ["", "abc", "1_000", "١٢", "nan", "inf", "-", "1e400", "12 5", "--1", "1e13", "0x10"]
)
def test_what_is_no_number_is_refused(cell: str) -> None:
    with pytest.raises(CellError):
        decimal(cell, COMMA)


@pytest.mark.parametrize("cell", ["1.5", "1_000", "4,0", "²", "٣", "12345678901", "", "1e3"])
def test_what_is_no_whole_number_is_refused(cell: str) -> None:
    with pytest.raises(CellError):
        whole(cell, COMMA)


@given(st.floats(-1e11, 1e11, allow_subnormal=False))
def test_every_number_python_prints_is_read_back_exactly(number: float) -> None:
    assert decimal(repr(number), COMMA) == number
    assert decimal(repr(number).replace(".", ","), SEMICOLON) == number


def test_counts_are_not_negative() -> None:
    assert count("0", COMMA) == 0
    with pytest.raises(CellError, match="negative"):
        count("-1", COMMA)


def test_days_are_read_in_the_iso_form_only() -> None:
    assert day("2026-09-30", COMMA) == date(2026, 9, 30)
    for cell in ("30.09.2026", "09/30/2026", "2026-02-30", "0026-09-30", "9999-12-31"):
        with pytest.raises(CellError):
            day(cell, COMMA)


def test_instants_need_an_offset_and_become_utc() -> None:
    assert instant("2026-03-01T07:00:00+01:00", COMMA) == datetime(2026, 3, 1, 6, tzinfo=UTC)
    for cell in ("2026-03-01T07:00:00", "2026-03-01", "yesterday", "0001-01-01T00:00:00+14:00"):
        with pytest.raises(CellError):
            instant(cell, COMMA)


def test_words_codes_names_and_answers_say_what_would_be_right() -> None:
    class Colour(StrEnum):
        PALE = "pale"
        DARK = "dark"

    assert word(Colour)("dark", COMMA) == "dark"
    with pytest.raises(CellError) as caught:
        word(Colour)("red", COMMA)
    assert "pale, dark" in caught.value.mend
    assert [yes_no(cell, COMMA) for cell in ("yes", "NO", "1", "false")] == [True, False, True, False]
    assert code("B2-014", COMMA) == "B2-014"
    for reader, cell in (
        (yes_no, "maybe"),
        (code, "a b"),
        (code, ""),
        (name, "x" * 121),
        (text, "x" * 501),
        (text, "a\x00"),
    ):
        with pytest.raises(CellError):
            reader(cell, COMMA)


def test_wrong_cells_are_named_by_line_and_column_and_the_good_rows_kept() -> None:
    content = 'sku,name,mass_kg\n"A-1","Lager\nin two lines",1\n\n,Lager,x\nA-3,Lager,2\nA-4,Lager\n'
    read = read_rows(content.encode(), COLUMNS)
    assert [(fault.line, fault.column) for fault in read.faults] == [(5, "sku"), (5, "mass_kg"), (7, "")]
    assert [(row.line, row.values["sku"]) for row in read.rows] == [(2, "A-1"), (6, "A-3")]
    assert all(fault.detail and fault.mend for fault in read.faults)


def test_columns_stand_in_any_order_and_optional_ones_may_be_absent_or_empty() -> None:
    assert values("MASS_KG, Name ,sku\n1,Lager,A-1\n") == [
        {"sku": "A-1", "name": "Lager", "mass_kg": 1.0, "cases": 0}
    ]
    assert values("sku,name,mass_kg,cases\nA-1,Lager,1,\n")[0]["cases"] == 0


@pytest.mark.parametrize(
    ("heading", "words"),
    [
        ("sku,name", "lacks 'mass_kg'"),
        ("sku,name,mass_kg,colour", "unknown 'colour'"),
        ("sku,sku,name,mass_kg", "twice 'sku'"),
    ],
)
def test_a_wrong_heading_is_refused_with_the_right_one(heading: str, words: str) -> None:
    where, detail, mend = refusal(f"{heading}\n".encode())
    assert (where, words in detail, "sku,name,mass_kg,cases" in mend) == ("line 1", True, True)


@pytest.mark.parametrize("data", [b"", b"\n\n", "\ufeff".encode()])
def test_an_empty_file_is_refused(data: bytes) -> None:
    assert "empty" in refusal(data)[1]


def test_an_open_quotation_mark_is_refused() -> None:
    assert "Close every quotation mark." in refusal(b'sku,name,mass_kg\nA-1,"Lager,1\n')[2]


def test_a_hopeless_file_is_given_up_and_says_so() -> None:
    content = "sku,name,mass_kg\n" + "A,Lager,x\n" * (MAX_FAULTS * 2)
    found = faults(content)
    assert len(found) == MAX_FAULTS + 1
    assert "the rest was not read" in found[-1][2]


def test_repeated_keys_point_to_the_first_line() -> None:
    rows = [Row(2, {"sku": "A"}), Row(3, {"sku": "B"}), Row(4, {"sku": "A"})]
    assert [(row.line, first) for row, first in repeated(rows, "sku")] == [(4, 2)]


def test_a_report_keeps_the_faults_of_its_rows() -> None:
    report = ImportReport("products")
    report.fault(Row(7, {}), "sku", "wrong.", "Right.")
    assert [(fault.line, fault.column, fault.detail, fault.mend) for fault in report.faults] == [
        (7, "sku", "wrong.", "Right.")
    ]


@given(st.binary(max_size=300))
def test_no_file_whatever_breaks_the_reader(data: bytes) -> None:
    for content in (data, b"sku,name,mass_kg\n" + data):
        with suppress(Invalid):
            read_rows(content, COLUMNS)
