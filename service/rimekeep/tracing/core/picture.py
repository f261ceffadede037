"""The picture of a flow as SVG: boxes with text, lines as thick as what went along them."""

import math
from collections.abc import Mapping
from xml.sax.saxutils import escape

from rimekeep.tracing.core.flows import Kind, Place
from rimekeep.tracing.core.graph import RETURNS, Edge, Graph, Node
from rimekeep.tracing.core.grouping import grouped
from rimekeep.tracing.core.layout import HEIGHT, WIDTH, Box, Sheet, laid_out

LONGEST_NAME = 24
# With more lines their numbers would hide each other; they stay in the lines' titles.
MOST_NUMBERS = 150
THINNEST, THICKEST = 1.2, 11.0
TOP = 28.0
STYLE = (
    "text{font:12px sans-serif;fill:#111}.s{font-size:11px;fill:#333}.n{font-size:11px;paint-order:stroke;"
    "stroke:#fff;stroke-width:3px}.e{fill:none;stroke:#4a6a8a;stroke-opacity:.55}"
    ".r{stroke:#8a3a2a;stroke-dasharray:7 4}rect{stroke:#222;fill:#fff}.lot{fill:#eef4e4}"
    ".customer{fill:#e6eef8}.loss{fill:#f8e8e4;stroke-dasharray:4 2}.group{stroke-width:2.5}.b{stroke:none}"
)


def picture(graph: Graph, *, title: str, lots: Mapping[int, str]) -> str:
    """
    Return the picture of a flow.

    A large one is told in groups of units. ``lots`` are the codes of its lots. Everything drawn is text too:
    the title, what it shows in one sentence, and on every line who got how much from whom.
    """
    shown = grouped(graph)
    sheet = laid_out(shown)
    boxes = {box.node.place: box for box in sheet.boxes}
    most = max((edge.cases for edge in shown.edges), default=1)
    with_numbers = len(shown.edges) <= MOST_NUMBERS
    names = {node.place: node.name for node in shown.nodes}
    width, height = _size(sheet)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}"'
        f' height="{height}" role="img" aria-labelledby="title desc" font-size="12">',
        f'<title id="title">{_text(title)}</title>',
        f'<desc id="desc">{_text(_in_a_sentence(graph, shown))}</desc>',
        f"<style>{STYLE}</style>",
        f'<rect class="b" width="{width}" height="{height}"/>',
        f'<text x="16" y="18">{_text(title)}</text>',
    ]
    parts += [_line(edge, boxes, names, lots, most) for edge in shown.edges]
    parts += [_box(box) for box in sheet.boxes]
    if with_numbers:
        parts += [_number(edge, boxes) for edge in shown.edges]
    return "\n".join([*parts, "</svg>", ""])


def picture_size(graph: Graph) -> tuple[int, int]:
    """Return width and height of a flow's picture, for a page to keep its place. [px]"""
    return _size(laid_out(grouped(graph)))


def _size(sheet: Sheet) -> tuple[int, int]:
    return math.ceil(sheet.width), math.ceil(sheet.height + TOP)


def _in_a_sentence(graph: Graph, shown: Graph) -> str:
    count = {kind: sum(node.place.kind == kind for node in graph.nodes) for kind in Kind}
    said = (
        f"{count[Kind.LOT]} lots, {count[Kind.UNIT]} units, {count[Kind.CUSTOMER]} customers, in columns "
        "from where goods came from to where they went; dashed lines are returns; numbers are cases."
    )
    return said if graph is shown else f"{said} Units that went the same way are drawn as one."


def _box(box: Box) -> str:
    node, x, y = box.node, box.x, box.y + TOP
    is_group = node.place.key.startswith("group ")
    style = f"{node.place.kind.value}{' group' if is_group else ''}"
    name = node.name if len(node.name) <= LONGEST_NAME else node.name[: LONGEST_NAME - 1] + "…"
    return (
        f'<g><title>{_text(node.name)}: {_text(_second(node))}</title><rect class="{style}" x="{x:.1f}" '
        f'y="{y:.1f}" width="{WIDTH:.0f}" height="{HEIGHT:.0f}" rx="4"/><text x="{x + 8:.1f}" '
        f'y="{y + 16:.1f}">{_text(name)}</text><text class="s" x="{x + 8:.1f}" y="{y + 32:.1f}">'
        f"{_text(_second(node))}</text></g>"
    )


def _second(node: Node) -> str:
    match node.place.kind:
        case Kind.LOT:
            return f"lot · {node.cases_out} cases came in"
        case Kind.UNIT:
            return f"{node.cases_in} in, {node.cases_out} out"
        case Kind.CUSTOMER:
            back = f", {node.cases_out} back" if node.cases_out else ""
            return f"customer · {node.cases_in} sent{back}"
        case Kind.LOSS:
            back = f", {node.cases_out} found" if node.cases_out else ""
            return f"{node.cases_in} written off{back}"


def _ends(edge: Edge, boxes: Mapping[Place, Box]) -> tuple[float, float, float, float]:
    source, target = boxes[edge.source], boxes[edge.target]
    y1, y2 = source.y + TOP + HEIGHT / 2, target.y + TOP + HEIGHT / 2
    if edge.way in RETURNS:
        # Beside the line of what was sent.
        y1, y2 = y1 + HEIGHT / 3, y2 + HEIGHT / 3
    if source.x <= target.x:
        return source.x + WIDTH, y1, target.x, y2
    return source.x, y1, target.x + WIDTH, y2


def _line(
    edge: Edge, boxes: Mapping[Place, Box], names: Mapping[Place, str], lots: Mapping[int, str], most: int
) -> str:
    x1, y1, x2, y2 = _ends(edge, boxes)
    bend = (x2 - x1) / 2 if x1 != x2 else 40.0
    thick = THINNEST + (THICKEST - THINNEST) * math.sqrt(edge.cases / most)
    style = "e r" if edge.way in RETURNS else "e"
    told = f"{names[edge.source]} to {names[edge.target]}: {edge.cases} cases {edge.way.value}"
    if edge.lot_id in lots:
        told += f", lot {lots[edge.lot_id]}"
    return (
        f'<path class="{style}" stroke-width="{thick:.1f}" d="M{x1:.1f} {y1:.1f}C{x1 + bend:.1f} {y1:.1f} '
        f'{x2 - bend:.1f} {y2:.1f} {x2:.1f} {y2:.1f}"><title>{_text(told)}</title></path>'
    )


def _number(edge: Edge, boxes: Mapping[Place, Box]) -> str:
    x1, y1, x2, y2 = _ends(edge, boxes)
    # A fifth before the end of the curve, where lines that began together have parted.
    share = 0.8
    bend = 3 * share**2 * (1 - share) + share**3
    x = x1 + (x2 - x1) * (1.5 * share * (1 - share) ** 2 + 1.5 * share**2 * (1 - share) + share**3)
    y = y1 + (y2 - y1) * bend
    return f'<text class="n" text-anchor="middle" x="{x:.1f}" y="{y + 4:.1f}">{edge.cases}</text>'


def _text(told: str) -> str:
    """Return a text that SVG can hold: what XML has no character for becomes a question mark."""
    return escape("".join(sign if _is_character(sign) else "?" for sign in told))


def _is_character(sign: str) -> bool:
    return sign in "\t\n\r" or " " <= sign <= "\ud7ff" or "\ue000" <= sign <= "\ufffd" or sign >= "\U00010000"
