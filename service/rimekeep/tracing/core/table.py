"""A flow as lines of comma-separated values, one an edge."""

import csv
import io
from collections.abc import Mapping

from rimekeep.tracing.core.graph import Graph

HEADER = (
    "lot", "from_kind", "from", "way", "to_kind", "to", "cases", "order", "trip_id", "first_at", "last_at",
)  # fmt: skip
# A spreadsheet takes a cell that begins so for a formula (OWASP, CSV injection).
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def table(graph: Graph, *, lots: Mapping[int, str]) -> str:
    """Return the edges of a flow as CSV (RFC 4180), with the names people know."""
    names = {node.place: node.name for node in graph.nodes}
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(HEADER)
    for edge in graph.edges:
        writer.writerow(
            (
                _cell(lots.get(edge.lot_id, str(edge.lot_id))),
                edge.source.kind.value,
                _cell(names[edge.source]),
                edge.way.value,
                edge.target.kind.value,
                _cell(names[edge.target]),
                edge.cases,
                _cell(edge.order or ""),
                "" if edge.trip_id is None else edge.trip_id,
                f"{edge.first_at:%Y-%m-%dT%H:%M:%SZ}",
                f"{edge.last_at:%Y-%m-%dT%H:%M:%SZ}",
            )
        )
    return text.getvalue()


def _cell(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text
