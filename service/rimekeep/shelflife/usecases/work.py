"""Packs to be followed, and their states once they were."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from sqlalchemy import Table
from sqlalchemy.orm import Session

from rimekeep.platform.database import upsert
from rimekeep.shelflife.core.blobs import to_bytes
from rimekeep.shelflife.core.follow import Path, Reckoned, block_of, since_block
from rimekeep.shelflife.core.hours import IntArray
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.stages import Stage
from rimekeep.shelflife.queries.states import Pair
from rimekeep.shelflife.tables import LifeState
from rimekeep.shelflife.usecases.rooms import Rooms

STATES: Table = LifeState.__table__  # type: ignore[attr-defined]


@dataclass(slots=True)
class Todo:
    """Packs of one profile to be followed: where they go on from, and the key of the stays before."""

    content_ids: list[int] = field(default_factory=list)
    paths: list[Path] = field(default_factory=list)
    held: list[FloatArray] = field(default_factory=list)
    path_keys: list[str] = field(default_factory=list)

    def add(self, content_id: int, path: Path, held: FloatArray, path_key: str) -> None:
        """Add one pack."""
        self.content_ids.append(content_id)
        self.paths.append(path)
        self.held.append(held)
        self.path_keys.append(path_key)


@dataclass(frozen=True, slots=True)
class Batch:
    """Packs of one room and profile whose states were written anew."""

    pair: Pair
    content_ids: IntArray
    packs: Reckoned


def path_key(legs: Iterable[tuple[int, float, float]]) -> str:
    """Return what tells whether stays are the same as before."""
    told = ";".join(f"{zone_id},{from_s!r},{to_s!r}" for zone_id, from_s, to_s in legs)
    return hashlib.blake2b(told.encode(), digest_size=12).hexdigest()


# The key of no stays before.
FIRST_STAY = path_key(())


def store_batch(session: Session, site_id: int, rooms: Rooms, batch: Batch, path_keys: Sequence[str]) -> None:
    """Write the states of packs as they were reckoned."""
    packs, room = batch.packs, rooms.rooms[batch.pair]
    settled = packs.is_settled
    held = packs.held
    blocks: list[int | None] = [None] * len(held)
    if settled.any():
        some = np.flatnonzero(settled)
        held = held.copy()
        profile, totals = rooms.profiles[batch.pair[1]], rooms.totals.get(batch.pair, {})
        held[some] = since_block(packs.only(some), room, profile, totals)
        for place, block in zip(some, block_of(packs.at_s[some]), strict=True):
            blocks[int(place)] = int(block)
    rows = [
        {
            "content_id": int(content_id),
            "site_id": site_id,
            "zone_id": batch.pair[0],
            "profile_id": batch.pair[1],
            "stage": Stage.SETTLED if settled[place] else Stage.YOUNG,
            "block": blocks[place],
            "entered_s": float(packs.entered_s[place]),
            "entry": to_bytes(packs.entry[place]),
            "at_s": float(packs.at_s[place]),
            "held": to_bytes(held[place]),
            "path_key": str(path_keys[place]),
        }
        for place, content_id in enumerate(batch.content_ids)
    ]
    upsert(session, STATES, rows, keys=["content_id"])


def from_entry(one: Reckoned) -> Reckoned:
    """Return a state set back to where its stay began."""
    not_settled = np.zeros(one.at_s.size, dtype=bool)
    return Reckoned(one.zone_id, one.entered_s, one.entry, one.entered_s, one.entry, not_settled, one.low_c)


def joined(packs: Sequence[Reckoned]) -> Reckoned:
    return Reckoned(
        np.concatenate([one.zone_id for one in packs]),
        np.concatenate([one.entered_s for one in packs]),
        np.concatenate([one.entry for one in packs]),
        np.concatenate([one.at_s for one in packs]),
        np.concatenate([one.held for one in packs]),
        np.concatenate([one.is_settled for one in packs]),
        np.concatenate([one.low_c for one in packs]),
    )
