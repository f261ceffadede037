"""Packs followed from room to room, all that age alike in one go."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimekeep.shelflife.core.hours import BLOCK_HOURS, HOUR_S, IntArray, columns
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import Room, Stood, leave, settle, stand, stay_through
from rimekeep.shelflife.core.profile import Profile

# (zone, from, until) of each stay, seconds since 1970.
Path = tuple[tuple[int, float, float], ...]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Reckoned:
    """
    How far the reckoning of n packs' lives has come; arrays of shape (n,) or (n, columns + 1).

    ``entry`` and ``held`` hold sums and, in the last column, the core: as the pack came into ``zone_id`` at
    ``entered_s``, and at ``at_s``. From there on the core of a settled pack is the room's. [s since 1970, °C]
    """

    zone_id: IntArray
    entered_s: FloatArray
    entry: FloatArray
    at_s: FloatArray
    held: FloatArray
    is_settled: BoolArray
    low_c: FloatArray

    def only(self, which: IntArray | BoolArray) -> "Reckoned":
        """Return some of the packs."""
        return Reckoned(
            self.zone_id[which],
            self.entered_s[which],
            self.entry[which],
            self.at_s[which],
            self.held[which],
            self.is_settled[which],
            self.low_c[which],
        )


def fresh(start_core_c: Sequence[float | None], profile: Profile) -> FloatArray:
    """Return what packs hold that have lived through nothing; an unknown core is not a number."""
    held = np.zeros((len(start_core_c), columns(profile) + 1))
    held[:, -1] = [np.nan if core is None else core for core in start_core_c]
    return held


def follow(
    paths: Sequence[Path],
    held: FloatArray,
    rooms: Mapping[int, Room],
    profile: Profile,
    *,
    behind_h: int = 0,
) -> Reckoned:
    """
    Take packs through their stays, up to where whole hours are summed in the room they are in now.

    Parameters
    ----------
    paths
        The stays of n packs, one or more each; the last is the one they are in.
    held
        Sums and core each begins with, shape (n, columns + 1); a core that is not a number is as the air.
    rooms
        By zone, reaching over all of the stays.
    profile
        How they age.
    behind_h
        How many hours before the last whole one to stop: what comes late by less then undoes nothing. [h]
    """
    count = len(paths)
    lengths = np.array([len(path) for path in paths], dtype=np.int64)
    now = held.copy()
    made = Reckoned(
        np.zeros(count, dtype=np.int64),
        np.zeros(count),
        np.zeros_like(held),
        np.zeros(count),
        np.zeros_like(held),
        np.zeros(count, dtype=bool),
        np.full(count, np.inf),
    )
    for turn in range(int(lengths.max(initial=0))):
        going = np.flatnonzero(lengths > turn)
        legs = [paths[int(pack)][turn] for pack in going]
        zones = np.array([leg[0] for leg in legs], dtype=np.int64)
        starts, stops = (np.array([leg[side] for leg in legs], dtype=np.float64) for side in (1, 2))
        for zone_id in np.unique(zones):
            here = zones == zone_id
            packs, room = going[here], rooms[int(zone_id)]
            from_s, to_s = starts[here], stops[here]
            core = now[packs, -1]
            core = np.where(np.isnan(core), _air_at(room, from_s), core)
            is_last = lengths[packs] == turn + 1
            through, stays = packs[~is_last], packs[is_last]
            if through.size:
                some = ~is_last
                stood = stay_through(room, profile, from_s=from_s[some], core_c=core[some], to_s=to_s[some])
                now[through, :-1] += stood.sums
                now[through, -1] = stood.core_c
                made.low_c[through] = np.minimum(made.low_c[through], stood.low_c)
            if stays.size:
                _arrive(
                    made, stays, room, profile, now, from_s[is_last], core[is_last], int(zone_id), behind_h
                )
    return made


def _air_at(room: Room, at_s: FloatArray) -> FloatArray:
    return room.course.air_at((at_s - room.course.origin_s) / HOUR_S)


def _arrive(
    made: Reckoned,
    packs: IntArray,
    room: Room,
    profile: Profile,
    now: FloatArray,
    from_s: FloatArray,
    core_c: FloatArray,
    zone_id: int,
    behind_h: int,
) -> None:
    until_s = np.full(from_s.size, (room.hours.until - behind_h) * HOUR_S)
    arrived = settle(room, profile, from_s=from_s, core_c=core_c, until_s=until_s)
    made.zone_id[packs] = zone_id
    made.entered_s[packs] = from_s
    made.entry[packs, :-1] = now[packs, :-1]
    made.entry[packs, -1] = core_c
    made.at_s[packs] = arrived.at_s
    made.held[packs, :-1] = now[packs, :-1] + arrived.sums
    made.held[packs, -1] = arrived.core_c
    made.is_settled[packs] = arrived.is_settled
    made.low_c[packs] = np.minimum(made.low_c[packs], arrived.low_c)


def advance(packs: Reckoned, room: Room, profile: Profile, *, behind_h: int = 0) -> Reckoned:
    """Take packs on their way, all in one room, as far as whole hours are summed by now; as `follow`."""
    until_s = np.full(packs.at_s.size, (room.hours.until - behind_h) * HOUR_S)
    arrived = settle(room, profile, from_s=packs.at_s, core_c=packs.held[:, -1], until_s=until_s)
    held = packs.held.copy()
    held[:, :-1] += arrived.sums
    held[:, -1] = arrived.core_c
    return Reckoned(
        packs.zone_id,
        packs.entered_s,
        packs.entry,
        arrived.at_s,
        held,
        arrived.is_settled,
        np.minimum(packs.low_c, arrived.low_c),
    )


def part(packs: Reckoned, left_s: FloatArray, room: Room, profile: Profile) -> FloatArray:
    """Return what packs that left a room hold as they leave: sums and core, shape (n, columns + 1)."""
    held = packs.held.copy()
    for some, go in ((packs.is_settled, _by_hours), (~packs.is_settled, stay_through)):
        if some.any():
            gone = go(room, profile, from_s=packs.at_s[some], core_c=held[some, -1], to_s=left_s[some])
            held[some, :-1] += gone.sums
            held[some, -1] = gone.core_c
    return held


def _by_hours(
    room: Room, profile: Profile, *, from_s: FloatArray, core_c: FloatArray, to_s: FloatArray
) -> Stood:
    settled = np.ones(from_s.size, dtype=bool)
    return leave(room, profile, from_s=from_s, core_c=core_c, to_s=to_s, is_settled=settled)


@dataclass(frozen=True, slots=True)
class Now:
    """Sums (n, columns), core and lowest core since the reckoning (n,) of packs at one instant. [°C]"""

    sums: FloatArray
    core_c: FloatArray
    low_c: FloatArray


def at(packs: Reckoned, room: Room, profile: Profile, now_s: float) -> Now:
    """Return what packs in one room have lived through at an instant not before their reckoning."""
    gone = leave(
        room,
        profile,
        from_s=packs.at_s,
        core_c=packs.held[:, -1],
        to_s=np.full(packs.at_s.size, now_s),
        is_settled=packs.is_settled,
    )
    return Now(packs.held[:, :-1] + gone.sums, gone.core_c, np.minimum(packs.low_c, gone.low_c))


def rest_of_hour(room: Room, profile: Profile, now_s: float) -> Now:
    """Return what the room's own core lives through between its last whole hour and an instant."""
    stood = stand(
        room.course,
        profile,
        from_s=np.array([room.closed_s]),
        core_c=room.hours.core_c[-1:],
        to_s=np.array([now_s]),
    )
    return Now(stood.sums, stood.core_c, stood.low_c)


def block_of(at_s: FloatArray) -> IntArray:
    """Return the block each whole hour lies in."""
    return np.asarray(np.round(at_s / HOUR_S).astype(np.int64) // BLOCK_HOURS)


def block_start(block: IntArray, first_hour: int) -> IntArray:
    """Return the hour blocks begin with, or the first that is summed at all."""
    return np.asarray(np.maximum(block * BLOCK_HOURS, first_hour))


def since_block(
    packs: Reckoned, room: Room, profile: Profile, totals: Mapping[int, FloatArray]
) -> FloatArray:
    """
    Return what settled packs hold counted from the start of their block.

    ``totals`` are the room's sums by block, over the hours summed so far.
    """
    hour = np.round(packs.at_s / HOUR_S).astype(np.int64)
    block = hour // BLOCK_HOURS
    # A block that is about to begin has no hours yet.
    none = np.zeros(columns(profile))
    whole = np.array([totals.get(int(one), none) for one in block])
    held = packs.held.copy()
    held[:, :-1] -= whole - room.between(hour, np.minimum((block + 1) * BLOCK_HOURS, room.hours.until))
    return held
