"""Delivery notes as PDF: one a drop, each with its own page numbers, to be signed."""

from collections.abc import Sequence

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table, TableStyle

from rimekeep.loading.core.papers import Head, Note
from rimekeep.loading.papers.frame import (
    BODY,
    HEADING,
    ROOM,
    SMALL,
    STRONG,
    Column,
    Section,
    boxed,
    pdf,
    table,
    text,
)
from rimekeep.wording import counted, say

DRAFT = say("DRAFT: the plan is not confirmed; nothing is handed over by this note.")
TO_FILL_IN = (
    say("Empties taken back (pallets, kegs, crates):"),
    say("Not accepted, damaged or missing (SSCC, cases, why):"),
    say("Warmest core measured at handover (°C), by whom:"),
)
_COLUMNS = (
    Column("SSCC", 31),
    Column(say("order"), 20),
    Column(say("product"), 46),
    Column(say("lot"), 18),
    Column(say("best before"), 18),
    Column(say("cases"), 12, is_number=True),
    Column(say("not accepted"), 16),
)


def notes_pdf(head: Head, notes: Sequence[Note]) -> bytes:
    """Return the delivery notes of a trip in drop order, each beginning on a page of its own."""
    sections = [
        Section(say("Delivery note, drop {drop}", drop=note.drop), _note(head, note)) for note in notes
    ]
    return pdf(head, say("Delivery notes"), sections)


def _note(head: Head, note: Note) -> list[Flowable]:
    story: list[Flowable] = [] if head.is_confirmed else [boxed([text(DRAFT, STRONG)]), Spacer(0, 6)]
    story += [
        text(
            say(
                "To {customer_name} ({customer_code})",
                customer_name=note.customer_name,
                customer_code=note.customer_code,
            ),
            STRONG,
        ),
        *([text(note.customer_address, BODY)] if note.customer_address else []),
        text(say("Orders: {choices}", choices=", ".join(note.order_codes)), BODY),
        *(
            [text(say("Expected: {expected} (an estimate)", expected=note.expected), BODY)]
            if note.expected
            else []
        ),
        Spacer(0, 6),
        table(_COLUMNS, _rows(note)),
        Spacer(0, 4),
        text(in_all(note), STRONG),
        *(
            [text(say("Empties announced: {empties_words}", empties_words=note.empties_words), STRONG)]
            if note.empties
            else []
        ),
        KeepTogether([text(say("To be filled in"), HEADING), _blanks()]),
        KeepTogether([text(say("Signatures"), HEADING), _signatures()]),
    ]
    return story


def in_all(note: Note) -> str:
    """Return how much is handed over."""
    return counted(
        "In all: {n} unit, {cases} cases, {mass_kg:.0f} kg with pallets (computed).",
        "In all: {n} units, {cases} cases, {mass_kg:.0f} kg with pallets (computed).",
        n=len(note.units),
        cases=note.cases,
        mass_kg=note.mass_kg,
    )


def _rows(note: Note) -> list[list[str | Flowable]]:
    rows: list[list[str | Flowable]] = []
    for unit in note.units:
        for k, line in enumerate(unit.lines):
            rows.append(
                [
                    unit.label if k == 0 else say("same unit"),
                    unit.order_code if k == 0 else "",
                    f"{line.sku} {line.product}",
                    line.lot,
                    line.best_before_on.isoformat(),
                    str(line.cases),
                    "",
                ]
            )
    return rows


def _blanks() -> Table:
    made = Table(
        [[text(words, SMALL), ""] for words in TO_FILL_IN],
        colWidths=[ROOM * 0.34, ROOM * 0.66],
        rowHeights=[13 * mm] * len(TO_FILL_IN),
        hAlign="LEFT",
    )
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
                ("LINEBELOW", (1, 0), (1, -1), 0.5, colors.black),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return made


def _signatures() -> Table:
    words = (say("name"), say("date and time"), say("signature"))
    rows: list[list[Flowable | str]] = []
    for who in (say("Handed over by (driver)"), say("Received by (customer)")):
        rows.append([text(who, SMALL), "", "", ""])
        rows.append(["", *(text(word, SMALL) for word in words)])
    made = Table(
        rows,
        colWidths=[ROOM * 0.22, ROOM * 0.28, ROOM * 0.22, ROOM * 0.28],
        rowHeights=[12 * mm, 6 * mm] * 2,
        hAlign="LEFT",
    )
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
                ("LINEBELOW", (1, 0), (-1, 0), 0.5, colors.black),
                ("LINEBELOW", (1, 2), (-1, 2), 0.5, colors.black),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return made
