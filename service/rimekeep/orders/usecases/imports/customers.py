"""Customers, their rules for single products and their places, from files."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Invalid
from rimekeep.orders import queries
from rimekeep.orders.tables import Customer, CustomerDrop, CustomerRule
from rimekeep.orders.usecases.customers import (
    Changeable,
    add_all,
    change,
    require_sound,
)
from rimekeep.orders.usecases.imports.cells import Degrees, clock, days, fraction, positive
from rimekeep.orders.usecases.imports.comparing import BY_FILE, Progress, begin, differing, tell_differing
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, code, name, text, yes_no
from rimekeep.wording import say

CUSTOMER_COLUMNS = (
    Column("code", code),
    Column("name", name),
    Column("contact", text, is_required=False, default=""),
    Column("phone", text, is_required=False, default=""),
    Column("mail", text, is_required=False, default=""),
    Column("address", text, is_required=False, default=""),
    Column("min_life_days", days, is_required=False, default=0),
    Column("min_life_fraction", fraction, is_required=False),
    Column("no_backward_date", yes_no, is_required=False, default=False),
    Column("max_lots_per_line", positive, is_required=False),
)
RULE_COLUMNS = (
    Column("customer", code),
    Column("sku", code),
    Column("min_life_days", days, is_required=False),
    Column("min_life_fraction", fraction, is_required=False),
    Column("no_backward_date", yes_no, is_required=False),
    Column("max_lots_per_line", positive, is_required=False),
)
DROP_COLUMNS = (
    Column("customer", code),
    Column("code", code),
    Column("name", name),
    Column("address", text, is_required=False, default=""),
    Column("contact", text, is_required=False, default=""),
    Column("latitude", Degrees(90), is_required=False),
    Column("longitude", Degrees(180), is_required=False),
    Column("opens_at", clock, is_required=False),
    Column("closes_at", clock, is_required=False),
)


# Columns that name another thing: the field it is stored under, and what to say where it is not there.
_OWNERS = {
    "customer": (
        "customer_id",
        "{wanted!r} is not a customer here.",
        say("Import the customers first."),
    ),
    "sku": (
        "product_id",
        "{wanted!r} is not a product here.",
        say("Import the products first."),
    ),
}


def _import(
    title: str,
    kind: type[Changeable],
    key: Sequence[str],
    session: Session,
    now: datetime,
    caller: Caller,
    rows: Rows,
    progress: Progress,
    *,
    is_amending: bool = False,
) -> ImportReport:
    """Add what a file has of one kind; with ``is_amending`` what is there becomes what the file says."""
    known = {
        tuple(getattr(row, _OWNERS[name][0] if name in _OWNERS else name) for name in key): row
        for row in queries.all_of(session, kind, caller.site_id, is_locked=is_amending)
    }
    merge = _Merge(begin(title, rows, *key), kind, _owners(session, caller.site_id, key), is_amending)
    for done, row in enumerate(rows.rows, 1):
        merge.take(caller.site_id, row, key, known)
        progress(done, len(rows.rows))
    return merge.write(session, now, caller)


import_customers = partial(_import, "customers", Customer, ("code",))
# An empty cell of a rule leaves what the customer wants of all products.
import_rules = partial(_import, "customer-rules", CustomerRule, ("customer", "sku"))
import_drops = partial(_import, "drops", CustomerDrop, ("customer", "code"))


def _owners(session: Session, site_id: int, columns: Sequence[str]) -> dict[str, Mapping[str, int]]:
    """Return the ids of what these columns may name, by column that names another thing."""
    found: dict[str, Mapping[str, int]] = {}
    if "customer" in columns:
        customers = queries.customers_by_code(session, site_id)
        found["customer"] = {code: one.id for code, one in customers.items()}
    if "sku" in columns:
        found["sku"] = queries.product_ids_by_sku(session, site_id)
    return found


@dataclass(slots=True)
class _Merge:
    """A file of one kind on its way in: what it adds and what it changes, or what is wrong with it."""

    report: ImportReport
    kind: type[Changeable]
    owners: Mapping[str, Mapping[str, int]]
    is_amending: bool
    added: list[Changeable] = field(default_factory=list)
    changed: list[tuple[Changeable, dict[str, Any]]] = field(default_factory=list)

    def take(self, site_id: int, row: Row, key: Sequence[str], known: Mapping[Any, Changeable]) -> None:
        """Meet a row with what is stored under its ``key``."""
        whose = self._owners_of(row)
        if whose is None:
            return
        facts: dict[str, Any] = {name: value for name, value in row.values.items() if name not in self.owners}
        stored = known.get(
            tuple(whose[_OWNERS[name][0]] if name in self.owners else facts[name] for name in key)
        )
        if stored is not None:
            self._meet(row, " of ".join(str(row.values[name]) for name in reversed(key)), stored, facts)
        elif self._is_sound(row, facts):
            self.added.append(self.kind(site_id=site_id, **whose, **facts))

    def _owners_of(self, row: Row) -> dict[str, Any] | None:
        """Return the ids of what the row names, or note what is not there."""
        found: dict[str, int] = {}
        for column, ids in self.owners.items():
            name, words, mend = _OWNERS[column]
            wanted = str(row.values[column])
            if wanted in ids:
                found[name] = ids[wanted]
            else:
                self.report.fault(row, column, say(words, wanted=wanted), mend)
        return found if len(found) == len(self.owners) else None

    def _meet(self, row: Row, what: str, stored: Changeable, facts: Mapping[str, Any]) -> None:
        """Leave alone what is the same; note other facts as a change, or as faults if none is asked for."""
        said = {name: value for name, value in facts.items() if name in row.told}
        whole = {name: said.get(name, getattr(stored, name)) for name in facts}
        others = differing(stored, said)
        if not self._is_sound(row, whole):
            return
        if not others:
            self.report.unchanged += 1
        elif self.is_amending:
            self.changed.append((stored, {name: said[name] for name in others}))
        else:
            tell_differing(self.report, row, what, stored, said, others)

    def _is_sound(self, row: Row, facts: Mapping[str, Any]) -> bool:
        """Note what a use case would refuse about these facts as faults of the row's cells."""
        try:
            require_sound(self.kind, facts)
        except Invalid as error:
            for fault in error.faults:
                self.report.fault(row, fault.field, fault.detail, fault.mend)
            return False
        return True

    def write(self, session: Session, now: datetime, caller: Caller) -> ImportReport:
        """Store it all, if nothing is wrong."""
        if not self.report.faults:
            add_all(session, now, caller, self.added)
            for stored, facts in self.changed:
                change(session, now, caller, stored, reason=BY_FILE, **facts)
            self.report.created, self.report.amended = len(self.added), len(self.changed)
        return self.report
