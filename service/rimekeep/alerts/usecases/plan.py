"""Say who is on call, and who is next when nobody answers."""

from collections.abc import Sequence
from datetime import datetime, time
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.alerts import queries
from rimekeep.alerts.core.duty import Step, Turn
from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.tables import AlertPlan
from rimekeep.alerts.usecases.gather import open_plan
from rimekeep.errors import invalid
from rimekeep.platform.journal import Event, record
from rimekeep.wording import say


def set_alert_plan(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    least_severity: Severity,
    turns: Sequence[Turn],
    steps: Sequence[Step],
    reason: str,
) -> AlertPlan:
    """
    Replace a site's rota and chain, for alerts that open from now on and the further steps of those that
    are open.

    Steps come in the order of their time.
    """
    minutes = [one.after_minutes for one in steps]
    if minutes != sorted(minutes):
        raise invalid(
            "steps", say("A step is due before the one it follows."), say("List them by after_minutes.")
        )
    if any(one.subscription_id is None for one in steps) and not turns:
        raise invalid("turns", say("A step tells who is on call, and nobody ever is."), say("Give the rota."))
    called = {one.subscription_id for one in turns}
    meant = {one.subscription_id for one in steps if one.subscription_id is not None}
    for subscription_id in sorted(called | meant):
        queries.subscription(session, caller.site_id, subscription_id)
    plan = open_plan(session, caller.site_id)
    plan.least_severity = least_severity
    plan.turns = [
        {
            "weekday": one.weekday,
            "starts": _words(one.starts),
            "ends": _words(one.ends),
            "subscription_id": one.subscription_id,
        }
        for one in turns
    ]
    plan.steps = [
        {"after_minutes": one.after_minutes, "subscription_id": one.subscription_id} for one in steps
    ]
    session.flush()
    data: dict[str, Any] = {"least_severity": least_severity, "turns": plan.turns, "steps": plan.steps}
    record(
        session, caller.site_id, Event("alert_plan.set", now, actor_id=caller.id, reason=reason, data=data)
    )
    return plan


def _words(at: time) -> str:
    return at.isoformat("minutes")
