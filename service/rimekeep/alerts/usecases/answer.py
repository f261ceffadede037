"""Take an alert on, or tell the next in the chain that nobody has."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from sqlalchemy import insert
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.queries import site_of
from rimekeep.alerts import queries
from rimekeep.alerts.core.duty import Step, on_call, step_at
from rimekeep.alerts.core.letters import Purpose
from rimekeep.alerts.tables import Alert, AlertPlan, Letter, Subscription
from rimekeep.errors import Conflict, Missing
from rimekeep.excursions import queries as excursions
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.wording import say

# Alerts followed up in one transaction.
BATCH = 100
# The last in the chain has this long to answer before everybody is told that nobody has.
LAST_WAIT = timedelta(minutes=15)
_LETTERS = Letter.__table__  # type: ignore[attr-defined]


def acknowledge_alert(session: Session, now: datetime, caller: Caller, alert_id: int, *, note: str) -> Alert:
    """Put on record that somebody has seen an alert and takes it on; nobody else is told of it after that."""
    found = queries.alert(session, caller.site_id, alert_id, is_locked=True)
    if found.acknowledged_at is not None:
        raise Conflict(
            "acknowledged",
            say("Somebody has taken this on already."),
            data={"acknowledged_by": found.acknowledged_by, "at": found.acknowledged_at.isoformat()},
        )
    found.acknowledged_at, found.acknowledged_by, found.note = now, caller.id, note
    found.next_step_at = None
    session.flush()
    record(
        session,
        caller.site_id,
        Event("alert.acknowledged", now, actor_id=caller.id, reason=note or None, data={"id": found.id}),
    )
    return found


def follow_up(session: Session, now: datetime) -> int:
    """
    Tell the next in the chain of every alert nobody has acknowledged in time; return of how many.

    A step that reaches nobody, because nobody is on call then or the receiver is switched off, goes on to
    the next at once. An alert whose excursions were all acknowledged is answered by that. When the chain is
    at its end, that is announced to all.
    """
    due = queries.alerts_to_follow(session, now, most=BATCH)
    plans: dict[int, AlertPlan] = {}
    for row in due:
        plan = plans.setdefault(row.site_id, queries.plan(session, row.site_id))
        if _is_answered(session, row):
            row.next_step_at = None
            continue
        _tell_next(session, now, row, plan)
    session.flush()
    return len(due)


def _is_answered(session: Session, row: Alert) -> bool:
    said = queries.seqs_told(session, row.id)
    ids = {one["data"].get("excursion_id") for one in said if one["kind"].startswith("excursion.")}
    if not ids or any(not one["kind"].startswith("excursion.") for one in said):
        return False
    return all(_is_acknowledged(session, row.site_id, one) for one in ids)


def _is_acknowledged(session: Session, site_id: int, excursion_id: Any) -> bool:
    try:
        return excursions.excursion(session, site_id, int(excursion_id)).acknowledged_at is not None
    except (Missing, TypeError, ValueError):
        return False


def _tell_next(session: Session, now: datetime, row: Alert, plan: AlertPlan) -> None:
    steps = queries.steps_of(plan)
    told: list[int] = []
    while not told and row.next_step < len(steps):
        told = _reached(session, now, row.site_id, plan, steps[row.next_step])
        row.next_step += 1
    if told:
        session.execute(insert(_LETTERS), _letters(session, now, row, told))
    row.next_step_at = (step_at(row.opened_at, steps, row.next_step) or now + LAST_WAIT) if told else None
    data: dict[str, Any] = {
        "alert_id": row.id,
        "family": row.family,
        "zone_id": row.zone_id,
        "opened_at": row.opened_at.isoformat(),
        "step": row.next_step,
        "subscriptions": told,
    }
    record(session, row.site_id, Event("alert.followed_up" if told else "alert.unanswered", now, data=data))
    if not told:
        announce(session, row.site_id, Notice("alert.unanswered", now, data))


def _reached(session: Session, now: datetime, site_id: int, plan: AlertPlan, step: Step) -> list[int]:
    """Return the receivers a step reaches at ``now``."""
    if step.subscription_id is None:
        zone = ZoneInfo(site_of(session, site_id).time_zone)
        meant = on_call(queries.turns_of(plan), now, zone)
    else:
        meant = [step.subscription_id]
    found = [session.get(Subscription, one) for one in meant]
    return [one.id for one in found if one is not None and one.is_active]


def _letters(session: Session, now: datetime, row: Alert, told: list[int]) -> list[dict[str, Any]]:
    seqs = queries.alert_seqs(session, row.id)
    return [
        {
            "site_id": row.site_id,
            "subscription_id": one,
            "alert_id": row.id,
            "message_id": f"msg_{uuid4().hex}",
            "purpose": Purpose.ESCALATED.value,
            "severity": row.severity,
            "seqs": seqs,
            "made_at": now,
            "due_at": now,
        }
        for one in told
    ]
