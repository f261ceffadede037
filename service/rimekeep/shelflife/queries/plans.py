"""What plans made for a unit will cost what is on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from rimekeep.errors import refused
from rimekeep.shelflife.core.ends import remarks
from rimekeep.shelflife.core.plans import Wait, after, may_wait
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.projection import Leg
from rimekeep.shelflife.queries.ageing import Aged, aged
from rimekeep.shelflife.queries.life import BEST_BEFORE, label_ends
from rimekeep.stock import queries as stock
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Projected:
    """Cases on a unit after a planned way. Ends are those if they are kept as planned from then on."""

    content_id: int
    lot_id: int
    at: datetime
    used: dict[str, float]
    core_c: float
    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    days_left: float
    cautious_days_left: float
    expires_now_at: datetime
    cost_days: float
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MayWait:
    """How long cases on a unit may wait. [h, °C]"""

    content_id: int
    lot_id: int
    core_c: float
    core_h: float | None
    life_h: float | None
    hours: float | None


def project_unit(
    session: Session, site_id: int, now: datetime, sscc: str, legs: Sequence[Leg]
) -> list[Projected]:
    """Return what is left of a unit's contents after a planned way that begins now."""
    found = []
    at = now + timedelta(hours=sum(leg.hours for leg in legs))
    for one, lot_id, profile, budget in _contents(session, site_id, now, sscc):
        assert one.core_c is not None
        planned = after(one.sums, one.core_c, legs, profile, budget=budget)
        label = label_ends(session, site_id, [one.pack.best_before_on])[one.pack.best_before_on]
        end = at + timedelta(days=float(planned.ends.days[0]))
        if end < at:
            # Over before the way is: at the steady rate that may seem to lie behind us.
            end = one.expires_at if one.expires_at <= now else max(end, now)
        cautious = at + timedelta(days=float(planned.ends.cautious_days[0]))
        expires_at = min(label, end)
        cautious_at = min(label, cautious, end)
        limited_by = BEST_BEFORE if label <= end else profile.routes[planned.ends.limiting[0]].name
        found.append(
            Projected(
                one.pack.content_id,
                lot_id,
                at,
                planned.used(profile),
                planned.core_c,
                expires_at,
                cautious_at,
                limited_by,
                (expires_at - at) / timedelta(days=1),
                (cautious_at - at) / timedelta(days=1),
                one.expires_at,
                (one.expires_at - expires_at) / timedelta(days=1),
                tuple(remarks(profile)),
            )
        )
    return found


def unit_may_wait(
    session: Session,
    site_id: int,
    now: datetime,
    sscc: str,
    *,
    air_c: float,
    core_limit_c: float | None,
    life_days: float | None,
) -> list[MayWait]:
    """Return how long each of a unit's contents may wait in air of one temperature."""
    found = []
    for one, lot_id, profile, _ in _contents(session, site_id, now, sscc):
        assert one.core_c is not None
        wait: Wait = may_wait(one.core_c, air_c, profile, core_limit_c=core_limit_c, life_days=life_days)
        found.append(MayWait(one.pack.content_id, lot_id, one.core_c, wait.core_h, wait.life_h, wait.hours))
    return found


def _contents(
    session: Session, site_id: int, now: datetime, sscc: str
) -> list[tuple[Aged, int, Profile, float]]:
    unit = stock.unit_by_sscc(session, site_id, sscc)
    contents = {row.id: row for row in stock.contents(session, site_id, unit_ids=[unit.id])}
    found = []
    for one in aged(session, site_id, now, content_ids=contents):
        row = contents[one.pack.content_id]
        if one.profile is None or one.core_c is None:
            raise refused(
                "no-profile",
                "sscc",
                say(
                    "{sku} on unit {sscc} has no ageing profile, so nothing can be told but its label.",
                    sku=row.sku,
                    sscc=sscc,
                ),
                say("Add a profile for the product."),
            )
        found.append((one, row.lot_id, one.profile, one.profile.budget(one.pack.oxygen_ppb)))
    return found
