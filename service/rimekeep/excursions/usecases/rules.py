"""Say how long the air of a room may be how warm or cold."""

from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.climate.core.readings import PLAUSIBLE_C
from rimekeep.errors import Conflict, Refused, invalid
from rimekeep.excursions import queries
from rimekeep.excursions.core.detection import LOOK_BACK
from rimekeep.excursions.core.escalation import DEFAULT_AFTER_S
from rimekeep.excursions.core.states import Severity
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.excursions.usecases.tell import announce_ended
from rimekeep.platform.journal import Event, record
from rimekeep.stock import queries as stock
from rimekeep.wording import say

MAX_ALLOWED_S = 30 * 86_400
# Every check reads the whole count.
MAX_COUNT = timedelta(days=400)
# A wider band would swallow the room's whole range.
MAX_BAND_C = 10.0
ESCALATION_S = (60, 7 * 86_400)


def add_rule(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    zone_id: int,
    side: str,
    limit_c: float,
    kind: str,
    allowed_s: int,
    hysteresis_c: float = 0.0,
    guard_c: float | Literal["sensor"] = 0.0,
    product_id: int | None = None,
    severity: str = "critical",
    escalate_after_s: int | Literal["by severity"] | None = "by severity",
    holds_stock: bool = False,
    name: str | None = None,
    counts_from_at: datetime | None = None,
) -> ExcursionRule:
    """
    Watch a room's air from now on, and over what is known of the last two weeks.

    Parameters
    ----------
    hysteresis_c
        It ends once the air is back inside by more than this. [K]
    guard_c
        How far the limit is moved inwards; ``"sensor"``: by the stated error of the sensor each reading is
        from. [K]
    product_id
        Only stock of this product counts as touched and is held; None: all that stood there.
    escalate_after_s
        How long people have to acknowledge before they are told again; None: for ever. The default is half an
        hour for a critical rule and for ever for a warning. [s]
    counts_from_at
        Where a cumulative count starts; default: two weeks ago.
    """
    zone = stock.zone(session, caller.site_id, zone_id)
    product = None if product_id is None else stock.product(session, caller.site_id, product_id)
    low_c, high_c = PLAUSIBLE_C
    if not low_c <= limit_c <= high_c:
        raise invalid(
            "limit_c",
            say("{limit_c} °C is not {low_c:g} to {high_c:g}.", limit_c=limit_c, low_c=low_c, high_c=high_c),
            say("Check the unit."),
        )
    if not 0 <= allowed_s <= MAX_ALLOWED_S:
        raise invalid(
            "allowed_s",
            say(
                "{allowed_s} s is not 0 to {MAX_ALLOWED_S}.", allowed_s=allowed_s, MAX_ALLOWED_S=MAX_ALLOWED_S
            ),
            say("Give seconds."),
        )
    if severity not in set(Severity):
        raise invalid(
            "severity",
            say("{severity!r} is not known.", severity=severity),
            say("Give one of {choices}.", choices=", ".join(Severity)),
        )
    if counts_from_at is not None and counts_from_at > now:
        raise invalid(
            "counts_from_at", say("The count cannot start in the future."), say("Give now or earlier.")
        )
    if counts_from_at is not None and counts_from_at < now - MAX_COUNT:
        raise invalid(
            "counts_from_at",
            say("The count would be longer than {days} days.", days=MAX_COUNT.days),
            say("Start it later."),
        )
    for field, value in (("hysteresis_c", hysteresis_c), ("guard_c", guard_c)):
        if not isinstance(value, str) and not 0 <= value <= MAX_BAND_C:
            raise invalid(
                field,
                say("{value} is not 0 to {MAX_BAND_C:g} K.", value=value, MAX_BAND_C=MAX_BAND_C),
                say("Give kelvin, such as 0.5."),
            )
    if isinstance(escalate_after_s, str):
        escalate_after_s = DEFAULT_AFTER_S[Severity(severity)]
    shortest_s, longest_s = ESCALATION_S
    if escalate_after_s is not None and not shortest_s <= escalate_after_s <= longest_s:
        raise invalid(
            "escalate_after_s",
            say(
                "{escalate_after_s} s is not {shortest_s} to {longest_s}.",
                escalate_after_s=escalate_after_s,
                shortest_s=shortest_s,
                longest_s=longest_s,
            ),
            say("Give seconds, or null for never."),
        )
    added = ExcursionRule(
        site_id=caller.site_id,
        zone_id=zone.id,
        product_id=None if product is None else product.id,
        name=name or f"{zone.code} {side} {limit_c:g} °C",
        side=side,
        limit_c=limit_c,
        kind=kind,
        allowed_s=allowed_s,
        hysteresis_c=hysteresis_c,
        guard_c=None if isinstance(guard_c, str) else guard_c,
        severity=severity,
        escalate_after_s=escalate_after_s,
        holds_stock=holds_stock,
        counts_from_at=counts_from_at or now - LOOK_BACK,
    )
    # Refuses what the core could not mean.
    queries.core_rule(added)
    session.add(added)
    session.flush()
    data = {
        "id": added.id,
        "zone": zone.code,
        "side": side,
        "limit_c": limit_c,
        "kind": kind,
        "allowed_s": allowed_s,
        "hysteresis_c": hysteresis_c,
        "guard_c": guard_c,
        "product": None if product is None else product.sku,
        "severity": severity,
        "escalate_after_s": escalate_after_s,
        "holds_stock": holds_stock,
    }
    record(session, caller.site_id, Event("rule.added", now, actor_id=caller.id, data=data))
    return added


def start_new_count(
    session: Session, now: datetime, caller: Caller, *, rule_id: int, reason: str
) -> ExcursionRule:
    """Start a cumulative rule's count anew; its running excursion ends with the old count."""
    found = queries.rule(session, caller.site_id, rule_id)
    if found.kind != "cumulative":
        raise Refused(
            "no-count",
            say("{name} has no count: it starts anew whenever the air is back inside.", name=found.name),
        )
    found.counts_from_at = now
    _end_running(session, now, found.id)
    session.flush()
    record(
        session,
        caller.site_id,
        Event("rule.count-restarted", now, actor_id=caller.id, reason=reason, data={"id": found.id}),
    )
    return found


def switch_off_rule(
    session: Session, now: datetime, caller: Caller, *, rule_id: int, reason: str
) -> ExcursionRule:
    """Watch a rule no longer; what it found stays on record."""
    found = queries.rule(session, caller.site_id, rule_id)
    if not found.is_active:
        raise Conflict("rule-off", say("{name} is switched off already.", name=found.name))
    found.is_active = False
    _end_running(session, now, found.id)
    session.flush()
    record(
        session,
        caller.site_id,
        Event("rule.switched-off", now, actor_id=caller.id, reason=reason, data={"id": found.id}),
    )
    return found


def _end_running(session: Session, now: datetime, rule_id: int) -> None:
    running = select(Excursion).where(col(Excursion.rule_id) == rule_id, col(Excursion.ended_at).is_(None))
    for row in session.scalars(running):
        row.ended_at = now
        announce_ended(session, now, row)
