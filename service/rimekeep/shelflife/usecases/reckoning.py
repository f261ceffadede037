"""Bring the reckoning of packs up to date: what changed, and only that, is followed anew."""

from collections import defaultdict
from collections.abc import Collection
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import delete
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries as climate
from rimekeep.platform.database import parts
from rimekeep.shelflife.core.follow import (
    Path,
    Reckoned,
    advance,
    block_of,
    block_start,
    follow,
    fresh,
    part,
)
from rimekeep.shelflife.core.hours import HOUR_S, hour_of
from rimekeep.shelflife.core.packs import settling_h
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.packs import Pack, ageing, packs_where, paths_of, profiles_for
from rimekeep.shelflife.queries.profiles import all_profiles
from rimekeep.shelflife.queries.rooms import summed_rooms
from rimekeep.shelflife.queries.states import (
    Held,
    Pair,
    reckoned_past,
    states,
    states_of,
    states_on_their_way,
)
from rimekeep.shelflife.tables import LifeState
from rimekeep.shelflife.usecases.rising import Rising
from rimekeep.shelflife.usecases.rooms import Rooms
from rimekeep.shelflife.usecases.work import (
    FIRST_STAY,
    STATES,
    Batch,
    Todo,
    from_entry,
    joined,
    path_key,
    store_batch,
)
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import UnitContent

# How far behind the last whole hour packs on their way are reckoned, and twice that until they are taken on:
# readings that come a little late find nothing to be undone.
BEHIND_H = 3


