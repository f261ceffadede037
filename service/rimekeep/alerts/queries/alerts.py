"""Reads of alerts, of what is sorted into them, and of who follows them up."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.alerts.core.duty import Step, Turn, on_call, wall_time
from rimekeep.alerts.core.kinds import Severity
from rimekeep.alerts.tables import Alert, AlertNotice, AlertPlan, Subscription
from rimekeep.errors import missing
from rimekeep.platform.database import Listing
from rimekeep.platform.journal import OutboxMessage, SiteHead


def sorted_after(
    session: Session, site_id: int, seq: int, upto: int, *, most: int
) -> Sequence[tuple[int, str, str, str, int | None, int, str, int | None, datetime]]:
    """Return number, message id, kind, severity, zone of notices; and id, family, zone, opening of alerts."""
    rows = session.execute(
        select(
            col(AlertNotice.seq),
            col(OutboxMessage.message_id),
            col(OutboxMessage.kind),
            col(AlertNotice.severity),
            col(AlertNotice.zone_id),
            col(Alert.id),
            col(Alert.family),
            col(Alert.zone_id),
            col(Alert.opened_at),
        )
        .join(
            OutboxMessage,
            and_(
                col(OutboxMessage.site_id) == col(AlertNotice.site_id),
                col(OutboxMessage.seq) == col(AlertNotice.seq),
            ),
        )
        .join(Alert, col(Alert.id) == col(AlertNotice.alert_id))
        .where(col(AlertNotice.site_id) == site_id)
        .where(col(AlertNotice.seq) > seq, col(AlertNotice.seq) <= upto)
        .order_by(col(AlertNotice.seq))
        .limit(most)
    )
    return [tuple(row) for row in rows]  # type: ignore[misc]


def alert(session: Session, site_id: int, alert_id: int, *, is_locked: bool = False) -> Alert:
    """Return an alert of the site."""
    found = session.get(Alert, alert_id, with_for_update=is_locked or None, populate_existing=is_locked)
    if found is None or found.site_id != site_id:
        raise missing("alert", alert_id)
    return found


def alerts(site_id: int, *, is_open: bool | None, severity: Severity | None) -> Listing:
    """Return the statement for a site's alerts, and its order."""
    statement = select(Alert).where(col(Alert.site_id) == site_id)
    if is_open is not None:
        unanswered = col(Alert.acknowledged_at).is_(None)
        statement = statement.where(unanswered if is_open else ~unanswered)
    if severity is not None:
        graver = [one.value for one in Severity if one.rank >= severity.rank]
        statement = statement.where(col(Alert.severity).in_(graver))
    return statement, [col(Alert.id)]


def alert_seqs(session: Session, alert_id: int) -> list[int]:
    """Return the numbers of an alert's notices."""
    return list(
        session.scalars(
            select(col(AlertNotice.seq))
            .where(col(AlertNotice.alert_id) == alert_id)
            .order_by(col(AlertNotice.seq))
        )
    )


def alerts_to_follow(session: Session, now: datetime, *, most: int) -> list[Alert]:
    """Return alerts, of all sites, whose next step is due, locked."""
    return list(
        session.scalars(
            select(Alert)
            .where(col(Alert.next_step_at) <= now)
            .order_by(col(Alert.next_step_at), col(Alert.id))
            .limit(most)
            .with_for_update()
        )
    )


def is_any_to_follow(session: Session, now: datetime) -> bool:
    """Tell whether the next step of any alert is due."""
    return session.scalar(select(col(Alert.id)).where(col(Alert.next_step_at) <= now).limit(1)) is not None


def plan(session: Session, site_id: int) -> AlertPlan:
    """Return a site's rota and chain; an empty one if there is none."""
    return session.get(AlertPlan, site_id) or AlertPlan(
        site_id=site_id, least_severity=Severity.CRITICAL, turns=[], steps=[]
    )


@dataclass(frozen=True, slots=True)
class PlanShown:
    """A site's rota and chain, and who is on call now."""

    least_severity: str
    turns: list[dict[str, Any]]
    steps: list[dict[str, Any]]
    on_call: list[int]


def plan_shown(session: Session, now: datetime, site_id: int) -> PlanShown:
    """Return a site's plan as it is shown."""
    found = plan(session, site_id)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    return PlanShown(found.least_severity, found.turns, found.steps, on_call(turns_of(found), now, zone))


def turns_of(found: AlertPlan) -> list[Turn]:
    """Return a plan's rota."""
    return [
        Turn(one["weekday"], wall_time(one["starts"]), wall_time(one["ends"]), one["subscription_id"])
        for one in found.turns
    ]


def steps_of(found: AlertPlan) -> list[Step]:
    """Return a plan's chain."""
    return [Step(one["after_minutes"], one["subscription_id"]) for one in found.steps]


def site_ids_to_sort(session: Session) -> list[int]:
    """Return the sites where something was announced that is not sorted, or not written to a receiver yet."""
    behind = (
        select(col(Subscription.id))
        .where(col(Subscription.site_id) == col(SiteHead.site_id), col(Subscription.is_active))
        .where(col(Subscription.sorted_seq) < col(SiteHead.outbox_seq))
        .exists()
    )
    return list(
        session.scalars(
            select(col(SiteHead.site_id))
            .join(AlertPlan, col(AlertPlan.site_id) == col(SiteHead.site_id), isouter=True)
            .where(
                or_(
                    and_(col(AlertPlan.site_id).is_(None), col(SiteHead.outbox_seq) > 0),
                    col(AlertPlan.sorted_seq) < col(SiteHead.outbox_seq),
                    behind,
                )
            )
            .order_by(col(SiteHead.site_id))
        )
    )


def seqs_told(session: Session, alert_id: int) -> list[dict[str, Any]]:
    """Return the facts of an alert's notices, oldest first."""
    return [
        {"kind": kind, "data": data}
        for kind, data in session.execute(
            select(col(OutboxMessage.kind), col(OutboxMessage.data))
            .join(
                AlertNotice,
                and_(
                    col(OutboxMessage.site_id) == col(AlertNotice.site_id),
                    col(OutboxMessage.seq) == col(AlertNotice.seq),
                ),
            )
            .where(col(AlertNotice.alert_id) == alert_id)
            .order_by(col(OutboxMessage.seq))
        )
    ]
