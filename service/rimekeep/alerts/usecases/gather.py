"""
Sort the outbox: notices become alerts, and alerts messages to whoever wants them.

How far that has come is written with what came of it, in one transaction, so that a process that dies
leaves nothing out and nothing twice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.alerts import queries
from rimekeep.alerts.core.duty import step_at
from rimekeep.alerts.core.gather import Opened, alert_for, goes_at_once
from rimekeep.alerts.core.kinds import GATHER, Severity, kind_of, severity_of
from rimekeep.alerts.core.letters import Purpose
from rimekeep.alerts.tables import Alert, AlertNotice, AlertPlan, Letter, Subscription
from rimekeep.platform.database import insert_new
from rimekeep.platform.journal import OutboxMessage

# Notices sorted in one transaction.
BATCH = 500
_LETTERS = Letter.__table__  # type: ignore[attr-defined]
_SORTED = AlertNotice.__table__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class _Sorted:
    """A notice and the alert it belongs to."""

    seq: int
    message_id: str
    kind: str
    severity: Severity
    zone_id: int | None
    alert: Opened


def sort_outbox(session: Session, now: datetime, site_id: int) -> bool:
    """Sort what was announced at a site since the last time; return whether there may be more."""
    plan = open_plan(session, site_id)
    head = queries.outbox_head(session, site_id)
    fresh = queries.messages_after(session, site_id, plan.sorted_seq, most=BATCH)
    reached = plan.sorted_seq
    if fresh:
        if told := [one for one in fresh if not kind_of(one.kind).is_for_pages]:
            _make_alerts(session, plan, told)
        reached = fresh[-1].seq
        # In a statement of its own: how far a job has come is nobody's change of the plan.
        session.execute(
            update(AlertPlan)
            .where(col(AlertPlan.site_id) == site_id)
            .values(sorted_seq=reached)
            .execution_options(synchronize_session=False)
        )
    behind = queries.subscriptions_behind(session, site_id, reached)
    is_more = reached < head
    if behind:
        is_more |= _write_letters(session, now, site_id, behind, reached)
    return is_more


def open_plan(session: Session, site_id: int) -> AlertPlan:
    """Return a site's plan, locked: whoever sorts or changes it does so alone."""
    insert_new(
        session,
        AlertPlan.__table__,  # type: ignore[attr-defined]
        [
            {
                "site_id": site_id,
                "sorted_seq": 0,
                "least_severity": Severity.CRITICAL.value,
                "turns": [],
                "steps": [],
            }
        ],
    )
    return session.get_one(AlertPlan, site_id, with_for_update=True, populate_existing=True)


def _make_alerts(session: Session, plan: AlertPlan, fresh: Sequence[OutboxMessage]) -> None:
    zones = queries.zones_meant(session, plan.site_id, fresh)
    opened = [
        (row, Opened(row.id, row.family, row.zone_id, row.opened_at))
        for row in session.scalars(
            select(Alert)
            .where(col(Alert.site_id) == plan.site_id, col(Alert.zone_id).is_not(None))
            .where(col(Alert.family).in_(sorted({kind_of(one.kind).family for one in fresh})))
            .where(col(Alert.opened_at) > min(one.at for one in fresh) - GATHER)
            .order_by(col(Alert.id))
        )
    ]
    rows: list[dict[str, Any]] = []
    for one in fresh:
        zone_id, severity = zones[one.seq], severity_of(one.kind, one.data)
        joined = alert_for(one.kind, zone_id, one.at, [known for _, known in opened])
        if joined is None:
            row = _open(session, plan, one, severity, zone_id)
            joined = Opened(row.id, row.family, zone_id, row.opened_at)
            opened.append((row, joined))
        else:
            row = next(row for row, known in opened if known is joined)
            if severity.rank > Severity(row.severity).rank:
                row.severity = severity
                _follow_up(plan, row)
        rows.append(
            {
                "site_id": plan.site_id,
                "seq": one.seq,
                "alert_id": joined.id,
                "severity": severity.value,
                "zone_id": zone_id,
            }
        )
    session.execute(insert(_SORTED), rows)


def _open(
    session: Session, plan: AlertPlan, one: OutboxMessage, severity: Severity, zone_id: int | None
) -> Alert:
    row = Alert(
        site_id=plan.site_id,
        family=kind_of(one.kind).family,
        zone_id=zone_id,
        severity=severity,
        opened_at=one.at,
    )
    _follow_up(plan, row)
    session.add(row)
    session.flush()
    return row


