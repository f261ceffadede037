"""Pages of a PDF: margins, head and foot with page numbers, and tables whose cells wrap."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Table,
    TableStyle,
)

from rimekeep.loading.core.papers import Head
from rimekeep.platform.language import speech
from rimekeep.platform.printing import BOLD, PLAIN, fitted, printable
from rimekeep.wording import Said, say

WIDTH, HEIGHT = A4
MARGIN = 15 * mm
ROOM = WIDTH - 2 * MARGIN
TOP, BOTTOM = 24 * mm, 17 * mm
BODY_HEIGHT = HEIGHT - TOP - BOTTOM

BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=9, leading=11.5)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=8, leading=10)
NUMBER = ParagraphStyle("number", parent=SMALL, alignment=TA_RIGHT)
STRONG = ParagraphStyle("strong", parent=BODY, fontName=BOLD, fontSize=10, leading=13)
HEADING = ParagraphStyle(
    "heading",
    parent=BODY,
    fontName=BOLD,
    fontSize=11,
    leading=14,
    spaceBefore=9,
    spaceAfter=3,
    keepWithNext=1,
)
HEADER_CELL = ParagraphStyle("header", parent=SMALL, fontName=BOLD)
HEADER_NUMBER = ParagraphStyle("headernumber", parent=HEADER_CELL, alignment=TA_RIGHT)


@dataclass(frozen=True, slots=True)
class Section:
    """Pages that are numbered together, under one title."""

    title: str
    story: Sequence[Flowable]


def text(words: str, style: ParagraphStyle = BODY) -> Paragraph:
    """Return words as they were given, or the service's own in the reader's language; nothing is markup."""
    return Paragraph(escape(printable(in_own_words(words))), style)


def kept(words: str, style: ParagraphStyle = BODY) -> Paragraph:
    """Return what the service worded before, and keeps as text."""
    return text(speech().say(words), style)


def in_own_words(words: Any) -> Any:
    """Return a sentence of the service's in the reader's language; what others wrote stays as it is."""
    return speech().say(words) if isinstance(words, Said) else words


def strong(words: str, style: ParagraphStyle = NUMBER) -> Paragraph:
    """Return a number in bold."""
    return Paragraph(f"<b>{escape(printable(in_own_words(words)))}</b>", style)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its head, its share of the width, and whether it holds numbers."""

    head: str
    share: float
    is_number: bool = False


def table(
    columns: Sequence[Column], rows: Sequence[Sequence[str | Flowable]], *, width: float = ROOM
) -> Table:
    """Return a table whose head is printed again on every page it reaches, and whose cells wrap."""
    whole = sum(column.share for column in columns)
    head = [text(one.head, HEADER_NUMBER if one.is_number else HEADER_CELL) for one in columns]
    body = [
        [
            text(cell, NUMBER if column.is_number else SMALL) if isinstance(cell, str) else cell
            for column, cell in zip(columns, row, strict=True)
        ]
        for row in rows
    ]
    made = Table(
        [head, *body], colWidths=[width * one.share / whole for one in columns], repeatRows=1, hAlign="LEFT"
    )
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.9, colors.black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, colors.black),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                # Between a number at the right of its column and the text that begins the next one.
                *(("RIGHTPADDING", (k, 0), (k, -1), 9) for k, one in enumerate(columns) if one.is_number),
            ]
        )
    )
    return made


def boxed(parts: Sequence[Flowable]) -> Table:
    """Return a frame around what must not be overlooked."""
    made = Table([[list(parts)]], colWidths=[ROOM], hAlign="LEFT")
    made.setStyle(
        TableStyle(
            [
                ("BOX", (0, 0), (-1, -1), 1.2, colors.black),
                ("TOPPADDING", (0, 0), (-1, -1), 4),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
            ]
        )
    )
    return made


def pdf(head: Head, title: str, sections: Sequence[Section]) -> bytes:
    """Return sections as one PDF, each with its own page numbers; the same facts give the same bytes."""
    out = BytesIO()
    name = say("{title}, trip {trip_id}", title=title, trip_id=head.trip_id)
    document = BaseDocTemplate(
        out, pagesize=A4, title=printable(in_own_words(name)), author=printable(head.site_name),
        invariant=1, pageCompression=1,
    )  # fmt: skip
    frame = Frame(
        MARGIN, BOTTOM, ROOM, BODY_HEIGHT, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
    )
    document.addPageTemplates(
        [PageTemplate(str(number), [frame], onPage=_marker(number)) for number, _ in enumerate(sections)]
    )
    story: list[Flowable] = []
    for number, section in enumerate(sections):
        if number:
            story += [NextPageTemplate(str(number)), PageBreak()]
        story += section.story
    document.build(story, canvasmaker=_canvas_of(head, [one.title for one in sections]))
    return out.getvalue()


def _marker(number: int) -> Any:
    def mark(canvas: Any, _document: Any) -> None:
        canvas.section = number

    return mark


def _canvas_of(head: Head, titles: Sequence[str]) -> Any:
    """Return a canvas that writes head and foot last, when it knows how many pages there are."""

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.section = 0
            self._done: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - the library calls it
            self._done.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            pages = Counter(state["section"] for state in self._done)
            seen: Counter[int] = Counter()
            for state in self._done:
                self.__dict__.update(state)
                seen[self.section] += 1
                _head_and_foot(self, head, titles[self.section], seen[self.section], pages[self.section])
                super().showPage()
            super().save()

    return Numbered


def _head_and_foot(canvas: Any, head: Head, title: str, page: int, pages: int) -> None:
    left, right = MARGIN, WIDTH - MARGIN
    line, points = fitted(in_own_words(title), BOLD, 14, ROOM * 0.62)
    canvas.setFont(BOLD, points)
    canvas.drawString(left, HEIGHT - 15 * mm, line)
    line, points = fitted(
        in_own_words(say("Trip {trip_id}, plan {plan_id}", trip_id=head.trip_id, plan_id=head.plan_id)),
        BOLD,
        11,
        ROOM * 0.35,
    )
    canvas.setFont(BOLD, points)
    canvas.drawRightString(right, HEIGHT - 12.5 * mm, line)
    line, points = fitted(f"{head.vehicle_and_turn}, {head.ship_on.isoformat()}", PLAIN, 8.5, ROOM * 0.5)
    canvas.setFont(PLAIN, points)
    canvas.drawRightString(right, HEIGHT - 17 * mm, line)
    line, points = fitted(
        in_own_words(say("From {site_name}", site_name=head.site_name)), PLAIN, 8.5, ROOM * 0.45
    )
    canvas.setFont(PLAIN, points)
    canvas.drawString(left, HEIGHT - 19.5 * mm, line)
    canvas.setLineWidth(0.8)
    canvas.line(left, HEIGHT - 21.5 * mm, right, HEIGHT - 21.5 * mm)
    canvas.line(left, 13.5 * mm, right, 13.5 * mm)
    line, points = fitted(in_own_words(head.foot), PLAIN, 8, ROOM * 0.82)
    canvas.setFont(PLAIN, points)
    canvas.drawString(left, 9.5 * mm, line)
    canvas.setFont(BOLD, 8)
    canvas.drawRightString(
        right, 9.5 * mm, in_own_words(say("page {page} of {pages}", page=page, pages=pages))
    )
