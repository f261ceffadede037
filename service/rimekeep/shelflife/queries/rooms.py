"""The hours that are summed for rooms, read back into arrays."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.queries import air_changes
from rimekeep.shelflife.core.blobs import from_bytes
from rimekeep.shelflife.core.hours import HOUR_S, RoomHours, columns
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.stages import Stage
from rimekeep.shelflife.tables import ExposureBlock, ExposureDay, ExposureRoom, LifeState
from rimekeep.stock.queries import changed_units

DAY_HOURS = 24
RECENT_DAYS = 4
# A day's row: core at the hour's start, lowest core, sums.
BEFORE_SUMS = 2


@dataclass(frozen=True, slots=True)
class Summed:
    """How far a room's hours are summed for a profile, and its core there. [hours since 1970, °C]"""

    zone_id: int
    profile_id: int
    first_hour: int
    until_hour: int
    core_c: float
    is_assumed: bool


def summed_rooms(session: Session, site_id: int) -> dict[tuple[int, int], Summed]:
    """Return how far the hours of each room and profile of a site are summed."""
    rows = session.execute(
        select(
            col(ExposureRoom.zone_id),
            col(ExposureRoom.profile_id),
            col(ExposureRoom.first_hour),
            col(ExposureRoom.until_hour),
            col(ExposureRoom.core_c),
            col(ExposureRoom.is_assumed),
        ).where(col(ExposureRoom.site_id) == site_id)
    )
    return {(row[0], row[1]): Summed(*row) for row in rows}


def summed_hours_of(
    session: Session,
    site_id: int,
    summed: Mapping[tuple[int, int], Summed],
    profiles: Mapping[int, Profile],
    needed: Mapping[tuple[int, int], int],
) -> dict[tuple[int, int], RoomHours]:
    """Return the hours of rooms, each from its own hour on, which may not lie before its first."""
    days = {pair: from_hour // DAY_HOURS for pair, from_hour in needed.items()}
    # What is needed of the last days is read in one go; the few that reach far back, each by itself.
    newest = max(days.values(), default=0)
    tables: dict[tuple[int, int], list[bytes]] = {pair: [] for pair in needed}
    statement = select(
        col(ExposureDay.zone_id), col(ExposureDay.profile_id), col(ExposureDay.day), col(ExposureDay.hours)
    ).order_by(col(ExposureDay.day))
    recent = {pair for pair, day in days.items() if day > newest - RECENT_DAYS}
    wholes = statement.where(col(ExposureDay.site_id) == site_id, col(ExposureDay.day) > newest - RECENT_DAYS)
    for zone_id, profile_id, day, hours in session.execute(wholes) if recent else ():
        pair = (zone_id, profile_id)
        if pair in recent and day >= days[pair]:
            tables[pair].append(hours)
    for pair in needed.keys() - recent:
        own = statement.where(
            col(ExposureDay.zone_id) == pair[0],
            col(ExposureDay.profile_id) == pair[1],
            col(ExposureDay.day) >= days[pair],
        )
        tables[pair] = [row[3] for row in session.execute(own)]
    return {pair: _hours(summed[pair], profiles[pair[1]], needed[pair], tables[pair]) for pair in needed}


def _hours(summed: Summed, profile: Profile, from_hour: int, days: list[bytes]) -> RoomHours:
    from_hour = min(from_hour, summed.until_hour)
    width = BEFORE_SUMS + columns(profile)
    first = from_hour // DAY_HOURS * DAY_HOURS
    table = from_bytes(days, width)[from_hour - first : summed.until_hour - first]
    return RoomHours(from_hour, np.append(table[:, 0], summed.core_c), table[:, 1], table[:, BEFORE_SUMS:])


def block_totals(
    session: Session, site_id: int, profiles: Collection[Profile], first_block: int
) -> dict[tuple[int, int], dict[int, FloatArray]]:
    """Return each room's and profile's sums by block, from a block on."""
    width = {profile.id: columns(profile) for profile in profiles}
    found: dict[tuple[int, int], dict[int, FloatArray]] = {}
    for zone_id, profile_id, block, total in session.execute(
        select(
            col(ExposureBlock.zone_id),
            col(ExposureBlock.profile_id),
            col(ExposureBlock.block),
            col(ExposureBlock.total),
        ).where(col(ExposureBlock.site_id) == site_id, col(ExposureBlock.block) >= first_block)
    ):
        if profile_id in width:
            sums = from_bytes(total, width[profile_id])[0]
            found.setdefault((zone_id, profile_id), {})[block] = sums
    return found


def needed_from(session: Session, site_id: int, now: datetime) -> datetime:
    """
    Return from when on the site's readings are still needed one by one.

    Up to there every hour of every room is summed, no pack is on its way to its room's core, and nothing
    waits to be worked in: what is older is held exactly by the sums. 1970 while something waits.
    """
    if changed_units(session, site_id):
        return datetime.fromtimestamp(0, UTC)
    found = [now.timestamp()]
    found += [change.from_ms / 1000 for change in air_changes(session, site_id)]
    found += [one.until_hour * HOUR_S for one in summed_rooms(session, site_id).values()]
    first_s = session.scalar(
        select(func.min(col(LifeState.entered_s))).where(
            col(LifeState.site_id) == site_id, col(LifeState.stage) == Stage.YOUNG
        )
    )
    found += [] if first_s is None else [first_s]
    return datetime.fromtimestamp(min(found), UTC)