class Reckoning:
    """One refresh of a site: what changed, the rooms it needs, and the packs followed."""

    def __init__(self, session: Session, site_id: int, now: datetime) -> None:
        """Read what is known so far."""
        self.session, self.site_id, self.now, self.now_s = session, site_id, now, now.timestamp()
        self.profiles = all_profiles(session, site_id)
        self.rooms = Rooms(session, site_id, self.now_s, self.profiles, summed_rooms(session, site_id))
        self.gone: set[int] = set()
        self._leaving: dict[Pair, list[tuple[int, Reckoned, Path, str]]] = defaultdict(list)
        self.labelled: list[Pack] = []
        self.ahead: set[int] = set()
        self.rising = Rising(session, site_id, self.rooms)
        self._full: set[int] = set()
        self._again: dict[int, tuple[Pair, str, Reckoned]] = {}

    def run(self, changed: set[int], *, anew: Collection[int] = (), use_newest: bool = False) -> list[Batch]:
        """
        Follow what changed; return the packs whose states were written anew.

        Parameters
        ----------
        changed
            Contents whose stays, cases or labels changed.
        anew
            Contents to be followed from their first stay on.
        use_newest
            Age ``anew`` by the newest profiles.
        """
        self._full = set(anew)
        self._note_dirty()
        todo = self._plan(changed | self._full, use_newest)
        for pair, from_s in self.rising.begin_s.items():
            self._want(pair, from_s)
        self._want_again()
        self._begin_earlier()
        self.rooms.bring_up()
        batches = self._follow(todo)
        done = {int(key) for batch in batches for key in batch.content_ids} | self.gone
        batches += self._advance(done)
        return batches

    # What changed

    def _note_dirty(self) -> None:
        """Find the states and the sums that rest on air that was not as it seemed."""
        windows: dict[int, tuple[float, float]] = {}
        for change in climate.air_changes(self.session, self.site_id):
            low, high = windows.get(change.zone_id, (np.inf, -np.inf))
            windows[change.zone_id] = (
                min(low, change.from_ms / 1000),
                max(high, change.until_ms / 1000),
            )
        known: dict[int, list[Any]] = defaultdict(list)
        for pair, summed in self.rooms.summed.items():
            known[pair[0]].append(summed)
        for zone_id, (from_s, until_s) in windows.items():
            own = known.get(zone_id)
            if own is None:
                continue
            if any(one.is_assumed for one in own) or (
                any(from_s < one.until_hour * HOUR_S for one in own) and not self._was_heard(zone_id, from_s)
            ):
                # Nothing older was known: the first reading tells of all the time before it.
                from_s = -np.inf
            self.rooms.dirty_s[zone_id] = from_s
            slowest_h = max(self.profiles[one.profile_id].tau_h for one in own)
            felt_s = until_s + settling_h(slowest_h) * HOUR_S
            held = states(self.session, self.site_id, self.profiles, reckoned_past(zone_id, from_s, felt_s))
            self._take_again(held, from_s)
            begin = datetime.fromtimestamp(max(from_s, 0.0), UTC)
            end = datetime.fromtimestamp(min(felt_s, self.now_s), UTC)
            self._full |= stock.contents_that_left(self.session, self.site_id, zone_id, begin, end)

    def _was_heard(self, zone_id: int, at_s: float) -> bool:
        at = datetime.fromtimestamp(at_s, UTC)
        heard = climate.joined_by_zone(self.session, self.site_id, at, at, zone_ids=[zone_id]).get(zone_id)
        return heard is not None and bool(heard.at_s[0] < at_s)

    def _take_again(self, held: dict[Pair, Held], from_s: float = np.inf) -> None:
        """Follow packs from where their stay began; those that came with the air's own core, in full."""
        for pair, some in held.items():
            for place, content_id in enumerate(some.content_ids):
                one = some.packs.only(np.array([place]))
                if one.entered_s[0] > from_s and some.path_keys[place] == FIRST_STAY:
                    self._full.add(int(content_id))
                else:
                    self._again[int(content_id)] = (pair, some.path_keys[place], one)

    def _begin_earlier(self) -> None:
        """Begin the sums of a room anew when somebody stood there before its first hour."""
        for pair, wanted in list(self.rooms.wanted.items()):
            summed = self.rooms.summed.get(pair)
            if summed is None or hour_of(wanted.air_from_s) >= summed.first_hour:
                continue
            self.rooms.forget(pair)
            held = states(
                self.session,
                self.site_id,
                self.profiles,
                col(LifeState.zone_id) == pair[0],
                col(LifeState.profile_id) == pair[1],
            )
            self._take_again(held)
            self._want_again()
            for place, (content_id, one, path, key) in enumerate(self._leaving.get(pair, [])):
                self._leaving[pair][place] = (content_id, from_entry(one), path, key)
                self._again.pop(content_id, None)
                self._want(pair, float(one.entered_s[0]))

    # What is needed

    def _plan(self, changed: set[int], use_newest: bool) -> dict[int, Todo]:
        """Decide for each changed content where it goes on from; ask for the rooms that needs."""
        packs = {
            pack.content_id: pack
            for some in parts(changed)
            for pack in packs_where(self.session, self.site_id, ageing() & col(UnitContent.id).in_(some))
        }
        self.gone = changed - packs.keys()
        chosen = profiles_for(self.session, self.site_id, packs.values(), use_newest=use_newest)
        self.labelled = [pack for key, pack in packs.items() if chosen[key] is None]
        ids = [key for key in packs if chosen[key] is not None]
        legs = stock.paths(self.session, self.site_id, ids)
        # A scanner's clock may run ahead of ours by a little: such a move is looked at again later.
        self.ahead = {packs[key].unit_id for key, stays in legs.items() if stays[-1].entered_at > self.now}
        paths = paths_of(legs, self.now)
        starts = stock.start_core_c(self.session, self.site_id, ids)
        before = states_of(self.session, self.site_id, self.profiles, set(ids) - self._full)
        stood = {
            int(content_id): (pair, held, place)
            for pair, held in before.items()
            for place, content_id in enumerate(held.content_ids)
        }
        todo: dict[int, Todo] = defaultdict(Todo)
        for content_id in ids:
            profile, path = chosen[content_id], paths.get(content_id, ())
            assert profile is not None
            if not path:
                self.labelled.append(packs[content_id])
                continue
            if content_id in stood and self._goes_on(content_id, profile, path, *stood[content_id]):
                continue
            self._again.pop(content_id, None)
            todo[profile.id].add(
                content_id, path, fresh([starts.get(content_id)], profile)[0], path_key(path[:-1])
            )
            for zone_id, from_s, _ in path:
                self._want((zone_id, profile.id), from_s)
        return todo

    def _goes_on(
        self, content_id: int, profile: Profile, path: Path, pair: Pair, held: Held, place: int
    ) -> bool:
        """Go on from where a pack was reckoned to, if its stays so far are those reckoned with."""
        one = held.packs.only(np.array([place]))
        if pair[1] != profile.id:
            return False
        entered_s = float(one.entered_s[0])
        turns = [
            turn
            for turn, (zone_id, from_s, _) in enumerate(path)
            if (zone_id, from_s) == (pair[0], entered_s)
        ]
        if not turns:
            return False
        turn, to_s = turns[0], path[turns[0]][2]
        if path_key(path[:turn]) != held.path_keys[place]:
            return False
        if turn == len(path) - 1:
            # It stands where it stood; its label or its cases changed.
            self._again.setdefault(content_id, (pair, held.path_keys[place], one))
            return True
        if self._again.pop(content_id, None) is not None or one.at_s[0] > to_s:
            # The air of this stay was not what it seemed, or it ended sooner: from its beginning.
            one = from_entry(one)
        self._leaving[pair].append((content_id, one, path[turn:], path_key(path[:-1])))
        if one.is_settled[0]:
            summed = self.rooms.summed[pair]
            start = int(block_start(block_of(one.at_s), summed.first_hour)[0])
            air_from = min(hour_of(to_s), summed.until_hour) * HOUR_S
            self.rooms.want(pair, air_from_s=air_from, hours_from=start)
        else:
            self._want(pair, float(one.at_s[0]))
        for zone_id, from_s, _ in path[turn + 1 :]:
            self._want((zone_id, profile.id), from_s)
        return True

    def _want(self, pair: Pair, from_s: float) -> None:
        hour = hour_of(from_s)
        self.rooms.want(pair, air_from_s=hour * HOUR_S, hours_from=hour)

    def _want_again(self) -> None:
        for pair, _, one in self._again.values():
            self._want(pair, float(one.entered_s[0]))

    # What follows

    def _follow(self, todo: dict[int, Todo]) -> list[Batch]:
        for pair, leaving in self._leaving.items():
            room, profile = self.rooms.rooms[pair], self.profiles[pair[1]]
            packs = joined([self._counted(pair, one) for _, one, _, _ in leaving])
            held = part(packs, np.array([path[0][2] for _, _, path, _ in leaving]), room, profile)
            for (content_id, _, path, key), own in zip(leaving, held, strict=True):
                todo[profile.id].add(content_id, path[1:], own, key)
        planned = {content_id for work in todo.values() for content_id in work.content_ids}
        for content_id, (pair, key, one) in self._again.items():
            if content_id not in self.gone | planned:
                stay = ((pair[0], float(one.entered_s[0]), self.now_s),)
                todo[pair[1]].add(content_id, stay, one.entry[0], key)
        batches: list[Batch] = []
        for profile_id, work in todo.items():
            profile = self.profiles[profile_id]
            rooms = {zone_id: room for (zone_id, own), room in self.rooms.rooms.items() if own == profile_id}
            made = follow(work.paths, np.array(work.held), rooms, profile, behind_h=BEHIND_H)
            keys = np.array(work.path_keys)
            ids = np.array(work.content_ids, dtype=np.int64)
            for zone_id in np.unique(made.zone_id):
                here = made.zone_id == zone_id
                batch = Batch((int(zone_id), profile_id), ids[here], made.only(here))
                store_batch(self.session, self.site_id, self.rooms, batch, keys[here])
                batches.append(batch)
        self._drop()
        return batches

    def _counted(self, pair: Pair, one: Reckoned) -> Reckoned:
        """Return a settled state counted from the start of its block, as it is stored."""
        if not one.is_settled[0]:
            return one
        first_hour = self.rooms.summed[pair].first_hour
        start = (block_start(block_of(one.at_s), first_hour) * HOUR_S).astype(np.float64)
        return Reckoned(one.zone_id, one.entered_s, one.entry, start, one.held, one.is_settled, one.low_c)

    def _advance(self, done: set[int]) -> list[Batch]:
        """Take on packs on their way whose reckoning has fallen behind."""
        late = self.rising.leave_behind(2 * BEHIND_H)
        batches = []
        for pair, held in states_on_their_way(self.session, self.site_id, self.profiles, late).items():
            room, profile = self.rooms.rooms[pair], self.profiles[pair[1]]
            hours = np.floor(held.packs.at_s / HOUR_S)
            behind = room.hours.until - hours >= 2 * BEHIND_H
            behind &= np.array([int(key) not in done for key in held.content_ids])
            if behind.any():
                some = held.only(behind)
                batch = Batch(pair, some.content_ids, advance(some.packs, room, profile, behind_h=BEHIND_H))
                store_batch(self.session, self.site_id, self.rooms, batch, some.path_keys)
                batches.append(batch)
        return batches

    def _drop(self) -> None:
        for some in parts(self.gone | {pack.content_id for pack in self.labelled}):
            self.session.execute(delete(STATES).where(STATES.c.content_id.in_(some)))
