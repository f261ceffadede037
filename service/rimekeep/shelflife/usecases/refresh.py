"""Find out what is left, and write only what moved."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Table, delete
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries as climate
from rimekeep.climate import usecases as climate_usecases
from rimekeep.platform.database import take_turns, upsert
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife.queries.packs import packs_of
from rimekeep.shelflife.tables import Life, LifeGroup, LifeRise, LifeState
from rimekeep.shelflife.usecases.dating import Dated, Dating
from rimekeep.shelflife.usecases.frozen import find_frozen, stop_frozen
from rimekeep.shelflife.usecases.groups import Groups
from rimekeep.shelflife.usecases.hours import forget_all_hours
from rimekeep.shelflife.usecases.reckoning import Reckoning
from rimekeep.stock import queries as stock
from rimekeep.stock import usecases as stock_usecases

LIFE: Table = Life.__table__  # type: ignore[attr-defined]
# An expiry that moves by less makes no difference to anybody, and 100,000 rows need not be rewritten for it.
GRAIN = timedelta(hours=1)
# Between the cores that are looked at, and close to a pack's end, dates bend a little.
GRAIN_ON_THE_WAY = timedelta(minutes=50)
PREVIEWED = 20


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What a refresh looked at one by one, wrote and stopped."""

    looked_at: int
    changed: int
    frozen: int


def refresh_life(
    session: Session, now: datetime, site_id: int, *, from_scratch: bool = False, actor_id: int | None = None
) -> Refreshed:
    """
    Work out what is left of the stock here, from the readings held now.

    Looks only at what can have moved: rooms whose air became known or turned out otherwise, units that came,
    went or were moved, packs whose core is still on its way. All others move together, a room and profile at
    a time, and their dates are written when they moved by more than an hour. However late and in whatever
    order readings come, the outcome is that of one integration of all of them. A pack whose core turns out
    to have been frozen is put on hold, once.

    Parameters
    ----------
    from_scratch
        Forget everything reckoned so far and follow each pack from its first reading on.
    actor_id
        Who asked; None for the job.
    """
    # Two refreshes at once would both find, and announce, what froze.
    take_turns(session, f"life of site {site_id}")
    changes = stock.changed_units(session, site_id)
    heard = [change.id for change in climate.air_changes(session, site_id)]
    changed = set(stock.contents_of_units(session, site_id, {unit_id for _, unit_id in changes}))
    anew: set[int] = set()
    if from_scratch:
        _forget(session, site_id)
        anew = {pack.content_id for pack in packs_of(session, site_id, None)}
        record(session, site_id, Event("life.reckoned-anew", now, actor_id=actor_id, data={"of": len(anew)}))
    done = reckon(session, now, site_id, changed, anew)
    stock_usecases.forget_changes(session, [change_id for change_id, _ in changes])
    climate_usecases.forget_air_changes(session, heard)
    return done


def reckon(
    session: Session,
    now: datetime,
    site_id: int,
    changed: set[int],
    anew: set[int],
    *,
    use_newest: bool = False,
) -> Refreshed:
    """Reckon what changed and what must be followed anew, and write the dates that moved."""
    reckoning = Reckoning(session, site_id, now)
    batches = reckoning.run(changed, anew=anew, use_newest=use_newest)
    groups = Groups(reckoning)
    dating = Dating(session, site_id, now, reckoning)
    # What is reckoned anew is written whatever it moved by: its group's shifts are counted from here.
    dated = dating.labelled() + dating.of_batches(batches)
    groups.join(batches)
    reckoning.rising.join(batches)
    moved = dating.of_groups(groups.moved(GRAIN / timedelta(days=1)))
    moved += dating.of_rising(reckoning.rising.moved(GRAIN_ON_THE_WAY / timedelta(days=1)))
    looked_at = len(dated) + len(moved)
    dated += [one for one in moved if has_moved(one, timedelta(seconds=1))]
    groups.store()
    reckoning.rising.store()
    stock_usecases.note_changed(session, site_id, reckoning.ahead)
    changed_rows = _write(session, site_id, now, dated)
    frozen = find_frozen(reckoning, batches)
    stop_frozen(session, now, site_id, frozen)
    units = {pack.unit_id for pack, _ in frozen}
    return Refreshed(looked_at, changed_rows, len(units))


def _forget(session: Session, site_id: int) -> None:
    forget_all_hours(session, site_id)
    for table in (LifeState, LifeGroup, LifeRise):
        session.execute(delete(table).where(col(table.site_id) == site_id))


def has_moved(one: Dated, by: timedelta = GRAIN) -> bool:
    """Tell whether a date is worth writing."""
    before = one.pack.written
    return (
        before is None
        or abs(one.expires_at - before.expires_at) > by
        or abs(one.cautious_at - before.cautious_at) > by
        or one.limited_by != before.limited_by
        or one.profile_id != before.profile_id
        or (one.frozen_at is not None and before.frozen_at is None)
    )


def _write(session: Session, site_id: int, now: datetime, dated: list[Dated]) -> int:
    """Write the rows of dates; return how many."""
    rows: dict[int, dict[str, Any]] = {
        one.pack.content_id: {
            "content_id": one.pack.content_id,
            "site_id": site_id,
            "profile_id": one.profile_id,
            "as_of_at": now,
            "expires_at": one.expires_at,
            "cautious_at": one.cautious_at,
            "limited_by": one.limited_by,
            "frozen_at": one.frozen_at,
        }
        for one in dated
    }
    upsert(session, LIFE, list(rows.values()), keys=["content_id"])
    return len(rows)
