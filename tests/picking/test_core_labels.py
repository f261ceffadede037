"""
Logistic labels: the data by GS1's rules, and the printed sheet read by decoders that share no code with it.

PDFs are rendered by PDFium and decoded by ZXing-C++; what they read goes through our own GS1 parser, which is
held against GS1's vectors elsewhere. Units and products are invented; GS1 Prefix 952 is for demonstration.
"""

from datetime import date

import pypdfium2
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.picking.core.labels import Content, LogisticLabel, element_string, elements, symbols
from rimekeep.picking.core.states import LabelSize
from rimekeep.picking.labels import BARS_MM, QUIET_X, X_MM, barcode, barcodes, labels_pdf
from rimekeep.stock.core.gs1 import check_associations, check_digit, parse_element_string, sscc

SSCC = sscc(3, "9521234", 100)
DPI = 300


def gtin(number):
    body = f"19521234{number:05d}"
    return f"{body}{check_digit(body)}"


def content(**changed):
    facts = {
        "sku": "LAGER-B24",
        "product_name": "Invented lager",
        "gtin": gtin(1),
        "lot_code": "L118",
        "best_before_on": date(2027, 3, 29),
        "cases": 96,
        "mass_kg": 1776.0,
        **changed,
    }
    return Content(**facts)


def label(*contents):
    return LogisticLabel(
        SSCC, contents, "Invented brewery", 25.0, order_code="SO-1", customer_name="Invented inn"
    )


def read(pdf, page=0):
    """Return the barcodes of a page as the decoder reads them, from the top down."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        image = document[page].render(scale=DPI / 72).to_pil()
    finally:
        document.close()
    found = zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormat.Code128)
    return sorted(found, key=lambda one: one.position.top_left.y)


def text_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    try:
        # PDFium gives a hyphen that ends a line as U+FFFE, taking it for a word's division.
        return document[0].get_textpage().get_text_range().replace("\ufffe", "-")
    finally:
        document.close()


def test_a_unit_of_one_lot_says_all_of_it():
    assert elements(label(content())) == (
        ("00", SSCC), ("02", gtin(1)), ("15", "270329"), ("37", "96"), ("10", "L118"),
    )  # fmt: skip


def test_only_what_all_of_a_unit_shares_is_said():
    two_lots = label(content(cases=8), content(lot_code="L119", cases=4))
    assert dict(elements(two_lots)) == {"00": SSCC, "02": gtin(1), "15": "270329", "37": "12"}
    two_days = label(content(), content(lot_code="L119", best_before_on=date(2027, 4, 1)))
    assert dict(elements(two_days)) == {"00": SSCC, "02": gtin(1), "37": "192"}
    two_beers = label(content(), content(sku="PALE", gtin=gtin(2)))
    assert dict(elements(two_beers)) == {"00": SSCC}
    # A beer without a GTIN cannot be named: its lot and date would say nothing either.
    assert dict(elements(label(content(gtin=None)))) == {"00": SSCC}


@pytest.mark.parametrize("size", list(LabelSize))
def test_the_printed_sheet_is_read_back_by_an_independent_decoder(size):
    pdf = labels_pdf([label(content())], size=size)
    found = read(pdf)
    assert [one.symbology_identifier for one in found] == ["]C1"] * 3  # GS1-128: Code 128 with FNC1 in front
    scanned = [one.bytes.decode() for one in found]
    assert scanned[-1] == f"00{SSCC}"
    together = "\x1d".join(scanned)  # one GS behind a value of fixed length is allowed for
    assert parse_element_string(together, reference_year=2026) == dict(elements(label(content())))
    # By hand: the count is of variable length and not last in its barcode.
    assert "3796\x1d10L118" in scanned
    text = text_of(pdf)
    for told in (
        f"(00){SSCC}",
        "(37)96(10)L118",
        "To: Invented inn",
        "BATCH/LOT: L118",
        "2027-03-29",
        "SO-1",
    ):
        assert told in text
    assert labels_pdf([label(content())], size=size) == pdf


@pytest.mark.parametrize("size", list(LabelSize))
def test_bars_and_quiet_zones_have_the_size_the_standard_asks_for(size):
    pdf = labels_pdf([label(content())], size=size)
    px_mm = DPI / 25.4
    width_mm = {LabelSize.A6: 105.0, LabelSize.FOUR_BY_SIX: 101.6}[size]
    found = read(pdf)
    for one in found:
        corners = one.position
        left, right = corners.top_left.x / px_mm, corners.top_right.x / px_mm
        assert left >= QUIET_X * X_MM - 0.2
        assert width_mm - right >= QUIET_X * X_MM - 0.2
        # ZXing marks the outer lines it read; PDFium rounds to pixels of 0.085 mm.
        assert (corners.bottom_left.y - corners.top_left.y) / px_mm == pytest.approx(BARS_MM, abs=0.5)
    # The SSCC: start, FNC1, ten pairs of digits and the check of 11 modules each, a stop of 13: 156 modules.
    bars_mm = barcode(f"00{SSCC}").width / 72 * 25.4
    assert bars_mm == pytest.approx((156 + 2 * QUIET_X) * X_MM, abs=1e-6)
    bottom = found[-1].position
    assert (bottom.top_right.x - bottom.top_left.x) / px_mm == pytest.approx(156 * X_MM, abs=0.4)


# The characters of a lot a person might print; the whole of character set 82 is drawn from below.
LOTS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZabcxyz0123456789-/_.+!%", min_size=1, max_size=20)


@settings(deadline=None, max_examples=8)
@given(
    LOTS, st.integers(1, 99_999), st.dates(date(2026, 1, 1), date(2050, 12, 31)), st.sampled_from(LabelSize)
)
def test_whatever_the_lot_what_is_printed_is_right_and_what_is_not_is_text(lot, cases, day, size):
    one = label(content(lot_code=lot, cases=cases, best_before_on=day))
    pdf = labels_pdf([one], size=size)
    printed, found = barcodes(one, size), read(pdf)
    assert [scan.bytes.decode() for scan in found] == [element_string(some) for some in printed]
    assert len(printed) <= 3
    said = {ai: value for some in printed for ai, value in some}
    check_associations(said)
    assert said.items() <= dict(elements(one)).items()
    assert {"00", "02", "37", "15"} <= said.keys()
    if "10" not in said:
        assert len(lot) > 3
    assert lot in text_of(pdf)


def test_a_lot_too_long_for_the_sheet_is_left_to_the_text():
    long = label(content(lot_code="ABCDEFGHIJKLMNOPQRST"))
    assert [ai for some in barcodes(long) for ai, _ in some] == ["02", "15", "37", "00"]
    # A wider sheet would take it.
    wide = symbols(long, fits=lambda text: True)
    assert wide.left_out == ()
    assert all(len(element_string(some)) <= 48 for some in wide.barcodes)


def test_a_mixed_unit_lists_what_is_on_it_and_names_outside_the_font_do_no_harm():
    mixed = label(
        content(cases=5), content(sku="PALE-C24", gtin=gtin(2), lot_code="L9", product_name="Světlé 北")
    )
    pdf = labels_pdf([mixed, label(content())], size=LabelSize.A6)
    assert [one.bytes.decode() for one in read(pdf)] == [f"00{SSCC}"]
    assert len(read(pdf, page=1)) == 3
    assert "5 x LAGER-B24, lot L118" in text_of(pdf)
    many = label(*(content(sku=f"S{n}", gtin=gtin(n), lot_code=f"L{n}") for n in range(60)))
    assert "more lines: scan the SSCC" in text_of(labels_pdf([many], size=LabelSize.A6))
