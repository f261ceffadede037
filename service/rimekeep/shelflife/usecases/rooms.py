"""Keep the hours of rooms summed as far as their air is known, and again where it turns out otherwise."""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate import queries as climate
from rimekeep.climate.core.air import Air, Joined, air_between, assumed
from rimekeep.shelflife.core.follow import rest_of_hour
from rimekeep.shelflife.core.hours import (
    BLOCK_HOURS,
    HOUR_S,
    Course,
    RoomHours,
    hour_of,
    sum_hours,
)
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import Room
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.rooms import DAY_HOURS, Summed, block_totals, summed_hours_of
from rimekeep.shelflife.tables import LifeGroup
from rimekeep.shelflife.usecases.hours import forget_hours, write_hours
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Stay

Pair = tuple[int, int]


@dataclass(slots=True)
class Wanted:
    """What a refresh needs of one room for one profile: raw air and whole hours from some point on."""

    air_from_s: float
    hours_from: int


@dataclass(slots=True)
class Rooms:
    """The rooms of one refresh: their air, their hours, and what is known of how far they are summed."""

    session: Session
    site_id: int
    now_s: float
    profiles: dict[int, Profile]
    summed: dict[Pair, Summed]
    heard: dict[int, Joined] = field(default_factory=dict)
    # From when on the air of a room is not what the sums were made of. [s since 1970]
    dirty_s: dict[int, float] = field(default_factory=dict)
    wanted: dict[Pair, Wanted] = field(default_factory=dict)
    rooms: dict[Pair, Room] = field(default_factory=dict)
    planned: dict[int, float] = field(default_factory=dict)
    # The sums by block, from the oldest block anybody counts from.
    totals: dict[Pair, dict[int, FloatArray]] = field(default_factory=dict)
    _rests: dict[Pair, tuple[FloatArray, float]] = field(default_factory=dict)
    # Hours that were summed anew in this refresh.
    fresh: dict[Pair, RoomHours] = field(default_factory=dict)

    def want(self, pair: Pair, *, air_from_s: float, hours_from: int) -> None:
        """Ask for a room's air and whole hours from some point on."""
        held = self.wanted.get(pair)
        if held is None:
            self.wanted[pair] = Wanted(air_from_s, hours_from)
        else:
            held.air_from_s = min(held.air_from_s, air_from_s)
            held.hours_from = min(held.hours_from, hours_from)

    def bring_up(self) -> None:
        """Sum every room asked for, and every room summed before, as far as its air is known."""
        self._begin_new()
        windows: dict[int, float] = {}
        for (zone_id, _), summed in self.summed.items():
            windows[zone_id] = min(windows.get(zone_id, np.inf), self._resume(summed) * HOUR_S)
        for (zone_id, _), wanted in self.wanted.items():
            windows[zone_id] = min(windows[zone_id], wanted.air_from_s)
        airs = self._airs(windows)
        stored = self._stored_hours()
        for pair, summed in self.summed.items():
            profile, air = self.profiles[pair[1]], airs[pair[0]]
            resume = self._resume(summed)
            until = max(self._until(pair[0], air), resume)
            is_same = summed.is_assumed == air.is_assumed and not np.isnan(summed.core_c)
            if is_same and until == summed.until_hour == resume:
                continue
            core_c = None
            if resume > summed.first_hour:
                core_c = float(stored[pair].cut(resume, resume).core_c[0])
            new = sum_hours(air.cut(resume * HOUR_S, until * HOUR_S), profile, core_c=core_c)
            self.fresh[pair] = new
            stored[pair] = stored[pair].followed_by(new)
            self.summed[pair] = replace(
                summed,
                until_hour=new.until,
                core_c=float(new.core_c[-1]),
                is_assumed=air.is_assumed,
            )
        write_hours(self.session, self.site_id, self.summed, self.profiles, self.fresh, stored)
        self._count_blocks()
        courses: dict[tuple[int, float], Course] = {}
        for pair in self.summed:
            key = (pair[0], self.profiles[pair[1]].tau_h)
            if key not in courses:
                courses[key] = Course.of(airs[pair[0]], tau_h=key[1])
            hours = stored[pair]
            self.rooms[pair] = Room(courses[key], hours, hours.running())

    def _stored_hours(self) -> dict[Pair, RoomHours]:
        """Return the hours in store from where each room needs them, and where its sums are made anew."""
        needed = {}
        for pair, summed in self.summed.items():
            resume = self._resume(summed)
            from_hour = resume
            if resume < summed.until_hour:
                # A block that is summed anew is summed up from its start, so that no rounding is carried on.
                from_hour = resume // BLOCK_HOURS * BLOCK_HOURS
            # Days are stored whole.
            from_hour = from_hour // DAY_HOURS * DAY_HOURS
            if pair in self.wanted:
                from_hour = min(from_hour, self.wanted[pair].hours_from)
            needed[pair] = max(from_hour, summed.first_hour)
        return summed_hours_of(self.session, self.site_id, self.summed, self.profiles, needed)

    def _count_blocks(self) -> None:
        oldest = self.session.scalar(
            select(func.min(col(LifeGroup.block))).where(col(LifeGroup.site_id) == self.site_id)
        )
        recent = [room.first // BLOCK_HOURS for room in self.fresh.values()]
        wanted = [wanted.hours_from // BLOCK_HOURS for wanted in self.wanted.values()]
        first = min([*([] if oldest is None else [oldest]), *recent, *wanted], default=0)
        self.totals = block_totals(self.session, self.site_id, self.profiles.values(), first)

    def since_block(self, pair: Pair, block: int) -> tuple[FloatArray, float]:
        """Return what a room's core has lived through since the start of a block, and where it is now."""
        if pair not in self._rests:
            rest = rest_of_hour(self.rooms[pair], self.profiles[pair[1]], self.now_s)
            self._rests[pair] = (rest.sums[0], float(rest.core_c[0]))
        sums, core_c = self._rests[pair]
        own = self.totals.get(pair, {})
        return sum((total for key, total in own.items() if key >= block), start=sums), core_c

    def _begin_new(self) -> None:
        new = [pair for pair in self.wanted if pair not in self.summed]
        if not new:
            return
        rows = self.session.execute(
            select(col(Stay.zone_id), func.min(col(Stay.entered_at)))
            .where(col(Stay.site_id) == self.site_id, col(Stay.zone_id).in_({zone for zone, _ in new}))
            .group_by(col(Stay.zone_id))
        )
        first_at = {row[0]: row[1] for row in rows}
        for zone_id, profile_id in new:
            wanted = self.wanted[zone_id, profile_id]
            first = min(wanted.air_from_s, _seconds(first_at.get(zone_id), wanted.air_from_s))
            hour = min(hour_of(first), wanted.hours_from)
            self.summed[zone_id, profile_id] = Summed(zone_id, profile_id, hour, hour, np.nan, False)

    def forget(self, pair: Pair) -> None:
        """Take away what is summed for a room and profile, to begin anew."""
        self.summed.pop(pair, None)
        forget_hours(self.session, pair)

    def _resume(self, summed: Summed) -> int:
        """Return the hour from which sums are made anew."""
        dirty_s = self.dirty_s.get(summed.zone_id, np.inf)
        if dirty_s >= summed.until_hour * HOUR_S:
            return summed.until_hour
        return max(summed.first_hour, hour_of(max(dirty_s, summed.first_hour * HOUR_S)))

    def _airs(self, windows: dict[int, float]) -> dict[int, Air]:
        if not windows:
            return {}
        first = datetime.fromtimestamp(min(windows.values()), UTC)
        now = datetime.fromtimestamp(self.now_s, UTC)
        self.heard = climate.joined_by_zone(self.session, self.site_id, first, now, zone_ids=windows.keys())
        self.planned = {zone.id: zone.planned_c for zone in stock.zones(self.session, self.site_id)}
        airs = {}
        for zone_id, from_s in windows.items():
            heard = self.heard.get(zone_id)
            airs[zone_id] = (
                assumed(from_s, self.now_s, self.planned[zone_id])
                if heard is None
                else air_between(heard, min(from_s, self.now_s), self.now_s)
            )
        return airs

    def _until(self, zone_id: int, air: Air) -> int:
        """Return the hour up to which a room's air will not change by what comes next in order."""
        heard = self.heard.get(zone_id)
        if heard is None:
            return hour_of(self.now_s)
        known_s = heard.at_s[heard.at_s <= self.now_s]
        return hour_of(float(known_s[-1])) if known_s.size else 0


def _seconds(at: datetime | None, otherwise: float) -> float:
    return otherwise if at is None else at.timestamp()
