"""Look ahead: what will not sell in time, and a word about each lot when it first shows."""

from datetime import datetime

from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.picking import queries
from rimekeep.picking.core.outlook import outlook
from rimekeep.picking.core.outlook.demand import Basis
from rimekeep.picking.core.outlook.told import SiteOutlook, told
from rimekeep.picking.queries.outlook import HORIZON_DAYS, OutlookFacts
from rimekeep.platform.database import bulk_insert, let_go, take_turns
from rimekeep.platform.journal import Notice, announce


def look_ahead(session: Session, now: datetime, site_id: int, *, days: int = HORIZON_DAYS) -> SiteOutlook:
    """Return what will not sell within so many days; the database is let go while it is worked out."""
    facts = queries.outlook_facts(session, now, site_id, days)
    let_go(session)
    return _told(session, facts, relax=True)


def tell_of_waste(session: Session, now: datetime, site_id: int) -> int:
    """
    Tell people of lots that will not sell in time, each once; return how many were new.

    Where demand is known from orders alone nothing is told: every lot would seem to be too much.
    """
    take_turns(session, f"outlook {site_id}")
    found = _told(session, queries.outlook_facts(session, now, site_id), relax=False)
    known = queries.lots_told_of(session, site_id)
    guessed = {row.product_id for row in found.products if row.demand_from == Basis.ORDERS}
    by_lot: dict[int, list[int]] = {}
    for place, one in enumerate(found.lots):
        if one.lot_id not in known and one.product_id not in guessed:
            by_lot.setdefault(one.lot_id, []).append(place)
    table = SQLModel.metadata.tables["waste_told"]
    for lot_id, places in by_lot.items():
        parts = [found.lots[place] for place in places]
        cases = sum(one.cases for one in parts)
        row = {"lot_id": lot_id, "site_id": site_id, "cases": cases, "told_at": now}
        bulk_insert(session, table, [row])
        values = [one.value for one in parts if one.value is not None]
        acts = [one.act_by for one in parts if one.act_by is not None]
        shown = [one.shown_on for one in parts if one.shown_on is not None]
        data = {
            "lot_id": lot_id,
            "lot_code": parts[0].lot_code,
            "sku": parts[0].sku,
            "cases": cases,
            "value": round(sum(values), 2) if values else None,
            "currency": found.currency,
            "saleable_until": max(one.saleable_until for one in parts).isoformat(),
            "act_by": min(acts).isoformat() if acts else None,
            "shown_on": min(shown).isoformat() if shown else None,
            "what_to_do": "See the outlook for customers who could take it with less life left."
            if acts
            else "No customer's demand in the forecast can take it; find another buyer.",
        }
        announce(session, site_id, Notice("waste.expected", now, data))
    return len(by_lot)


def _told(session: Session, facts: OutlookFacts, *, relax: bool) -> SiteOutlook:
    found = outlook(
        facts.lots,
        facts.demand,
        today=facts.today.toordinal(),
        until=facts.until.toordinal(),
        relax=relax,
        known=lambda products: queries.known_demand(session, facts, products),
    )
    return told(
        found,
        today=facts.today,
        until=facts.until,
        currency=facts.currency,
        parts=facts.facts,
        held=facts.held,
        products=facts.products,
        basis=facts.basis,
        customers=facts.customers,
    )
