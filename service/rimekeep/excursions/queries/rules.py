"""Rules for the cold, as stored and as the core computes with them."""

from collections.abc import Collection
from typing import Literal, cast

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.errors import missing
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.tables import ExcursionRule
from rimekeep.platform.database import Listing


def rule(session: Session, site_id: int, rule_id: int) -> ExcursionRule:
    """Return a rule of the site."""
    found = session.get(ExcursionRule, rule_id)
    if found is None or found.site_id != site_id:
        raise missing("excursion rule", rule_id)
    return found


def rules(site_id: int, *, zone_id: int | None = None) -> Listing:
    """Return the statement for the site's rules, and its order."""
    statement = select(ExcursionRule).where(col(ExcursionRule.site_id) == site_id)
    if zone_id is not None:
        statement = statement.where(col(ExcursionRule.zone_id) == zone_id)
    return statement, [col(ExcursionRule.id)]


def active_rules(
    session: Session, site_id: int, *, zone_ids: Collection[int] | None = None
) -> list[ExcursionRule]:
    """Return the rules that are watched, of some rooms or all."""
    statement = select(ExcursionRule).where(
        col(ExcursionRule.site_id) == site_id, col(ExcursionRule.is_active)
    )
    if zone_ids is not None:
        statement = statement.where(col(ExcursionRule.zone_id).in_(sorted(zone_ids)))
    return list(session.scalars(statement.order_by(col(ExcursionRule.id))))


def core_rule(row: ExcursionRule) -> Rule:
    """Return a stored rule in the form the core computes with; a guard by the sensor comes beside it."""
    return Rule(
        cast(Literal["above", "below"], row.side),
        row.limit_c,
        cast(Literal["single", "cumulative"], row.kind),
        row.allowed_s,
        row.hysteresis_c,
        row.guard_c or 0.0,
    )
