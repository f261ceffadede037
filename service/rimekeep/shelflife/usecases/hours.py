"""Store the hours that are summed for rooms."""

from collections import defaultdict

import numpy as np
from sqlalchemy import Table, delete, select, tuple_
from sqlalchemy.orm import Session

from rimekeep.platform.database import upsert
from rimekeep.shelflife.core.blobs import from_bytes, to_bytes
from rimekeep.shelflife.core.hours import BLOCK_HOURS, RoomHours, columns
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.rooms import DAY_HOURS, Summed
from rimekeep.shelflife.tables import ExposureBlock, ExposureDay, ExposureRoom

ROOMS: Table = ExposureRoom.__table__  # type: ignore[attr-defined]
DAYS: Table = ExposureDay.__table__  # type: ignore[attr-defined]
BLOCKS: Table = ExposureBlock.__table__  # type: ignore[attr-defined]
Pair = tuple[int, int]


def forget_hours(session: Session, pair: Pair) -> None:
    """Take away what is summed for a room and profile."""
    for table in (DAYS, BLOCKS, ROOMS):
        session.execute(delete(table).where(table.c.zone_id == pair[0], table.c.profile_id == pair[1]))


def forget_all_hours(session: Session, site_id: int) -> None:
    """Take away all that is summed at a site."""
    for table in (DAYS, BLOCKS, ROOMS):
        session.execute(delete(table).where(table.c.site_id == site_id))


def write_hours(
    session: Session,
    site_id: int,
    summed: dict[Pair, Summed],
    profiles: dict[int, Profile],
    new: dict[Pair, RoomHours],
    stored: dict[Pair, RoomHours],
) -> None:
    """
    Store sums that are new: whole days, and the totals of their blocks.

    ``stored`` are the hours in store followed by the new ones, from the start of the day the new ones begin
    in; where hours in store are replaced, from the start of the block.
    """
    days: list[dict[str, object]] = []
    rooms: list[dict[str, object]] = []
    totals: dict[tuple[int, int, int], FloatArray] = {}
    added: dict[tuple[int, int, int], FloatArray] = {}
    for pair, hours in new.items():
        now, profile, whole = summed[pair], profiles[pair[1]], stored[pair]
        keys = {"zone_id": pair[0], "profile_id": pair[1], "site_id": site_id}
        rooms.append(
            {
                **keys,
                "first_hour": now.first_hour,
                "until_hour": now.until_hour,
                "core_c": now.core_c,
                "is_assumed": now.is_assumed,
            }
        )
        if not len(hours.sums):
            continue
        for block in range(hours.first // BLOCK_HOURS, (hours.until - 1) // BLOCK_HOURS + 1):
            start, end = max(now.first_hour, block * BLOCK_HOURS), min(hours.until, (block + 1) * BLOCK_HOURS)
            if start >= whole.first:
                totals[*pair, block] = whole.cut(start, end).sums.sum(axis=0)
            else:
                added[*pair, block] = hours.cut(hours.first, end).sums.sum(axis=0)
        first_day = hours.first // DAY_HOURS
        days += [
            {**keys, "day": day, "hours": to_bytes(_day(whole, day, profile))}
            for day in range(first_day, (hours.until - 1) // DAY_HOURS + 1)
        ]
    totals |= _added_up(session, added)
    blocks = [
        {
            "zone_id": zone_id,
            "profile_id": profile_id,
            "block": block,
            "site_id": site_id,
            "total": to_bytes(sums),
        }
        for (zone_id, profile_id, block), sums in totals.items()
    ]
    upsert(session, ROOMS, rooms, keys=["zone_id", "profile_id"])
    upsert(session, BLOCKS, blocks, keys=["zone_id", "profile_id", "block"])
    upsert(session, DAYS, days, keys=["zone_id", "profile_id", "day"])
    _drop_later(session, new)


def _added_up(
    session: Session, added: dict[tuple[int, int, int], FloatArray]
) -> dict[tuple[int, int, int], FloatArray]:
    """Return the totals of blocks that only went on."""
    keys = list(added)
    found: dict[tuple[int, int, int], FloatArray] = {}
    for start in range(0, len(keys), 5_000):
        asked = tuple_(BLOCKS.c.zone_id, BLOCKS.c.profile_id, BLOCKS.c.block).in_(keys[start : start + 5_000])
        statement = select(BLOCKS.c.zone_id, BLOCKS.c.profile_id, BLOCKS.c.block, BLOCKS.c.total)
        for zone_id, profile_id, block, total in session.execute(statement.where(asked)):
            key = (zone_id, profile_id, block)
            found[key] = from_bytes(total, added[key].size)[0]
    return {key: found.get(key, 0.0) + sums for key, sums in added.items()}


def _day(whole: RoomHours, day: int, profile: Profile) -> FloatArray:
    rows = np.full((DAY_HOURS, 2 + columns(profile)), np.nan)
    low, high = max(whole.first, day * DAY_HOURS), min(whole.until, (day + 1) * DAY_HOURS)
    part = whole.cut(low, high)
    filled = slice(low - day * DAY_HOURS, high - day * DAY_HOURS)
    rows[filled, 0], rows[filled, 1], rows[filled, 2:] = part.core_c[:-1], part.low_c, part.sums
    return rows


def _drop_later(session: Session, changed: dict[Pair, RoomHours]) -> None:
    """Take away days and blocks after the new end: with a reading struck out, less is known."""
    ends: dict[int, list[Pair]] = defaultdict(list)
    for pair, new in changed.items():
        ends[new.until].append(pair)
    for until, pairs in ends.items():
        for table, key, last in (
            (DAYS, DAYS.c.day, (until - 1) // DAY_HOURS),
            (BLOCKS, BLOCKS.c.block, (until - 1) // BLOCK_HOURS),
        ):
            for zone_id in {pair[0] for pair in pairs}:
                profile_ids = [pair[1] for pair in pairs if pair[0] == zone_id]
                session.execute(
                    delete(table).where(
                        table.c.zone_id == zone_id, table.c.profile_id.in_(profile_ids), key > last
                    )
                )
