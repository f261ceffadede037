"""Register and change customers, their rules for single products and their places."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import conflict, invalid
from rimekeep.orders import queries
from rimekeep.orders.tables import Customer, CustomerDrop, CustomerRule, DemandForecast, ForecastVersion
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say

# Whom to call and where they live stays out of the ledger, which nobody can take anything out of again.
CUSTOMER_FACTS = (
    "code",
    "name",
    "min_life_days",
    "min_life_fraction",
    "no_backward_date",
    "max_lots_per_line",
)
RULE_FACTS = (
    "customer_id", "product_id", "min_life_days", "min_life_fraction", "no_backward_date",
    "max_lots_per_line",
)  # fmt: skip
DROP_FACTS = ("customer_id", "code", "name", "latitude", "longitude", "opens_at", "closes_at")
Changeable = Customer | CustomerRule | CustomerDrop
_KIND: dict[type[SQLModel], tuple[str, tuple[str, ...]]] = {
    Customer: ("customer", CUSTOMER_FACTS),
    CustomerRule: ("customer-rule", RULE_FACTS),
    CustomerDrop: ("customer-drop", DROP_FACTS),
}


def register_customer(
    session: Session, now: datetime, caller: Caller, *, code: str, name: str, **facts: Any
) -> Customer:
    """Add a customer with their rules."""
    if queries.customer_by_code(session, caller.site_id, code) is not None:
        raise conflict(
            "customer-exists",
            "code",
            say("There is a customer {code} already.", code=code),
            say("Change that one, or give this one a code of its own."),
        )
    added = Customer(site_id=caller.site_id, code=code, name=name, **facts)
    add_all(session, now, caller, [added])
    return added


def add_rule(
    session: Session, now: datetime, caller: Caller, *, customer_id: int, product_id: int, **facts: Any
) -> CustomerRule:
    """Say what a customer wants of one product in particular."""
    # Locked, so that nobody adds the same, or removes the customer, at this moment.
    queries.customer(session, caller.site_id, customer_id, is_locked=True)
    require_sound(CustomerRule, facts)
    if not queries.known_products(session, caller.site_id, [product_id]):
        raise invalid(
            "product_id",
            say("There is no product {product_id} at this site.", product_id=product_id),
            say("Register it first, or correct the id."),
        )
    there = queries.rule_for(session, customer_id, product_id)
    if there is not None:
        raise conflict(
            "customer-rule-exists",
            "product_id",
            say(
                "The customer has rule {id} for product {product_id} already.",
                id=there.id,
                product_id=product_id,
            ),
            say("Change that one."),
            {"id": there.id},
        )
    added = CustomerRule(site_id=caller.site_id, customer_id=customer_id, product_id=product_id, **facts)
    add_all(session, now, caller, [added])
    return added


def add_drop(
    session: Session, now: datetime, caller: Caller, *, customer_id: int, code: str, **facts: Any
) -> CustomerDrop:
    """Add a place the customer is delivered to."""
    queries.customer(session, caller.site_id, customer_id, is_locked=True)
    there = queries.drop_by_code(session, customer_id, code)
    if there is not None:
        raise conflict(
            "customer-drop-exists",
            "code",
            say("The customer has a place {code} already.", code=code),
            say("Change that one, or give this one a code of its own."),
            {"id": there.id},
        )
    require_sound(CustomerDrop, facts)
    added = CustomerDrop(site_id=caller.site_id, customer_id=customer_id, code=code, **facts)
    add_all(session, now, caller, [added])
    return added


def require_sound(kind: type[Changeable], facts: Mapping[str, Any]) -> None:
    """Refuse facts of one of these that cannot be meant together."""
    if kind is CustomerRule:
        _require_rule(facts)
    elif kind is CustomerDrop:
        _require_place(facts)


def _require_rule(facts: Mapping[str, Any]) -> None:
    """Refuse a rule that says nothing."""
    said = ("min_life_days", "min_life_fraction", "no_backward_date", "max_lots_per_line")
    if all(facts.get(name) is None for name in said):
        raise invalid(
            "min_life_days",
            say("The rule says nothing."),
            say("Give one of {choices}, or remove the rule.", choices=", ".join(said)),
        )


def _require_place(facts: Mapping[str, Any]) -> None:
    """Refuse half a coordinate, half a window, and a window that closes before it opens."""
    for one, other in (("latitude", "longitude"), ("opens_at", "closes_at")):
        if (facts.get(one) is None) != (facts.get(other) is None):
            lacking = one if facts.get(one) is None else other
            raise invalid(
                lacking,
                say("{one} and {other} belong together.", one=one, other=other),
                say("Give both, or neither."),
            )
    opens_at, closes_at = facts.get("opens_at"), facts.get("closes_at")
    if opens_at is not None and closes_at is not None and closes_at <= opens_at:
        raise invalid(
            "closes_at",
            say("{closes_at:%H:%M} is not after {opens_at:%H:%M}.", closes_at=closes_at, opens_at=opens_at),
            say("Give a window within one day; 23:59 stands for midnight."),
        )


def change(
    session: Session, now: datetime, caller: Caller, row: Changeable, *, reason: str, **facts: Any
) -> None:
    """
    Change some facts of a locked customer, rule or place; what is the same already is not recorded.

    What is reserved and too old for stricter rules is served anew by the job that looks for such.
    """
    kind, told = _KIND[type(row)]
    after = {name: facts.get(name, getattr(row, name)) for name in type(row).model_fields}
    require_sound(type(row), after)
    changed = [name for name, value in facts.items() if getattr(row, name) != value]
    if not changed:
        return
    data: dict[str, Any] = {
        "id": row.id,
        "before": {name: _plain(getattr(row, name)) for name in changed if name in told},
        "after": {name: _plain(facts[name]) for name in changed if name in told},
        "fields": changed,
    }
    for name in changed:
        setattr(row, name, facts[name])
    session.flush()
    record(session, row.site_id, Event(f"{kind}.changed", now, actor_id=caller.id, reason=reason, data=data))


def remove(session: Session, now: datetime, caller: Caller, row: Changeable, *, reason: str) -> None:
    """
    Take away a locked rule, or a place or customer no order was ever placed for.

    A customer goes with their rules and places, and with what was forecast of them.
    """
    kind, told = _KIND[type(row)]
    if isinstance(row, CustomerDrop) and queries.has_orders(session, drop_id=row.id):
        raise conflict(
            "customer-drop-in-use",
            "drop_id",
            say("Orders go to the place {code}; it stays.", code=row.code),
            say("Change it instead."),
        )
    if isinstance(row, Customer):
        if queries.has_orders(session, customer_id=row.id):
            raise conflict(
                "customer-in-use",
                "customer_id",
                say(
                    "There are orders of customer {code}; they stay on record, and so does the customer.",
                    code=row.code,
                ),
                say("Change the customer instead."),
            )
        for table in (DemandForecast, ForecastVersion):
            session.execute(delete(table).where(col(table.customer_id) == row.id))
        for kept in (CustomerRule, CustomerDrop):
            for one in session.scalars(select(kept).where(col(kept.customer_id) == row.id)):
                session.delete(one)
        session.flush()
    data = {"id": row.id, "before": {name: _plain(getattr(row, name)) for name in told}, "after": None}
    session.delete(row)
    session.flush()
    record(
        session, caller.site_id, Event(f"{kind}.removed", now, actor_id=caller.id, reason=reason, data=data)
    )


def add_all(session: Session, now: datetime, caller: Caller, added: Sequence[Changeable]) -> None:
    """Write rows that were checked, and record them."""
    session.add_all(added)
    session.flush()
    for row in added:
        kind, told = _KIND[type(row)]
        data = {"id": row.id, **{name: _plain(getattr(row, name)) for name in told}}
        record(session, caller.site_id, Event(f"{kind}.registered", now, actor_id=caller.id, data=data))


def _plain(value: object) -> object:
    return value.isoformat(timespec="minutes") if isinstance(value, time) else value