def _follow_up(plan: AlertPlan, row: Alert) -> None:
    """Set the chain going for an alert that is grave enough; one about alerts would go round in a circle."""
    is_grave = Severity(row.severity).rank >= Severity(plan.least_severity).rank
    if is_grave and row.next_step == 0 and row.family != "alerts" and row.acknowledged_at is None:
        row.next_step_at = step_at(row.opened_at, queries.steps_of(plan), 0)


def _write_letters(
    session: Session, now: datetime, site_id: int, behind: Sequence[Subscription], upto: int
) -> bool:
    """Write messages for receivers that are behind; return whether some are still."""
    first = min(one.sorted_seq for one in behind)
    found = queries.sorted_after(session, site_id, first, upto, most=BATCH)
    notices = [
        _Sorted(seq, message_id, kind, Severity(severity), zone_id, Opened(alert_id, family, alert_zone, at))
        for seq, message_id, kind, severity, zone_id, alert_id, family, alert_zone, at in found
    ]
    reached = notices[-1].seq if notices else upto
    known = _Known(session, site_id, sorted({one.alert.id for one in notices}), [one.id for one in behind])
    written: list[dict[str, Any]] = []
    for subscribed in behind:
        if not subscribed.is_for_duty:
            wanted = queries.wanted_by(subscribed)
            for one in notices:
                if one.seq > subscribed.sorted_seq and wanted.takes(one.kind, one.severity, one.zone_id):
                    known.write(written, now, site_id, subscribed.id, one)
    if written:
        session.execute(insert(_LETTERS), written)
    session.flush()
    session.execute(
        update(Subscription)
        .where(col(Subscription.id).in_([one.id for one in behind]), col(Subscription.sorted_seq) < reached)
        .values(sorted_seq=reached)
        .execution_options(synchronize_session=False)
    )
    return reached < upto


class _Known:
    """What receivers were told of alerts before, and what still waits to be added to."""

    def __init__(
        self, session: Session, site_id: int, alert_ids: Sequence[int], receivers: Sequence[int]
    ) -> None:
        self._told: dict[tuple[int, int], Severity] = {}
        self._waiting: dict[tuple[int, int], dict[str, Any] | Letter] = {}
        letters = (
            session.scalars(
                select(Letter)
                .where(col(Letter.alert_id).in_(alert_ids), col(Letter.subscription_id).in_(receivers))
                .where(col(Letter.purpose).in_([Purpose.FIRST, Purpose.GATHERED]))
                .order_by(col(Letter.id))
            ).all()
            if alert_ids
            else ()
        )
        for letter in letters:
            key = (letter.subscription_id, letter.alert_id or 0)
            self._note(key, Severity(letter.severity))
            if letter.purpose == Purpose.GATHERED and letter.delivered_at is None:
                self._waiting[key] = letter

    def _note(self, key: tuple[int, int], severity: Severity) -> None:
        told = self._told.get(key)
        if told is None or severity.rank > told.rank:
            self._told[key] = severity

    def write(
        self, written: list[dict[str, Any]], now: datetime, site_id: int, receiver: int, one: _Sorted
    ) -> None:
        """Write a notice to a receiver: at once, or to what is gathered."""
        key = (receiver, one.alert.id)
        letter = {
            "site_id": site_id,
            "subscription_id": receiver,
            "alert_id": one.alert.id,
            "message_id": one.message_id,
            "purpose": Purpose.FIRST.value,
            "severity": one.severity.value,
            "seqs": [one.seq],
            "made_at": now,
            "due_at": now,
        }
        if goes_at_once(one.severity, self._told.get(key)):
            self._note(key, one.severity)
            written.append(letter)
            return
        waiting = self._waiting.get(key)
        if isinstance(waiting, dict):
            waiting["seqs"].append(one.seq)
            waiting["severity"] = _graver(waiting["severity"], one.severity)
        elif waiting is not None and waiting.due_at > now:
            waiting.seqs = [*waiting.seqs, one.seq]
            waiting.severity = _graver(waiting.severity, one.severity)
        else:
            letter |= {
                "message_id": f"msg_{uuid4().hex}",
                "purpose": Purpose.GATHERED.value,
                "due_at": max(one.alert.closes_at, now),
            }
            self._waiting[key] = letter
            written.append(letter)


def _graver(known: str, severity: Severity) -> str:
    return max(Severity(known), severity, key=lambda one: one.rank).value
