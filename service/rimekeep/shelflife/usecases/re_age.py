"""Age stock anew under another version of its profile."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import refused
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife.queries.packs import Pack, packs_of
from rimekeep.shelflife.queries.profiles import newest_profile
from rimekeep.shelflife.usecases.refresh import GRAIN, reckon, refresh_life
from rimekeep.stock import queries as stock
from rimekeep.wording import say

PREVIEWED = 20


@dataclass(frozen=True, slots=True)
class Moved:
    """How far one pack's date moves."""

    content_id: int
    before_at: datetime
    after_at: datetime
    limited_by: str


@dataclass(frozen=True, slots=True)
class ReAged:
    """What another version of a profile does to the stock: packs looked at, moved, by how many days."""

    version: int
    looked_at: int
    moved: int
    mean_days: float
    soonest_days: float
    latest_days: float
    most_moved: tuple[Moved, ...]


def re_age(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    product_id: int,
    reason: str,
    is_preview: bool,
) -> ReAged:
    """
    Age a product's stock anew under its newest profile, from the first reading of each pack on.

    A preview does all of it and takes it back: what it tells is what would happen.
    """
    product = stock.product(session, caller.site_id, product_id)
    profile = newest_profile(session, caller.site_id, product.id)
    if profile is None:
        raise refused(
            "no-profile",
            "product_id",
            say("{sku} has no ageing profile.", sku=product.sku),
            say("Add a version first."),
        )
    refresh_life(session, now, caller.site_id)
    before = {
        pack.content_id: pack
        for pack in packs_of(session, caller.site_id, None)
        if pack.product_id == product.id
    }
    step = session.begin_nested()
    reckon(session, now, caller.site_id, set(), set(before), use_newest=True)
    told = _compared(session, caller.site_id, profile.version, before)
    if is_preview:
        step.rollback()
        session.expire_all()
        return told
    step.commit()
    data = {"sku": product.sku, "version": profile.version, "packs": told.looked_at, "moved": told.moved}
    event = Event("life.re-aged", now, actor_id=caller.id, reason=reason, data=data)
    record(session, caller.site_id, event)
    return told


def _compared(session: Session, site_id: int, version: int, before: dict[int, Pack]) -> ReAged:
    moved = []
    for pack in packs_of(session, site_id, before):
        old, new = before[pack.content_id].written, pack.written
        if old is not None and new is not None and abs(new.expires_at - old.expires_at) > GRAIN:
            moved.append(Moved(pack.content_id, old.expires_at, new.expires_at, new.limited_by))
    days = np.array([(one.after_at - one.before_at) / timedelta(days=1) for one in moved] or [0.0])
    moved.sort(key=lambda one: -abs(one.after_at - one.before_at))
    return ReAged(
        version,
        len(before),
        len(moved),
        float(days.mean()),
        float(days.min()),
        float(days.max()),
        tuple(moved[:PREVIEWED]),
    )
