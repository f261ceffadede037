"""Groups of settled packs whose dates move together: found, and left alone while they have hardly moved."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Table, select
from sqlmodel import col

from rimekeep.platform.database import upsert
from rimekeep.shelflife.core.blobs import from_bytes, to_bytes
from rimekeep.shelflife.core.follow import block_of
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.shifts import shifts
from rimekeep.shelflife.queries.states import Pair
from rimekeep.shelflife.tables import LifeGroup
from rimekeep.shelflife.usecases.reckoning import Reckoning
from rimekeep.shelflife.usecases.work import Batch

GROUPS: Table = LifeGroup.__table__  # type: ignore[attr-defined]
Key = tuple[int, int, int]


@dataclass(slots=True)
class _Shifts:
    """The shift now, and the range of shifts the group's rows were written with. [days]"""

    now: FloatArray
    low: FloatArray
    high: FloatArray

    def is_far(self, grain_days: float) -> bool:
        return bool(np.any(self.now - self.low > grain_days) or np.any(self.high - self.now > grain_days))


class Groups:
    """All groups of a site, with how far each has moved since its rows were written."""

    def __init__(self, reckoning: Reckoning) -> None:
        """Read the groups and work out where they stand now."""
        self._reckoning, self._session = reckoning, reckoning.session
        self._held: dict[Key, _Shifts] = {}
        self._touched: set[Key] = set()
        rows = self._session.execute(
            select(
                col(LifeGroup.zone_id),
                col(LifeGroup.profile_id),
                col(LifeGroup.block),
                col(LifeGroup.low),
                col(LifeGroup.high),
            ).where(col(LifeGroup.site_id) == reckoning.site_id)
        )
        stored = {(row[0], row[1], row[2]): (row[3], row[4]) for row in rows}
        now = self._shifts({((zone_id, profile_id), block) for zone_id, profile_id, block in stored})
        for key, (low, high) in stored.items():
            shift = now.get(((key[0], key[1]), key[2]))
            if shift is not None:
                written = (from_bytes(one, shift.size)[0] for one in (low, high))
                self._held[key] = _Shifts(shift, *written)

    def _shifts(self, groups: set[tuple[Pair, int]]) -> dict[tuple[Pair, int], FloatArray]:
        """Return how much of their ends the packs of groups have in common, as `core.shifts`. [days]"""
        rooms = self._reckoning.rooms
        by_profile: dict[int, list[tuple[Pair, int]]] = defaultdict(list)
        for pair, block in groups:
            if pair in rooms.rooms:
                by_profile[pair[1]].append((pair, block))
        found: dict[tuple[Pair, int], FloatArray] = {}
        for profile_id, own in by_profile.items():
            lived = [rooms.since_block(pair, block) for pair, block in own]
            sums, core_c = np.array([one for one, _ in lived]), np.array([core_c for _, core_c in lived])
            now = shifts(self._reckoning.now_s, sums, core_c, self._reckoning.profiles[profile_id])
            found |= dict(zip(own, now, strict=True))
        return found

    def join(self, batches: Iterable[Batch]) -> None:
        """Note packs that were written as of now."""
        joined = set()
        for batch in batches:
            chosen = batch.packs.is_settled
            joined |= {(batch.pair, int(block)) for block in np.unique(block_of(batch.packs.at_s[chosen]))}
        for (pair, block), now in self._shifts(joined).items():
            key = (*pair, block)
            self._touched.add(key)
            held = self._held.get(key)
            if held is None:
                self._held[key] = _Shifts(now, now, now)
            else:
                held.low, held.high = np.minimum(held.low, now), np.maximum(held.high, now)

    def moved(self, grain_days: float) -> Iterator[tuple[Pair, int]]:
        """Yield the groups that moved by more than the grain; each is taken to be written anew."""
        for key, held in list(self._held.items()):
            if held.is_far(grain_days):
                held.low = held.high = held.now
                self._touched.add(key)
                yield (key[0], key[1]), key[2]

    def store(self) -> None:
        """Write the groups that changed."""
        rows = [
            {
                "zone_id": key[0],
                "profile_id": key[1],
                "block": key[2],
                "site_id": self._reckoning.site_id,
                "low": to_bytes(self._held[key].low),
                "high": to_bytes(self._held[key].high),
            }
            for key in sorted(self._touched)
        ]
        upsert(self._session, GROUPS, rows, keys=["zone_id", "profile_id", "block"])
