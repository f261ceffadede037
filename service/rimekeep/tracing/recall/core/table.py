"""The list of deliveries as a table: one step forward, from whom to whom, what, when and how many."""

import csv
from collections.abc import Iterable
from io import StringIO

from rimekeep.tracing.recall.core.records import CustomerPart

# A spreadsheet would run a cell that begins with one of these.
_RISKY = ("=", "+", "-", "@", "\t", "\r")
COLUMNS = (
    "customer", "customer_name", "contact", "phone", "mail", "customer_address", "drop", "drop_name",
    "drop_address", "drop_contact", "order", "customer_reference", "deliver_on", "trip", "vehicle",
    "departed_at", "delivered_at", "sscc", "sku", "product", "lot", "best_before_on", "cases", "state",
    "notified_at",
)  # fmt: skip


def as_csv(parts: Iterable[CustomerPart]) -> str:
    """
    Return one line for each lot on each unit each customer has, with a head.

    Texts that a spreadsheet would take for a formula get an apostrophe before them.
    """
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for part in parts:
        who = part.customer
        for one in part.deliveries:
            cells = (
                who.code, who.name, who.contact, who.phone, who.mail, who.address, one.drop_code,
                one.drop_name, one.drop_address, one.drop_contact, one.order_code, one.external_reference,
                one.deliver_on, one.trip_id, one.vehicle, one.departed_at.isoformat(),
                None if one.off_at is None else one.off_at.isoformat(), one.sscc, one.sku, one.product_name,
                one.lot_code, one.best_before_on, one.cases, str(part.state),
                None if part.notified_at is None else part.notified_at.isoformat(),
            )  # fmt: skip
            writer.writerow([_safe(cell) for cell in cells])
    return out.getvalue()


def _safe(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_RISKY) else cell
