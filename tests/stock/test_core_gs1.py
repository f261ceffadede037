"""GS1 keys, scans and addresses against the records in fixtures/checks (sources stand in each record)."""

import json
from datetime import date
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.stock.core import digital_link as links
from rimekeep.stock.core import gs1

CHECKS = Path(__file__).parents[2] / "fixtures" / "checks"


def records(name, kind=None):
    found = json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["records"]
    return [
        pytest.param(one["inputs"], one["expected"], id=one["id"])
        for one in found
        if kind in (None, one["inputs"].get("kind"))
    ]


@pytest.mark.parametrize(("inputs", "expected"), records("gs1_check_digits"))
def test_a_key_is_valid_just_when_the_standard_says_so(inputs, expected):
    judge = gs1.is_valid_sscc if inputs["kind"] == "sscc" else gs1.is_valid_gtin
    assert judge(inputs["number"]) is expected["valid"]
    right = expected.get("check_digit", expected.get("correct_check_digit"))
    if right is not None:
        assert gs1.check_digit(inputs["number"][:-1]) == right


@pytest.mark.parametrize(("inputs", "expected"), records("gs1_element_strings"))
def test_a_scan_is_read_or_refused_as_the_standard_says(inputs, expected):
    if not expected["valid"]:
        with pytest.raises(gs1.Gs1Error) as caught:
            gs1.parse_element_string(inputs["scan"], reference_year=inputs["reference_year"])
        fault = caught.value.faults[0]
        assert fault.field
        assert fault.detail
        assert fault.mend
        return
    elements = gs1.parse_element_string(inputs["scan"], reference_year=inputs["reference_year"])
    assert list(elements.items()) == [(one["ai"], one["value"]) for one in expected["elements"]]
    dates = {
        ai: gs1.element_date(elements[ai], reference_year=inputs["reference_year"]).isoformat()
        for ai in ("11", "15", "17")
        if ai in elements
    }
    assert dates == expected["dates"]
    if "count" in expected:
        assert int(elements["37"]) == expected["count"]


def test_a_wrong_check_digit_names_the_digit_read_and_the_right_one():
    with pytest.raises(gs1.Gs1Error, match="of 19521234000011 reads 1; 0 would be right"):  # es-021
        gs1.parse_element_string("]C101195212340000111527033110L", reference_year=2026)


@pytest.mark.parametrize(
    "scan",
    [
        "",
        "]C1",
        "]C110",
        "]C10",
        "\x1d",
        "]C10119521234000010\x1d\x1d15270331",
        "]C1011952123400001010A\x1d10B",
    ],
)
def test_a_broken_scan_is_refused_not_guessed(scan):
    with pytest.raises(gs1.Gs1Error):
        gs1.parse_element_string(scan, reference_year=2026)


@given(st.text(max_size=40), st.integers(1990, 2090))
def test_any_text_is_either_read_or_refused_with_a_gs1_error(scan, year):
    try:
        elements = gs1.parse_element_string("]C1" + scan, reference_year=year)
    except gs1.Gs1Error:
        return
    assert elements.keys() <= gs1.ELEMENTS.keys()


@given(st.integers(0, 9), st.sampled_from(["9521234", "952123456789", "9520"]), st.integers(0, 9999))
def test_a_built_sscc_is_valid_and_keeps_its_parts(extension, prefix, serial):
    made = gs1.sscc(extension, prefix, serial)
    assert gs1.is_valid_sscc(made)
    assert made.startswith(f"{extension}{prefix}")
    assert int(made[1 + len(prefix) : -1]) == serial


@pytest.mark.parametrize(
    "parts", [(10, "9521234", 1), (0, "95A1234", 1), (0, "952123456789", 10_000), (0, "952123", -1)]
)
def test_an_sscc_that_does_not_fit_is_refused(parts):
    with pytest.raises(gs1.Gs1Error):
        gs1.sscc(*parts)


@given(st.text("0123456789", min_size=17, max_size=17), st.integers(0, 16), st.integers(1, 9))
def test_one_misread_digit_never_passes(body, place, shift):
    key = body + str(gs1.check_digit(body))
    wrong = key[:place] + str((int(key[place]) + shift) % 10) + key[place + 1 :]
    assert gs1.is_valid_sscc(key)
    assert not gs1.is_valid_sscc(wrong)


def test_other_scripts_digits_are_no_digits():
    assert not gs1.is_valid_gtin("٦٢٩١٠٤١٥٠٠٢١٣")
    with pytest.raises(gs1.Gs1Error):
        gs1.check_digit("²")


@given(st.integers(1950, 2100), st.dates(date(1900, 1, 1), date(2199, 12, 31)))
def test_a_date_within_forty_nine_years_comes_back(year, day):
    if abs(day.year - year) <= 49:
        assert gs1.element_date(f"{day:%y%m%d}", reference_year=year) == day


def comparable(uri):
    parts = urlsplit(uri)
    return parts.scheme, parts.netloc, unquote(parts.path), sorted(parse_qsl(parts.query))


@pytest.mark.parametrize(("inputs", "expected"), records("gs1_digital_link", "digital_link"))
def test_a_digital_link_holds_what_the_label_holds(inputs, expected):
    if not expected["valid"]:
        with pytest.raises(gs1.Gs1Error):
            links.parse_digital_link(inputs["uri"])
        return
    elements = links.parse_digital_link(inputs["uri"])
    assert elements == {one["ai"]: one["value"] for one in expected["elements"]}
    assert comparable(links.digital_link(elements)) == comparable(expected["canonical_uri"])
    assert gs1.parse_element_string(expected["one_element_string"], reference_year=2026) == elements


@pytest.mark.parametrize(("inputs", "expected"), records("gs1_digital_link", "urn"))
def test_urns_and_digital_links_say_the_same(inputs, expected):
    elements = links.parse_urn(inputs["urn"])
    assert links.digital_link(elements) == expected["digital_link"]
    length = inputs["gcp_length"]
    if "00" in elements:
        made = links.sscc_urn(elements["00"], prefix_length=length)
    else:
        made = links.lgtin_urn(elements["01"], elements["10"], prefix_length=length)
    assert made == expected["urn_from_digital_link"]


lot_codes = st.text(sorted(gs1.CHARACTER_SET_82), min_size=1, max_size=20)


@given(lot_codes)
def test_every_lot_code_survives_address_and_urn(lot):
    elements = {"01": "19521234000010", "10": lot, "15": "270331"}
    assert links.parse_digital_link(links.digital_link(elements)) == elements
    assert links.parse_urn(links.lgtin_urn("19521234000010", lot, prefix_length=7))["10"] == lot


@pytest.mark.parametrize(
    "text", ["urn:epc:id:sscc:9521234", "urn:epc:id:sgtin:9521234.100001.7", "no urn", ""]
)
def test_other_urns_are_refused(text):
    with pytest.raises(gs1.Gs1Error):
        links.parse_urn(text)


@pytest.mark.parametrize("elements", [{"10": "A"}, {"99": "1"}, {"02": "19521234000010"}])
def test_elements_without_a_key_have_no_address(elements):
    with pytest.raises(gs1.Gs1Error):
        links.digital_link(elements)
