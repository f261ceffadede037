"""What time in a room that failed cost the packs that stood there."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.climate.core.air import Air, assumed
from rimekeep.shelflife.core.history import Profile, life_lost_days
from rimekeep.shelflife.queries.ageing import Path, airs_of, cut_legs, packs_of, paths_of, profiles_for
from rimekeep.stock import queries as stock


@dataclass(frozen=True, slots=True)
class Exposed:
    """A pack and the window in which its room failed it."""

    content_id: int
    from_at: datetime
    until_at: datetime


def life_lost(
    session: Session, site_id: int, exposed: Sequence[Exposed], *, zone_id: int, planned_c: float
) -> dict[int, float | None]:
    """
    Return the days of life the air of one room cost each pack; None for a product without a profile.

    Measured against air at ``planned_c`` in that room for the time the pack was in it, see
    `core.history.life_lost_days`.
    """
    ids = [one.content_id for one in exposed]
    packs = packs_of(session, site_id, ids)
    profiles = profiles_for(session, site_id, packs, use_newest=False)
    legs = stock.paths(session, site_id, ids)
    starts = stock.start_core_c(session, site_id, ids)
    keys: dict[int, tuple[Profile, Path, Path, float | None]] = {}
    for one in exposed:
        path = paths_of({0: legs.get(one.content_id, [])}, one.until_at)[0]
        before, window = _split(path, one.from_at.timestamp())
        profile = profiles.get(one.content_id)
        if profile is not None and window:
            keys[one.content_id] = (profile, before, window, starts.get(one.content_id))
    airs = airs_of(session, site_id, (before + window for _, before, window, _ in keys.values()))
    costs: dict[tuple[Profile, Path, Path, float | None], float] = {}
    for key in set(keys.values()):
        profile, before, window, start_c = key
        real = cut_legs(airs, window)
        costs[key] = life_lost_days(
            cut_legs(airs, before),
            real,
            [_planned(leg, stay, zone_id, planned_c) for leg, stay in zip(real, window, strict=True)],
            profile,
            start_core_c=start_c,
        )
    return {
        one.content_id: costs[keys[one.content_id]] if one.content_id in keys else None for one in exposed
    }


def _split(path: Path, at_s: float) -> tuple[Path, Path]:
    before = tuple((zone, from_s, min(to_s, at_s)) for zone, from_s, to_s in path if from_s < at_s)
    after = tuple((zone, max(from_s, at_s), to_s) for zone, from_s, to_s in path if to_s > at_s)
    return before, after


def _planned(leg: Air, stay: tuple[int, float, float], zone_id: int, planned_c: float) -> Air:
    if stay[0] != zone_id:
        return leg
    return assumed(stay[1], stay[2], planned_c)
