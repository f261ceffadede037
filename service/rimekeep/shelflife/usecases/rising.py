"""Packs on their way to their room's core, by the hour they were reckoned to: left alone till they move."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Table, delete, select, tuple_
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.database import parts, upsert
from rimekeep.shelflife.core.blobs import from_bytes, to_bytes
from rimekeep.shelflife.core.hours import HOUR_S
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import Stood
from rimekeep.shelflife.core.shifts import COLDEST_C, WARMEST_C, cores_at_hour, lived_by_cores, shifts
from rimekeep.shelflife.queries.states import Pair
from rimekeep.shelflife.tables import LifeRise
from rimekeep.shelflife.usecases.rooms import Rooms
from rimekeep.shelflife.usecases.work import Batch

RISES: Table = LifeRise.__table__  # type: ignore[attr-defined]
# Zone, profile, hour since 1970.
Key = tuple[int, int, int]


@dataclass(slots=True)
class _Rise:
    """Cores of a group by whole degrees, and the range of shifts its rows were written with. [°C, days]"""

    coldest_c: int
    warmest_c: int
    low: FloatArray
    high: FloatArray

    @property
    def cores_c(self) -> FloatArray:
        return np.arange(self.coldest_c, self.warmest_c + 1, dtype=np.float64)


class Rising:
    """All packs on their way of a site, group by group, with how far each group has moved since written."""

    def __init__(self, session: Session, site_id: int, rooms: Rooms) -> None:
        """Read the groups."""
        self._session, self._site_id, self._rooms = session, site_id, rooms
        self._held: dict[Key, _Rise] = {}
        self._touched: set[Key] = set()
        self._now: dict[Key, FloatArray] = {}
        rows = session.execute(
            select(
                col(LifeRise.zone_id),
                col(LifeRise.profile_id),
                col(LifeRise.hour),
                col(LifeRise.coldest_c),
                col(LifeRise.warmest_c),
                col(LifeRise.low),
                col(LifeRise.high),
            ).where(col(LifeRise.site_id) == site_id)
        )
        for zone_id, profile_id, hour, coldest_c, warmest_c, *ends in rows:
            width = 2 * len(rooms.profiles[profile_id].routes)
            low, high = (np.reshape(from_bytes(one, width), (-1, width)) for one in ends)
            self._held[zone_id, profile_id, hour] = _Rise(coldest_c, warmest_c, low, high)

    @property
    def begin_s(self) -> dict[Pair, float]:
        """Return from when on the groups need the air of their rooms. [s since 1970]"""
        first: dict[Pair, float] = {}
        for zone_id, profile_id, hour in self._held:
            pair = (zone_id, profile_id)
            first[pair] = min(first.get(pair, np.inf), hour * HOUR_S)
        return first

    @property
    def coldest_c(self) -> dict[Pair, float]:
        """Return the coldest core of each room and profile that has packs on their way. [°C]"""
        coldest: dict[Pair, float] = {}
        for key, held in self._held.items():
            coldest[key[:2]] = min(coldest.get(key[:2], np.inf), held.coldest_c)
        return coldest

    def leave_behind(self, behind_h: int) -> set[Pair]:
        """Drop the groups reckoned to so many hours before the last whole one; return where they stood."""
        behind = {
            (zone_id, profile_id, hour)
            for zone_id, profile_id, hour in self._held
            if self._rooms.rooms[zone_id, profile_id].hours.until - hour >= behind_h
        }
        for some in parts(behind):
            key = tuple_(RISES.c.zone_id, RISES.c.profile_id, RISES.c.hour)
            self._session.execute(delete(RISES).where(key.in_(some)))
        for one in behind:
            del self._held[one]
        return {(zone_id, profile_id) for zone_id, profile_id, _ in behind}

    def join(self, batches: Iterable[Batch]) -> None:
        """Note packs that were written as of now."""
        for batch in batches:
            packs = batch.packs.only(~batch.packs.is_settled)
            room, profile = self._rooms.rooms[batch.pair], self._rooms.profiles[batch.pair[1]]
            hours = np.floor(packs.at_s / HOUR_S).astype(np.int64)
            cores_c = np.clip(cores_at_hour(packs, room, profile), COLDEST_C, WARMEST_C)
            for hour in np.unique(hours):
                own = cores_c[hours == hour]
                self._widen((*batch.pair, int(hour)), int(np.floor(own.min())), int(np.ceil(own.max())))
        self._now = self._shifts(self._touched)
        for key, now in self._now.items():
            held = self._held[key]
            # What nobody was written with yet is not a number.
            held.low, held.high = np.fmin(held.low, now), np.fmax(held.high, now)

    def _widen(self, key: Key, coldest_c: int, warmest_c: int) -> None:
        held = self._held.get(key)
        self._touched.add(key)
        if held is None:
            width = 2 * len(self._rooms.profiles[key[1]].routes)
            none = np.full((warmest_c - coldest_c + 1, width), np.nan)
            self._held[key] = _Rise(coldest_c, warmest_c, none, none)
            return
        below, above = max(0, held.coldest_c - coldest_c), max(0, warmest_c - held.warmest_c)
        room = ((below, above), (0, 0))
        held.low, held.high = (np.pad(one, room, constant_values=np.nan) for one in (held.low, held.high))
        held.coldest_c, held.warmest_c = held.coldest_c - below, held.warmest_c + above

    def _shifts(self, keys: Collection[Key]) -> dict[Key, FloatArray]:
        by_pair: dict[Pair, list[Key]] = defaultdict(list)
        for key in keys:
            by_pair[key[:2]].append(key)
        by_profile: dict[int, list[tuple[list[Key], Stood]]] = defaultdict(list)
        for pair, own in by_pair.items():
            cores = [self._held[key].cores_c for key in own]
            lived = lived_by_cores(
                self._rooms.rooms[pair],
                self._rooms.profiles[pair[1]],
                hours=np.repeat([key[2] for key in own], [len(one) for one in cores]),
                cores_c=np.concatenate(cores),
                now_s=self._rooms.now_s,
            )
            by_profile[pair[1]].append((own, lived))
        found: dict[Key, FloatArray] = {}
        for profile_id, some in by_profile.items():
            sums, core_c = (
                np.concatenate(one) for one in zip(*((own.sums, own.core_c) for _, own in some), strict=True)
            )
            now = shifts(self._rooms.now_s, sums, core_c, self._rooms.profiles[profile_id])
            ordered = [key for own, _ in some for key in own]
            edges = np.cumsum([len(self._held[key].cores_c) for key in ordered])[:-1]
            found |= dict(zip(ordered, np.split(now, edges), strict=True))
        return found

    def moved(self, grain_days: float) -> set[Key]:
        """Return the groups that moved by more than the grain; each is taken to be written anew."""
        far = set()
        for key, now in (self._now | self._shifts(self._held.keys() - self._now.keys())).items():
            held = self._held[key]
            if bool(np.any(now - held.low > grain_days) or np.any(held.high - now > grain_days)):
                held.low = held.high = now
                far.add(key)
        self._touched |= far
        return far

    def store(self) -> None:
        """Write the groups that changed."""
        rows = [
            {
                "zone_id": key[0],
                "profile_id": key[1],
                "hour": key[2],
                "site_id": self._site_id,
                "coldest_c": self._held[key].coldest_c,
                "warmest_c": self._held[key].warmest_c,
                "low": to_bytes(self._held[key].low),
                "high": to_bytes(self._held[key].high),
            }
            for key in sorted(self._touched)
        ]
        upsert(self._session, RISES, rows, keys=["zone_id", "profile_id", "hour"])
