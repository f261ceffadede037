"""The loading sheet as PDF."""

from collections.abc import Sequence

from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, PageBreak, Spacer

from rimekeep.loading.core.papers import Axle, LoadingPaper, State, Turn
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
    kept,
    pdf,
    strong,
    table,
    text,
)
from rimekeep.wording import noted, say

DRAFT = say("DRAFT: the plan is not confirmed; do not load by this sheet.")
DECK_LEGEND = say(
    "Seen from the doors. Large: the drop, 1 is delivered first. no.: turn in the order of "
    "loading. Below: mass, last six digits of the SSCC."
)
EXPECTED = say("Expected times are estimates, by the site's clock.")
# What axles and groups are called, where a vehicle has no names of its own for them.
AXLES = (
    noted("kingpin"),
    noted("front"),
    noted("drive"),
    noted("rear"),
    noted("bogie"),
    noted("coupling"),
)
# More axles than this side by side cannot be read.
_AXLES_ABREAST = 5


def sheet_pdf(paper: LoadingPaper) -> bytes:
    """Return the loading sheet: what comes when, the deck, weights in every state, the drops."""
    story: list[Flowable] = []
    if not paper.head.is_confirmed:
        story += [boxed([text(DRAFT, STRONG)]), Spacer(0, 6)]
    story.append(
        boxed(
            [
                text(say("Reefer: {line}", line=paper.reefer[0]), STRONG),
                *(kept(line, BODY) for line in paper.reefer[1:]),
            ]
        )
    )
    if paper.road:
        story += [
            Spacer(0, 6),
            boxed([text(say("On the road"), STRONG), *(kept(line, BODY) for line in paper.road)]),
        ]
    story.append(text(say("Before anybody loads"), HEADING))
    story += [text(say("• {caution}", caution=caution), SMALL) for caution in paper.cautions]
    story.append(text(say("Load in this order"), HEADING))
    story.append(text(say("Row 1 at the front wall, lane 1 at the left, seen from the doors."), SMALL))
    story.append(_order(paper.order))
    story.append(PageBreak())
    story.append(text(say("The deck"), HEADING))
    story.append(text(DECK_LEGEND, SMALL))
    story += deck_drawings(paper.deck)
    story.append(Spacer(0, 5))
    story.append(KeepTogether([kept(note, SMALL) for note in paper.securing_notes]))
    story.append(CondPageBreak(BODY_HEIGHT * 0.3))
    story.append(text(say("Weights in every state"), HEADING))
    story.append(
        text(
            say(
                "Load against limit in kg, and what is left of it; the tightest state of each axle is "
                "said. Computed from stated masses: the weighbridge decides."
            ),
            SMALL,
        )
    )
    story += _weights(paper.states)
    story.append(text(say("Drops in order of delivery"), HEADING))
    if any(note.expected for note in paper.drops):
        story.append(text(EXPECTED, SMALL))
    story.append(_drops(paper))
    return pdf(paper.head, say("Loading sheet"), [Section(say("Loading sheet"), story)])


def _order(order: Sequence[Turn]) -> Flowable:
    columns = (
        Column(say("no."), 7, is_number=True),
        Column(say("row"), 9, is_number=True),
        Column(say("lane"), 9, is_number=True),
        Column("SSCC", 30),
        Column(say("drop"), 8, is_number=True),
        Column(say("customer"), 24),
        Column("kg", 11, is_number=True),
        Column(say("loaded"), 14),
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
            say("yes") if one.is_loaded else "____",
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
            Column(say("state"), 28),
            Column(say("gross"), 12, is_number=True),
            *(Column(say(names[k]), 27, is_number=True) for k in shown),
        ]
        tables += [table(columns, [_state(state, shown) for state in states]), Spacer(0, 4)]
    return tables


def _state(state: State, shown: range) -> list[str | Flowable]:
    axles = [state.axles[k] for k in shown]
    weights = [strong(weight_words(axle)) if axle.is_tightest else weight_words(axle) for axle in axles]
    return [state.when, f"{state.gross_kg:.0f}", *weights]


def weight_words(axle: Axle) -> str:
    """Return what an axle carries, may carry, and what is left of that."""
    template = (
        noted("{load_kg:.0f} / {max_kg:.0f}, left {margin_kg:.0f}, tightest")
        if axle.is_tightest
        else noted("{load_kg:.0f} / {max_kg:.0f}, left {margin_kg:.0f}")
    )
    return say(template, load_kg=axle.load_kg, max_kg=axle.max_kg, margin_kg=axle.margin_kg)


def _drops(paper: LoadingPaper) -> Flowable:
    is_expected = any(note.expected for note in paper.drops)
    has_empties = any(note.empties for note in paper.drops)
    columns = (
        Column(say("drop"), 10, is_number=True),
        *((Column(say("expected"), 20),) if is_expected else ()),
        Column(say("customer"), 46),
        Column(say("address"), 46),
        Column(say("units"), 9, is_number=True),
        Column(say("cases"), 10, is_number=True),
        Column("kg", 11, is_number=True),
        *((Column(say("empties announced"), 30),) if has_empties else ()),
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
