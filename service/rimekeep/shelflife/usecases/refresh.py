"""Find out what is left, and write only what moved."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.platform.database import take_turns, upsert
from rimekeep.platform.journal import Event, Notice, announce, record
from rimekeep.shelflife.queries import Aged, aged
from rimekeep.shelflife.queries.ageing import Held
from rimekeep.shelflife.tables import Life
from rimekeep.stock import usecases as stock

# An expiry that moves by less makes no difference to anybody, and 100,000 rows need not be rewritten for it.
GRAIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What a refresh looked at, wrote and stopped."""

    units: int
    changed: int
    frozen: int


def refresh_life(
    session: Session,
    now: datetime,
    site_id: int,
    *,
    content_ids: Collection[int] | None = None,
    use_newest: bool = False,
    actor_id: int | None = None,
) -> Refreshed:
    """
    Work out what is left of the stock here, from the readings held now.

    Late and repeated readings need no care of their own: everything is worked out from what is held. A row is
    written when its end moved by more than an hour, when another route limits it, or when it aged by another
    profile. A pack whose core turns out to have been frozen is put on hold, once.

    Parameters
    ----------
    content_ids
        None: all with cases left on units that are still here.
    use_newest
        Age by the newest profiles from now on, what was aged by older ones too; the act is recorded.
    actor_id
        Who asked; None for the job.
    """
    # Two refreshes at once would both find, and announce, what froze.
    take_turns(session, f"life of site {site_id}")
    found = aged(session, site_id, now, content_ids=content_ids, use_newest=use_newest)
    moved = [one for one in found if _has_moved(one, one.pack.held)]
    upsert(session, Life.__table__, [_row(one, site_id, now) for one in moved], keys=["content_id"])  # type: ignore[attr-defined]
    frozen = [one for one in moved if _is_newly_frozen(one)]
    _stop_frozen(session, now, site_id, frozen)
    if use_newest:
        data = {"looked_at": len(found), "changed": len(moved)}
        record(session, site_id, Event("life.re-aged", now, actor_id=actor_id, data=data))
    units = {one.pack.unit_id for one in found}
    return Refreshed(len(units), len(moved), len({one.pack.unit_id for one in frozen}))


def _has_moved(one: Aged, before: Held | None) -> bool:
    return (
        before is None
        or abs(one.expires_at - before.expires_at) > GRAIN
        or one.limited_by != before.limited_by
        or (one.profile and one.profile.id) != before.profile_id
        or (one.frozen_at is None) != (before.frozen_at is None)
    )


def _row(one: Aged, site_id: int, now: datetime) -> dict[str, Any]:
    return {
        "content_id": one.pack.content_id,
        "site_id": site_id,
        "profile_id": one.profile and one.profile.id,
        "as_of_at": now,
        "expires_at": one.expires_at,
        "limited_by": one.limited_by,
        "used": one.used,
        "core_c": one.core_c,
        "bridged_s": one.bridged_s,
        "frozen_at": one.frozen_at,
    }


def _is_newly_frozen(one: Aged) -> bool:
    before = one.pack.held
    if one.frozen_at is None or (before is not None and before.frozen_at is not None):
        return False
    # Cases picked off a pallet that was judged when it froze are not judged again.
    return one.pack.split_at is None or one.frozen_at > one.pack.split_at


def _stop_frozen(session: Session, now: datetime, site_id: int, frozen: Sequence[Aged]) -> None:
    if not frozen:
        return
    first = min(one.frozen_at for one in frozen if one.frozen_at is not None)
    unit_ids = sorted({one.pack.unit_id for one in frozen})
    held = stock.hold_units(
        session, now, site_id, unit_ids=unit_ids, reason="the core was below its freezing point"
    )
    data = {
        "first_frozen_at": first.isoformat(),
        "units": unit_ids[:100],
        "unit_count": len(unit_ids),
        "held": len(held),
    }
    announce(session, site_id, Notice("unit.frozen", now, data))
