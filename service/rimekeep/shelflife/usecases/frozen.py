"""Find what froze, and stop it."""

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import update
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.queries import zone_air
from rimekeep.platform.database import parts
from rimekeep.platform.journal import Notice, announce
from rimekeep.shelflife.core.history import frozen_at_s
from rimekeep.shelflife.core.hours import HOUR_S, Course
from rimekeep.shelflife.queries import aged
from rimekeep.shelflife.queries.packs import Pack, packs_of
from rimekeep.shelflife.queries.rooms import summed_hours_of
from rimekeep.shelflife.queries.states import Pair, states, states_on_their_way
from rimekeep.shelflife.tables import Life, LifeState
from rimekeep.shelflife.usecases.reckoning import Reckoning
from rimekeep.shelflife.usecases.work import Batch
from rimekeep.stock import usecases as stock

Frozen = tuple[Pack, datetime]
# A room's core below the freezing point is looked back upon for so long at most.
LOOK_BACK_HOURS = 14 * 24


def find_frozen(reckoning: Reckoning, batches: Sequence[Batch]) -> list[Frozen]:
    """Return packs newly found to have been frozen for their profile's minutes, and since when."""
    suspects: set[int] = set()
    known = [(batch.pair, batch.content_ids, batch.packs) for batch in batches]
    on_way = states_on_their_way(
        reckoning.session, reckoning.site_id, reckoning.profiles, _cold_rooms(reckoning)
    )
    known += [(pair, held.content_ids, held.packs) for pair, held in on_way.items()]
    for pair, content_ids, packs in known:
        limit_c = reckoning.profiles[pair[1]].freezing_c
        own = (packs.low_c < limit_c) | (packs.held[:, -1] < limit_c)
        if reckoning.rooms.rooms[pair].course.core_c.min() < limit_c:
            own = np.ones(content_ids.size, dtype=bool)
        suspects |= {int(key) for key in content_ids[own]}
    found = _by_themselves(reckoning, suspects)
    told = {pack.content_id for pack, _ in found}
    for pair, room in reckoning.rooms.rooms.items():
        profile = reckoning.profiles[pair[1]]
        fresh = reckoning.rooms.fresh.get(pair)
        lowest = min(
            float(room.course.core_c.min()),
            float(fresh.low_c.min()) if fresh is not None and fresh.low_c.size else np.inf,
        )
        if lowest < profile.freezing_c:
            found += [one for one in _with_their_room(reckoning, pair) if one[0].content_id not in told]
    return found


def _cold_rooms(reckoning: Reckoning) -> set[Pair]:
    """Return where packs on their way may be, or come, below their freezing point."""
    coldest = reckoning.rising.coldest_c
    return {
        pair
        for pair, room in reckoning.rooms.rooms.items()
        if pair in coldest
        and min(coldest[pair], room.course.core_c.min()) < reckoning.profiles[pair[1]].freezing_c
    }


def _by_themselves(reckoning: Reckoning, content_ids: set[int]) -> list[Frozen]:
    found = aged(reckoning.session, reckoning.site_id, reckoning.now, content_ids=content_ids)
    return [(one.pack, one.frozen_at) for one in found if one.frozen_at and _is_new(one.pack, one.frozen_at)]


def _with_their_room(reckoning: Reckoning, pair: Pair) -> list[Frozen]:
    """Return the settled packs of a room whose core froze: they share the room's."""
    session, site_id = reckoning.session, reckoning.site_id
    profile, summed = reckoning.profiles[pair[1]], reckoning.rooms.summed[pair]
    first = max(summed.first_hour, summed.until_hour - LOOK_BACK_HOURS)
    hours = summed_hours_of(session, site_id, {pair: summed}, reckoning.profiles, {pair: first})[pair]
    warm = np.flatnonzero(hours.low_c >= profile.freezing_c)
    start = first if not warm.size else first + int(warm[-1])
    cold = np.flatnonzero(hours.low_c < profile.freezing_c)
    if cold.size:
        # The longest look at the cold: from the last warm hour before the first cold one on.
        before = warm[warm < cold[0]]
        start = first if not before.size else first + int(before[-1])
    air = zone_air(session, site_id, pair[0], datetime.fromtimestamp(start * HOUR_S, UTC), reckoning.now)
    course = Course.of(air, tau_h=profile.tau_h, core_c=float(hours.core_c[start - first]))
    frozen_s = frozen_at_s(
        air.at_s, course.core_c, limit_c=profile.freezing_c, minutes=profile.freezing_minutes
    )
    if frozen_s is None:
        return []
    frozen_at = datetime.fromtimestamp(frozen_s, UTC)
    held = states(
        session,
        site_id,
        reckoning.profiles,
        col(LifeState.zone_id) == pair[0],
        col(LifeState.profile_id) == pair[1],
        col(LifeState.block).is_not(None),
    ).get(pair)
    if held is None:
        return []
    shared = held.packs.at_s <= start * HOUR_S
    packs = packs_of(session, site_id, held.content_ids[shared].tolist())
    found = [(pack, frozen_at) for pack in packs if _is_new(pack, frozen_at)]
    return found + _by_themselves(reckoning, {int(key) for key in held.content_ids[~shared]})


def _is_new(pack: Pack, frozen_at: datetime) -> bool:
    if pack.written is not None and pack.written.frozen_at is not None:
        return False
    # Cases picked off a pallet that was judged when it froze are not judged again.
    return pack.split_at is None or frozen_at > pack.split_at


def stop_frozen(session: Session, now: datetime, site_id: int, frozen: Sequence[Frozen]) -> None:
    """Put what froze on hold and tell people, once."""
    if not frozen:
        return
    by_instant: dict[datetime, list[int]] = {}
    for pack, frozen_at in frozen:
        by_instant.setdefault(frozen_at, []).append(pack.content_id)
    for frozen_at, content_ids in by_instant.items():
        for some in parts(content_ids):
            session.execute(
                update(Life)
                .where(col(Life.content_id).in_(some))
                .values(frozen_at=frozen_at)
                .execution_options(synchronize_session=False)
            )
    first = min(frozen_at for _, frozen_at in frozen)
    unit_ids = sorted({pack.unit_id for pack, _ in frozen})
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
