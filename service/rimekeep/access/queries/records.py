"""What records there are, and which of them are past their time."""

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from rimekeep.access.core.retention import REMOVABLE, Jurisdiction, Record, Rule, read_rules
from rimekeep.access.tables import BrowserSession, Invitation, Principal, Site


@dataclass(frozen=True, slots=True)
class RecordsKept:
    """One kind of record of a site, the rule it is kept by, and how old the oldest is."""

    record: Record
    oldest_at: datetime | None
    keep_days: int | None
    source: str | None
    certainty: str | None
    is_past: bool
    is_removable: bool


@cache
def rules() -> dict[tuple[Jurisdiction, Record], Rule]:
    """Return the rules this version ships with."""
    return read_rules((files("rimekeep.access") / "retention.json").read_text(encoding="utf-8"))


def rule_for(site: Site, record: Record) -> Rule | None:
    """Return the rule a site keeps a kind of record by; None if it has not said by whose rules."""
    return None if site.records_under is None else rules()[Jurisdiction(site.records_under), record]


def sessions_over_before(site_id: int, at: datetime) -> ColumnElement[bool]:
    """Return which sessions of people at a site were over by then."""
    people = select(col(Principal.id)).where(col(Principal.site_id) == site_id)
    return col(BrowserSession.principal_id).in_(people) & (col(BrowserSession.expires_at) < at)


def invitations_over_before(site_id: int, at: datetime) -> ColumnElement[bool]:
    """Return which invitations of a site had expired by then."""
    return (col(Invitation.site_id) == site_id) & (col(Invitation.expires_at) < at)


def _oldest(session: Session, site_id: int, record: Record) -> datetime | None:
    asked: Any
    if record is Record.SIGN_INS:
        asked = select(col(BrowserSession.created_at)).join(
            Principal, col(Principal.id) == col(BrowserSession.principal_id)
        )
        asked = asked.where(col(Principal.site_id) == site_id).order_by(col(BrowserSession.id))
    elif record is Record.INVITATIONS:
        asked = select(col(Invitation.created_at)).where(col(Invitation.site_id) == site_id)
        asked = asked.order_by(col(Invitation.id))
    elif record is Record.LETTERS:
        sent = SQLModel.metadata.tables["letter"].c
        asked = select(sent.delivered_at).where(sent.site_id == site_id, sent.delivered_at.is_not(None))
        asked = asked.order_by(sent.id)
    else:
        # By the order they were written in, which is the key's: the first row is the answer.
        table = SQLModel.metadata.tables["ledger_event" if record is Record.LEDGER else "audit_entry"].c
        asked = select(table.at).where(table.site_id == site_id)
        asked = asked.order_by(table.seq if record is Record.LEDGER else table.at)
    found: datetime | None = session.scalar(asked.limit(1))
    return found


def records_kept(session: Session, site: Site, now: datetime) -> list[RecordsKept]:
    """Return for each kind of record of a site how it is kept."""
    told = []
    for record in Record:
        rule, oldest_at = rule_for(site, record), _oldest(session, site.id, record)
        told.append(
            RecordsKept(
                record=record,
                oldest_at=oldest_at,
                keep_days=None if rule is None else rule.keep_days,
                source=None if rule is None else rule.source,
                certainty=None if rule is None else rule.certainty,
                is_past=rule is not None and oldest_at is not None and oldest_at < rule.ends_before(now),
                is_removable=record in REMOVABLE,
            )
        )
    return told
