"""
GS1 logistic labels as PDF: one page a label, A6 or 4 × 6 inches.

Sizes after the GS1 General Specifications for logistic units: X-dimension 0.495 mm at least, bars 31.75 mm
high, quiet zones of ten X on either side (figures from memory); SSCC lowest, human readable text below each
barcode. Print at 100 %: a page "fitted" by the printer changes X.
"""

from collections.abc import Iterable
from io import BytesIO

from reportlab.graphics.barcode.code128 import Code128Auto
from reportlab.lib.units import inch, mm
from reportlab.pdfgen.canvas import Canvas

from rimekeep.picking.core.labels import (
    Elements,
    LogisticLabel,
    element_string,
    human_readable,
    symbols,
    titled,
)
from rimekeep.picking.core.states import LabelSize
from rimekeep.platform.language import speech
from rimekeep.platform.printing import BOLD, PLAIN, fitted
from rimekeep.wording import Said, say

X_MM = 0.495
BARS_MM = 31.75
QUIET_X = 10
MARGIN_MM = 1.0
FNC1 = "\xf1"  # as the library spells it
BARCODES = 3
LEADING = 1.15

_PAGES = {LabelSize.A6: (105 * mm, 148 * mm), LabelSize.FOUR_BY_SIX: (4 * inch, 6 * inch)}


def barcode(text: str) -> Code128Auto:
    """Return the GS1-128 symbol of an element string: Code 128 with FNC1 behind the start character."""
    value = FNC1 + text.replace("\x1d", FNC1)
    return Code128Auto(
        value, barWidth=X_MM * mm, barHeight=BARS_MM * mm, quiet=1, lquiet=QUIET_X * X_MM * mm,
        rquiet=QUIET_X * X_MM * mm, humanReadable=0,
    )  # fmt: skip


def barcodes(label: LogisticLabel, size: LabelSize = LabelSize.A6) -> list[Elements]:
    """Return the elements of each barcode on a label, from the top down."""
    room = _PAGES[size][0] - 2 * MARGIN_MM * mm
    found = symbols(label, fits=lambda text: barcode(text).width <= room, most=BARCODES)
    return list(found.barcodes)


def labels_pdf(labels: Iterable[LogisticLabel], *, size: LabelSize) -> bytes:
    """Return a PDF with one page a label; the same labels give the same bytes."""
    width, height = _PAGES[size]
    out = BytesIO()
    page = Canvas(out, pagesize=(width, height), invariant=1, pageCompression=1)
    page.setTitle(_told(say("Logistic labels")))
    for label in labels:
        _draw(page, label, barcodes(label, size), width, height)
        page.showPage()
    page.save()
    return out.getvalue()


def _draw(page: Canvas, label: LogisticLabel, drawn: list[Elements], width: float, height: float) -> None:
    y = 2 * mm
    for some in reversed(drawn):
        bars = barcode(element_string(some))
        page.setFont("Helvetica", 9)
        page.drawCentredString(width / 2, y, human_readable(some))
        bars.drawOn(page, (width - bars.width) / 2, y + 3.5 * mm)
        y += (BARS_MM + 3.5 + 2.0) * mm
    _text(page, label, 3 * mm, height - 2 * mm, y, width - 6 * mm)


def _text(page: Canvas, label: LogisticLabel, left: float, top: float, bottom: float, room: float) -> None:
    """Write sender, receiver and contents from the top down, as far as there is room."""
    lines: list[tuple[str, float, str]] = [(PLAIN, 7, say("From: {sender}", sender=label.sender))]
    if label.customer_name is not None:
        lines.append((BOLD, 9, say("To: {customer}", customer=label.customer_name)))
        lines += [(PLAIN, 7, label.customer_address)] if label.customer_address else []
        lines.append((BOLD, 8, say("Order {code}", code=label.order_code)))
    told = dict(titled(label))
    one_line = (("SSCC",), ("CONTENT", "COUNT"), ("BEST BEFORE", "BATCH/LOT"))
    lines += [
        (BOLD, 7.5, "   ".join(f"{title}: {told[title]}" for title in titles if title in told))
        for titles in one_line
        if told.keys() & set(titles)
    ]
    if len({(one.sku, one.lot_code) for one in label.contents}) > 1:
        lines += [
            (
                PLAIN,
                6.5,
                say(
                    "{cases} x {sku}, lot {lot}, best before {day}",
                    cases=one.cases,
                    sku=one.sku,
                    lot=one.lot_code,
                    day=one.best_before_on,
                ),
            )
            for one in label.contents
        ]
    elif label.contents:
        lines.append((PLAIN, 7, f"{label.contents[0].sku} {label.contents[0].product_name}"))
    lines.append(
        (
            PLAIN,
            6.5,
            say("{cases} cases, {mass_kg:.0f} kg with the pallet", cases=label.cases, mass_kg=label.mass_kg),
        )
    )
    y = top
    for number, (font, points, text) in enumerate(lines):
        if y - points * LEADING < bottom and number + 1 < len(lines):
            page.setFont(PLAIN, 6.5)
            more = say("and {n} more lines: scan the SSCC", n=len(lines) - number)
            page.drawString(left, y - 6.5 * LEADING, _told(more))
            return
        y -= points * LEADING
        shown, fitting = fitted(_told(text), font, points, room)
        page.setFont(font, fitting)
        page.drawString(left, y, shown)


def _told(words: str) -> str:
    """Return the label's own words in the reader's language; data titles stay those of GS1."""
    return speech().say(words) if isinstance(words, Said) else words
