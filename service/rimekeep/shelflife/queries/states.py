"""Where the reckoning of packs' lives stands, read back into arrays."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Select, or_, select, tuple_
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts
from rimekeep.shelflife.core.blobs import from_bytes
from rimekeep.shelflife.core.follow import BoolArray, Reckoned
from rimekeep.shelflife.core.hours import BLOCK_HOURS, HOUR_S, IntArray, columns
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.core.stages import Stage
from rimekeep.shelflife.tables import LifeState

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Held:
    """States of n contents of one room and profile; ``held`` of settled ones counts from their block."""

    content_ids: IntArray
    path_keys: tuple[str, ...]
    packs: Reckoned

    def only(self, which: BoolArray) -> "Held":
        """Return some of them."""
        keys = tuple(key for key, chosen in zip(self.path_keys, which, strict=True) if chosen)
        return Held(self.content_ids[which], keys, self.packs.only(which))


def states(
    session: Session, site_id: int, profiles: dict[int, Profile], *where: ColumnElement[bool]
) -> dict[Pair, Held]:
    """Return the states that meet conditions, by room and profile."""
    return _by_pair(session.execute(_select(site_id).where(*where)), profiles)


def states_of(
    session: Session, site_id: int, profiles: dict[int, Profile], content_ids: Iterable[int]
) -> dict[Pair, Held]:
    """Return the states of some contents."""
    found: list[Any] = []
    for some in parts(set(content_ids)):
        found += session.execute(_select(site_id).where(col(LifeState.content_id).in_(some)))
    return _by_pair(found, profiles)


def states_in_groups(
    session: Session, site_id: int, profiles: dict[int, Profile], groups: Collection[tuple[Pair, int]]
) -> dict[tuple[Pair, int], Held]:
    """Return the states of settled packs by room, profile and block."""
    found: dict[tuple[Pair, int], Held] = {}
    asked = sorted((*pair, block) for pair, block in groups)
    key = tuple_(col(LifeState.zone_id), col(LifeState.profile_id), col(LifeState.block))
    for start in range(0, len(asked), 1_000):
        rows = session.execute(_select(site_id).where(key.in_(asked[start : start + 1_000])))
        grouped: dict[tuple[Pair, int], list[Any]] = {}
        for row in rows:
            block = round(row[6] / HOUR_S) // BLOCK_HOURS
            grouped.setdefault(((row[0], row[1]), block), []).append(row)
        found |= {group: _held(own, profiles[group[0][1]]) for group, own in grouped.items()}
    return found


def states_on_their_way(
    session: Session, site_id: int, profiles: dict[int, Profile], wanted: Collection[Pair]
) -> dict[Pair, Held]:
    """Return the states of packs on their way to their room's core, in some rooms and profiles."""
    key = tuple_(col(LifeState.zone_id), col(LifeState.profile_id))
    found: list[Any] = []
    for some in parts(wanted):
        where = (col(LifeState.stage) == Stage.YOUNG) & key.in_(some)
        found += session.execute(_select(site_id).where(where))
    return _by_pair(found, profiles)


def reckoned_past(zone_id: int, from_s: float, until_s: float) -> ColumnElement[bool]:
    """
    Return the condition for states in a room that rest on its air after an instant.

    A settled pack counts from its block's start, so it does so only while the change lies within that block
    and before its hour; later changes reach it by the room's sums.
    """
    is_past = (col(LifeState.zone_id) == zone_id) & (col(LifeState.at_s) > from_s)
    settled = col(LifeState.stage) == Stage.SETTLED
    reaches = col(LifeState.block) <= int(min(until_s, 1e15) // (BLOCK_HOURS * HOUR_S))
    return is_past & or_(~settled, reaches)


def _select(site_id: int) -> Select[*tuple[Any, ...]]:
    return (
        select(
            col(LifeState.zone_id),
            col(LifeState.profile_id),
            col(LifeState.content_id),
            col(LifeState.stage),
            col(LifeState.entered_s),
            col(LifeState.entry),
            col(LifeState.at_s),
            col(LifeState.held),
            col(LifeState.path_key),
        )
        .where(col(LifeState.site_id) == site_id)
        .order_by(col(LifeState.zone_id), col(LifeState.profile_id), col(LifeState.content_id))
    )


def _by_pair(rows: Iterable[Any], profiles: dict[int, Profile]) -> dict[Pair, Held]:
    grouped: dict[Pair, list[Any]] = {}
    for row in rows:
        grouped.setdefault((row[0], row[1]), []).append(row)
    return {pair: _held(own, profiles[pair[1]]) for pair, own in grouped.items()}


def _held(rows: Sequence[Any], profile: Profile) -> Held:
    zone, _, content, stage, entered, entry, at_s, held, keys = zip(*rows, strict=True)
    width = columns(profile) + 1
    packs = Reckoned(
        np.array(zone, dtype=np.int64),
        np.array(entered, dtype=np.float64),
        from_bytes(entry, width),
        np.array(at_s, dtype=np.float64),
        from_bytes(held, width),
        np.array([one == Stage.SETTLED for one in stage]),
        np.full(len(rows), np.inf),
    )
    return Held(np.array(content, dtype=np.int64), keys, packs)
