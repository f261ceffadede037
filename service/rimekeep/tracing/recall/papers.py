"""The report of a recall or a drill as PDF."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from io import BytesIO
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.platypus import Flowable, SimpleDocTemplate, Spacer

from rimekeep.loading.papers.frame import (
    BODY,
    BOTTOM,
    HEADING,
    MARGIN,
    STRONG,
    WIDTH,
    Column,
    boxed,
    table,
    text,
)
from rimekeep.platform.printing import PLAIN, fitted, printable
from rimekeep.tracing.recall.core.reconcile import totals
from rimekeep.tracing.recall.core.records import CustomerPart

DRILL = "DRILL: nothing was stopped and nobody was told."
_PLACES = (Column("where", 60), Column("cases", 20, is_number=True))
_CUSTOMERS = (
    Column("customer", 40),
    Column("contact", 42),
    Column("lots", 26),
    Column("delivered", 15, is_number=True),
    Column("returned", 14, is_number=True),
    Column("destroyed", 15, is_number=True),
    Column("sold on", 13, is_number=True),
    Column("open", 12, is_number=True),
    Column("state", 18),
)


def report_pdf(
    site_name: str,
    now: datetime,
    row: Mapping[str, Any],
    figures: Mapping[str, Any],
    parts: Sequence[CustomerPart],
) -> bytes:
    """Return the report: figures, where the cases stand, every customer's part, what was signed."""
    out = BytesIO()
    title = f"{'Drill' if row['is_mock'] else 'Recall'} {row['id']}, {site_name}"
    document = SimpleDocTemplate(
        out, pagesize=A4, title=printable(title), author=printable(site_name), invariant=1,
        leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=BOTTOM,
    )  # fmt: skip
    foot = f"{title}; printed {now:%Y-%m-%d %H:%M} UTC"

    def mark(canvas: Any, page: Any) -> None:
        line, points = fitted(foot, PLAIN, 8, WIDTH - 2 * MARGIN - 50)
        canvas.setFont(PLAIN, points)
        canvas.drawString(MARGIN, BOTTOM / 2, line)
        canvas.drawRightString(WIDTH - MARGIN, BOTTOM / 2, f"page {page.page}")

    document.build(_story(title, row, figures, parts), onFirstPage=mark, onLaterPages=mark)
    return out.getvalue()


def _story(
    title: str, row: Mapping[str, Any], figures: Mapping[str, Any], parts: Sequence[CustomerPart]
) -> list[Flowable]:
    summed = totals(part.balance for part in parts)
    story: list[Flowable] = [text(title, HEADING)]
    if row["is_mock"]:
        story += [boxed([text(DRILL, STRONG)]), Spacer(0, 6)]
    story += [text(line, BODY) for line in _head(row, figures)]
    story += [
        text("Where the cases are", HEADING),
        table(
            _PLACES,
            [
                *([place, str(cases)] for place, cases in figures["cases_by_place"].items()),
                ["delivered", str(figures["delivered_cases"])],
                ["on the way to customers", str(figures["on_the_way_cases"])],
                ["written off (negative) or found", str(figures["adjusted_cases"])],
                ["not accounted for", str(figures["missing_cases"])],
            ],
        ),
        text("Customers", HEADING),
        table(_CUSTOMERS, [_line(part) for part in parts]),
        Spacer(0, 4),
    ]
    if not row["is_mock"]:
        story.append(
            text(
                f"Delivered {summed.delivered} = returned {summed.returned} + destroyed {summed.destroyed} + "
                f"sold on {summed.sold_on} + outstanding {summed.outstanding} cases.",
                STRONG,
            )
        )
    for name, what in (("started_sha256", "start"), ("closed_sha256", "closing")):
        if row[name]:
            story.append(text(f"SHA-256 of what was signed at the {what}: {row[name]}", BODY))
    return story


def _head(row: Mapping[str, Any], figures: Mapping[str, Any]) -> list[str]:
    lines = [
        f"Scope: {row['kind']}, {figures['lots']} lots, {figures['made_cases']} cases.",
        f"Accounted for: {figures['accounted_share']:.2%} of the cases; {figures['customers']} customers.",
    ]
    if "list_seconds" in figures:
        lines.append(f"From the question to the complete list of customers: {figures['list_seconds']} s.")
    if row["started_at"] is not None:
        lines.append(f"Begun {row['started_at']:%Y-%m-%d %H:%M} UTC. {row['reason']}")
    if row["closed_at"] is not None and not row["is_mock"]:
        lines.append(
            f"Closed {row['closed_at']:%Y-%m-%d %H:%M} UTC: {row['close_reason']}; stock: {row['ending']}."
        )
    return lines


def _line(part: CustomerPart) -> list[str]:
    who, answer = part.customer, part.balance.answer
    reach = "; ".join(word for word in (who.contact, who.phone, who.mail) if word)
    back = part.balance.returned
    cells = (back or "", "", "") if answer is None else (back, answer.destroyed, answer.sold_on)
    return [
        f"{who.code} {who.name}",
        reach,
        ", ".join(sorted({one.lot_code for one in part.deliveries})),
        str(part.balance.delivered),
        *map(str, cells),
        str(part.balance.outstanding),
        str(part.state),
    ]
