"""Turn what packs have lived through into the dates they end on."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.shelflife.core.ends import ends
from rimekeep.shelflife.core.follow import BoolArray, Now, at
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries import aged
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.queries.packs import Pack, packs_of
from rimekeep.shelflife.queries.states import Held, Pair, states_in_groups
from rimekeep.shelflife.usecases.reckoning import Reckoning
from rimekeep.shelflife.usecases.work import Batch

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Dated:
    """The end of one pack's life as of now."""

    pack: Pack
    profile_id: int | None
    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    frozen_at: datetime | None
    label_s: float
    budget: float


@dataclass(frozen=True, slots=True)
class _Lived:
    """Packs of one profile: what each has lived through, and its core now."""

    content_ids: list[int]
    sums: FloatArray
    core_c: FloatArray


class Dating:
    """Finds the dates of one refresh."""

    def __init__(self, session: Session, site_id: int, now: datetime, reckoning: Reckoning) -> None:
        """Take what was reckoned."""
        self.session, self.site_id, self.now, self.reckoning = session, site_id, now, reckoning
        self._zone = ZoneInfo(site_of(session, site_id).time_zone)
        self._labels: dict[date, datetime] = {}

    def labelled(self) -> list[Dated]:
        """Return the ends of packs of which only the label is known."""
        found = []
        for pack in self.reckoning.labelled:
            end = self._label(pack.best_before_on)
            found.append(self._of(pack, None, end, end, BEST_BEFORE))
        return found

    def of_batches(self, batches: Sequence[Batch]) -> list[Dated]:
        """Return the ends of packs as they were reckoned just now."""
        lived: dict[int, list[_Lived]] = defaultdict(list)
        for batch in batches:
            room, profile = self.reckoning.rooms.rooms[batch.pair], self.reckoning.profiles[batch.pair[1]]
            now = at(batch.packs, room, profile, self.reckoning.now_s)
            lived[batch.pair[1]].append(_Lived(batch.content_ids.tolist(), now.sums, now.core_c))
        return self._ends(lived)

    def of_rising(self, grain: timedelta) -> list[Dated]:
        """
        Return the ends of packs on their way that have moved by more than the grain since they were written.

        All are worked out; only those that moved are looked at any closer.
        """
        lived: dict[int, list[_Lived]] = defaultdict(list)
        by_profile: dict[int, list[tuple[Held, Now]]] = defaultdict(list)
        for pair, held in self.reckoning.rising.items():
            room, profile = self.reckoning.rooms.rooms[pair], self.reckoning.profiles[pair[1]]
            by_profile[pair[1]].append((held, at(held.packs, room, profile, self.reckoning.now_s)))
        for profile_id, own in by_profile.items():
            ids = np.concatenate([held.content_ids for held, _ in own])
            sums = np.concatenate([now.sums for _, now in own])
            core_c = np.concatenate([now.core_c for _, now in own])
            moved = self._moved([held for held, _ in own], sums, core_c, profile_id, grain.total_seconds())
            if moved.any():
                lived[profile_id].append(_Lived(ids[moved].tolist(), sums[moved], core_c[moved]))
        return self._ends(lived)

    def _moved(
        self, held: list[Held], sums: FloatArray, core_c: FloatArray, profile_id: int, grain_s: float
    ) -> BoolArray:
        """Mark the packs whose dates are not near those written; nothing written yet is not near."""
        now_s = self.reckoning.now_s
        label_s, budget, written_s, careful_s = (
            np.concatenate(own)
            for own in zip(
                *((one.label_s, one.budget, one.expires_s, one.cautious_s) for one in held), strict=True
            )
        )
        profile = self.reckoning.profiles[profile_id]
        left = ends(sums, core_c, profile, budget=np.nan_to_num(budget, nan=1.0))
        expires_s = np.minimum(now_s + left.days * DAY_S, label_s)
        cautious_s = np.minimum(now_s + left.cautious_days * DAY_S, expires_s)
        is_near = (np.abs(expires_s - written_s) <= grain_s) & (np.abs(cautious_s - careful_s) <= grain_s)
        # What is known to be over stays as it is.
        is_near |= (left.days < 0) & (written_s <= now_s)
        return np.asarray(~is_near)

    def of_groups(self, groups: Iterable[tuple[Pair, int]]) -> list[Dated]:
        """Return the ends of the settled packs of rooms, profiles and blocks."""
        wanted = set(groups)
        lived: dict[int, list[_Lived]] = defaultdict(list)
        found = states_in_groups(self.session, self.site_id, self.reckoning.profiles, wanted)
        for (pair, block), held in found.items():
            since, core_c = self.reckoning.rooms.since_block(pair, block)
            sums = held.packs.held[:, :-1] + since
            lived[pair[1]].append(_Lived(held.content_ids.tolist(), sums, np.full(len(sums), core_c)))
        return self._ends(lived)

    def _ends(self, lived: Mapping[int, list[_Lived]]) -> list[Dated]:
        ids = [key for own in lived.values() for some in own for key in some.content_ids]
        packs = {pack.content_id: pack for pack in packs_of(self.session, self.site_id, ids)}
        found: list[Dated] = []
        spent: list[int] = []
        for profile_id, own in lived.items():
            profile = self.reckoning.profiles[profile_id]
            content_ids = [key for some in own for key in some.content_ids]
            left = ends(
                np.concatenate([some.sums for some in own]),
                np.concatenate([some.core_c for some in own]),
                profile,
                budget=np.array([profile.budget(packs[key].oxygen_ppb) for key in content_ids]),
            )
            names = [route.name for route in profile.routes]
            for content_id, days, cautious, limiting in zip(
                content_ids,
                left.days.tolist(),
                left.cautious_days.tolist(),
                left.limiting.tolist(),
                strict=True,
            ):
                if days < 0:
                    spent.append(content_id)
                else:
                    found.append(self._dated(packs[content_id], profile, days, cautious, names[limiting]))
        return found + self._spent(spent, packs)

    def _label(self, best_before_on: date) -> datetime:
        if best_before_on not in self._labels:
            self._labels[best_before_on] = label_end(best_before_on, self._zone)
        return self._labels[best_before_on]

    def _dated(
        self, pack: Pack, profile: Profile, days: float, cautious_days: float, limited_by: str
    ) -> Dated:
        end, cautious = self.now + timedelta(days=days), self.now + timedelta(days=cautious_days)
        return self._of(pack, profile, end, cautious, limited_by)

    def _of(
        self, pack: Pack, profile: Profile | None, end: datetime, cautious: datetime, limited_by: str
    ) -> Dated:
        label = self._label(pack.best_before_on)
        # On equal dates the label has the word: it is what the customer sees.
        expires_at, limited_by = (label, BEST_BEFORE) if label <= end else (end, limited_by)
        return Dated(
            pack,
            None if profile is None else profile.id,
            expires_at,
            min(cautious, expires_at),
            limited_by,
            None if pack.written is None else pack.written.frozen_at,
            label.timestamp(),
            1.0 if profile is None else profile.budget(pack.oxygen_ppb),
        )

    def _spent(self, content_ids: list[int], packs: Mapping[int, Pack]) -> list[Dated]:
        """Tell when packs whose life is over came to its end; those known to be over stay as they are."""
        open_ids = []
        for content_id in content_ids:
            before = packs[content_id].written
            if before is None or before.expires_at > self.now:
                open_ids.append(content_id)
        if not open_ids:
            return []
        return [
            self._of(packs[one.pack.content_id], one.profile, one.expires_at, one.cautious_at, one.limited_by)
            for one in aged(self.session, self.site_id, self.now, content_ids=open_ids)
        ]
