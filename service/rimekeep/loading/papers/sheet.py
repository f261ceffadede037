"""The loading sheet as PDF."""

from collections.abc import Sequence

from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, PageBreak, Spacer

from rimekeep.loading.core.papers import LoadingPaper, State, Turn
from rimekeep.loading.papers.deck import deck_drawings
from rimekeep.loading.papers.frame import (
    BODY,
    BODY_HEIGHT,
    HEADING,
    SMALL,
    STRONG,
    Column,
    Section,
    boxed,
    pdf,
    strong,
    table,
    text,
)

DRAFT = "DRAFT: the plan is not confirmed; do not load by this sheet."
DECK_LEGEND = (
    "Seen from the doors. Large: the drop, 1 is delivered first. no.: turn in the order of loading. "
    "Below: mass, last six digits of the SSCC."
)
EXPECTED = "Expected times are estimates, by the site's clock."
# More axles than this side by side cannot be read.
_AXLES_ABREAST = 5


def sheet_pdf(paper: LoadingPaper) -> bytes:
    """Return the loading sheet: what comes when, the deck, weights in every state, the drops."""
    story: list[Flowable] = []
    if not paper.head.is_confirmed:
        story += [boxed([text(DRAFT, STRONG)]), Spacer(0, 6)]
    story.append(
        boxed([text("Reefer: " + paper.reefer[0], STRONG), *(text(line, BODY) for line in paper.reefer[1:])])
    )
    if paper.road:
        story += [
            Spacer(0, 6),
            boxed([text("On the road", STRONG), *(text(line, BODY) for line in paper.road)]),
        ]
    story.append(text("Before anybody loads", HEADING))
    story += [text(f"• {caution}", SMALL) for caution in paper.cautions]
    story.append(text("Load in this order", HEADING))
    story.append(text("Row 1 at the front wall, lane 1 at the left, seen from the doors.", SMALL))
    story.append(_order(paper.order))
    story.append(PageBreak())
    story.append(text("The deck", HEADING))
    story.append(text(DECK_LEGEND, SMALL))
    story += deck_drawings(paper.deck)
    story.append(Spacer(0, 5))
    story.append(KeepTogether([text(note, SMALL) for note in paper.securing_notes]))
    story.append(CondPageBreak(BODY_HEIGHT * 0.3))
    story.append(text("Weights in every state", HEADING))
    story.append(
        text(
            "Load against limit in kg, and what is left of it; the tightest state of each axle is said. "
            "Computed from stated masses: the weighbridge decides.",
            SMALL,
        )
    )
    story += _weights(paper.states)
    story.append(text("Drops in order of delivery", HEADING))
    if any(note.expected for note in paper.drops):
        story.append(text(EXPECTED, SMALL))
    story.append(_drops(paper))
    return pdf(paper.head, "Loading sheet", [Section("Loading sheet", story)])


def _order(order: Sequence[Turn]) -> Flowable:
    columns = (
        Column("no.", 7, is_number=True),
        Column("row", 7, is_number=True),
        Column("lane", 8, is_number=True),
        Column("SSCC", 30),
        Column("drop", 8, is_number=True),
        Column("customer", 24),
        Column("kg", 11, is_number=True),
        Column("loaded", 14),
    )
    rows = [
        [
            str(one.number),
            str(one.row),
            one.stance,
            one.sscc,
            str(one.drop),
            one.customer_code,
            f"{one.mass_kg:.0f}",
            "yes" if one.is_loaded else "____",
        ]
        for one in order
    ]
    return table(columns, rows)


def _weights(states: Sequence[State]) -> list[Flowable]:
    names = [axle.name for axle in states[0].axles] if states else []
    tables: list[Flowable] = []
    for start in range(0, len(names), _AXLES_ABREAST):
        shown = range(start, min(start + _AXLES_ABREAST, len(names)))
        columns = [
            Column("state", 28),
            Column("gross", 12, is_number=True),
            *(Column(names[k], 27, is_number=True) for k in shown),
        ]
        tables += [table(columns, [_state(state, shown) for state in states]), Spacer(0, 4)]
    return tables


def _state(state: State, shown: range) -> list[str | Flowable]:
    cells: list[str | Flowable] = [state.when, f"{state.gross_kg:.0f}"]
    for axle in (state.axles[k] for k in shown):
        words = f"{axle.load_kg:.0f} / {axle.max_kg:.0f}, left {axle.margin_kg:.0f}"
        cells.append(strong(f"{words}, tightest") if axle.is_tightest else words)
    return cells


def _drops(paper: LoadingPaper) -> Flowable:
    is_expected = any(note.expected for note in paper.drops)
    has_empties = any(note.empties for note in paper.drops)
    columns = (
        Column("drop", 10, is_number=True),
        *((Column("expected", 20),) if is_expected else ()),
        Column("customer", 46),
        Column("address", 46),
        Column("units", 9, is_number=True),
        Column("cases", 10, is_number=True),
        Column("kg", 11, is_number=True),
        *((Column("empties announced", 30),) if has_empties else ()),
    )
    rows = [
        [
            str(note.drop),
            *((note.expected,) if is_expected else ()),
            f"{note.customer_code}, {note.customer_name}",
            note.customer_address,
            str(len(note.units)),
            str(note.cases),
            f"{note.mass_kg:.0f}",
            *((note.empties_words,) if has_empties else ()),
        ]
        for note in paper.drops
    ]
    return table(columns, rows)
