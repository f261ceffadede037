"""Turn what packs have lived through into the dates they end on."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.shelflife.core.ends import ends
from rimekeep.shelflife.core.follow import at
from rimekeep.shelflife.core.hours import HOUR_S
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries import aged
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.queries.packs import Pack, packs_of
from rimekeep.shelflife.queries.states import Pair, states_in_groups, states_on_their_way
from rimekeep.shelflife.usecases.reckoning import Reckoning
from rimekeep.shelflife.usecases.work import Batch


@dataclass(frozen=True, slots=True)
class Dated:
    """The end of one pack's life as of now."""

    pack: Pack
    profile_id: int | None
    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    frozen_at: datetime | None


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

    def of_rising(self, groups: Collection[tuple[int, int, int]]) -> list[Dated]:
        """Return the ends of the packs on their way of rooms, profiles and hours."""
        lived: dict[int, list[_Lived]] = defaultdict(list)
        profiles, rooms = self.reckoning.profiles, self.reckoning.rooms
        pairs = {(zone_id, profile_id) for zone_id, profile_id, _ in groups}
        for pair, held in states_on_their_way(self.session, self.site_id, profiles, pairs).items():
            hours = [hour for *own, hour in groups if tuple(own) == pair]
            some = held.only(np.isin(np.floor(held.packs.at_s / HOUR_S), hours))
            now = at(some.packs, rooms.rooms[pair], profiles[pair[1]], self.reckoning.now_s)
            lived[pair[1]].append(_Lived(some.content_ids.tolist(), now.sums, now.core_c))
        return self._ends(lived)

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
