"""Reads of recalls: what they reach, who has it, what was answered."""

from rimekeep.tracing.recall.queries.beside import is_of_lots, lots_beside, marked_units, units_beside
from rimekeep.tracing.recall.queries.promised import reserved_lines, units_of
from rimekeep.tracing.recall.queries.recalls import (
    DELIVERIES,
    STOPPED,
    accounted,
    customer_parts,
    deliveries_of,
    figures_now,
    recall,
    recalls,
    stopped_of,
)
from rimekeep.tracing.recall.queries.scope import resolve, source_of
from rimekeep.tracing.recall.queries.whereabouts import cases_in, deliveries, stopped

__all__ = [
    "DELIVERIES",
    "STOPPED",
    "accounted",
    "cases_in",
    "customer_parts",
    "deliveries",
    "deliveries_of",
    "figures_now",
    "is_of_lots",
    "lots_beside",
    "marked_units",
    "recall",
    "recalls",
    "reserved_lines",
    "resolve",
    "source_of",
    "stopped",
    "stopped_of",
    "units_beside",
    "units_of",
]
