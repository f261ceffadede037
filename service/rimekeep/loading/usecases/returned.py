"""Judge what came back from a trip before it may be sold again."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.climate.queries import zone_history
from rimekeep.loading import queries
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.tables import ReturnRule, Trip, Vehicle
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife import queries as shelflife
from rimekeep.stock import queries as stock_queries
from rimekeep.stock import usecases as stock

# Steps of the air's record; only what was not measured in it is asked for.
_STEP_S = 600


def set_return_rule(
    session: Session, now: datetime, caller: Caller, *, min_life_days: float, most_unmeasured_s: int
) -> ReturnRule:
    """Set what goods that come back need to be sold again without QA's word."""
    rule = queries.return_rule(session, caller.site_id)
    if rule is None:
        rule = ReturnRule(
            site_id=caller.site_id,
            min_life_days=min_life_days,
            most_unmeasured_s=most_unmeasured_s,
            set_at=now,
            set_by=caller.id,
        )
        session.add(rule)
    rule.min_life_days, rule.most_unmeasured_s = min_life_days, most_unmeasured_s
    rule.set_at, rule.set_by = now, caller.id
    session.flush()
    data = {"min_life_days": min_life_days, "most_unmeasured_s": most_unmeasured_s}
    record(session, caller.site_id, Event("return_rule.set", now, actor_id=caller.id, data=data))
    return rule


def judge_returned(
    session: Session,
    now: datetime,
    caller: Caller,
    trip: Trip,
    vehicle: Vehicle,
    back: Sequence[PlaceView],
    at: datetime,
) -> set[int]:
    """
    Hold what is back from a trip whose air is not known, or with too little life left; return what is held.

    Life is reckoned here and now from the air it saw, not taken from the last refresh.
    """
    rule = queries.return_rule(session, caller.site_id)
    least_days = rule.min_life_days if rule else queries.MIN_LIFE_DAYS
    most_s = rule.most_unmeasured_s if rule else queries.MOST_UNMEASURED_S
    reasons: dict[int, str] = {}
    loaded = [place.loaded_at for place in back if place.loaded_at is not None]
    if not loaded:
        return set()
    unmeasured_s = _unmeasured_s(session, caller.site_id, vehicle.zone_id, min(loaded), at)
    if unmeasured_s > most_s:
        words = f"air on trip {trip.id} not known for {unmeasured_s / 3600:.1f} h"
        reasons = {place.unit_id: words for place in back}
    else:
        contents = stock_queries.contents(session, caller.site_id, unit_ids=[one.unit_id for one in back])
        unit_of = {content.id: content.unit_id for content in contents}
        for one in shelflife.aged(session, caller.site_id, now, content_ids=list(unit_of)):
            left = one.expires_at - now
            if left < timedelta(days=least_days):
                days = left.total_seconds() / 86_400
                reasons[unit_of[one.pack.content_id]] = (
                    f"back from trip {trip.id} with {days:.1f} days of life, {least_days:g} are needed"
                )
    by_reason: dict[str, set[int]] = defaultdict(set)
    for unit_id, reason in reasons.items():
        by_reason[reason].add(unit_id)
    for reason, own in sorted(by_reason.items()):
        stock.hold_units(session, now, caller.site_id, unit_ids=own, reason=reason, actor_id=caller.id)
    return set(reasons)


def _unmeasured_s(
    session: Session, site_id: int, zone_id: int, from_at: datetime, until_at: datetime
) -> float:
    if until_at <= from_at:
        return 0.0
    step_s = max(_STEP_S, int((until_at - from_at).total_seconds() // 1000) + 1)
    found = zone_history(session, site_id, zone_id, from_at, until_at, step_s)
    if found.is_assumed:
        return (until_at - from_at).total_seconds()
    return float(sum(end - start for start, end in found.bridged_s))
