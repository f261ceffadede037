"""
Ages contents from what their rooms' air did, each distinct history integrated from its first reading on.

This is what life means. It looks at every reading and keeps nothing; the refresh comes to the same from sums
that are shared, and calls this for the few packs whose past must be told in full.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.shelflife.core.ends import ends
from rimekeep.shelflife.core.follow import Path
from rimekeep.shelflife.core.history import Lived, frozen_at_s, lived, spent_at_s
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.label import label_end
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.life import BEST_BEFORE
from rimekeep.shelflife.queries.packs import Pack, airs_of, cut_legs, packs_of, paths_of, profiles_for
from rimekeep.stock import queries as stock

# One history: profile, stays, core at the start, and how many reference lives it has.
History = tuple[int, Path, float | None, float]


@dataclass(frozen=True, slots=True)
class Aged:
    """
    What is left of one pack as of an instant.

    Packs of one history hold the same values in ``sums`` (as in `core.hours`) … ``frozen_at``; without a
    profile only the label counts.
    """

    pack: Pack
    profile: Profile | None
    path: Path
    start_core_c: float | None
    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    sums: FloatArray
    used: dict[str, float]
    core_c: float | None
    bridged_s: int
    frozen_at: datetime | None


def aged(
    session: Session,
    site_id: int,
    now: datetime,
    *,
    content_ids: Collection[int] | None = None,
    use_newest: bool = False,
) -> list[Aged]:
    """
    Return what is left of packs, as the readings held now have it.

    Parameters
    ----------
    content_ids
        None: all that age here.
    use_newest
        Age by the newest profile of the product; else each pack keeps the version that aged it before.
    """
    packs = packs_of(session, site_id, content_ids)
    profiles = profiles_for(session, site_id, packs, use_newest=use_newest)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    labels = {day: label_end(day, zone) for day in {pack.best_before_on for pack in packs}}
    wanted = {pack.content_id for pack in packs}
    paths = paths_of(stock.paths(session, site_id, wanted), now)
    starts = stock.start_core_c(session, site_id, wanted)
    shared: dict[History, list[Pack]] = defaultdict(list)
    found = []
    for pack in packs:
        path, start_c = paths.get(pack.content_id, ()), starts.get(pack.content_id)
        profile = profiles.get(pack.content_id)
        if profile is None or not path:
            label = labels[pack.best_before_on]
            none = np.empty(0)
            found.append(
                Aged(pack, profile, path, start_c, label, label, BEST_BEFORE, none, {}, None, 0, None)
            )
        else:
            shared[profile.id, path, start_c, profile.budget(pack.oxygen_ppb)].append(pack)
    airs = airs_of(session, site_id, (key[1] for key in shared))
    by_profile: dict[int, list[History]] = defaultdict(list)
    for key in shared:
        by_profile[key[0]].append(key)
    for keys in by_profile.values():
        profile = profiles[shared[keys[0]][0].content_id]
        assert profile is not None
        courses = [lived(cut_legs(airs, key[1]), profile, start_core_c=key[2]) for key in keys]
        budgets = [key[3] for key in keys]
        for key, end in zip(keys, _ends(courses, budgets, profile, now), strict=True):
            found += _aged(shared[key], profile, key, end, labels)
    return found


@dataclass(frozen=True, slots=True)
class _End:
    course: Lived
    at: datetime
    cautious_at: datetime
    limited_by: str


def _ends(courses: list[Lived], budgets: list[float], profile: Profile, now: datetime) -> Iterable[_End]:
    sums = np.array([course.total for course in courses])
    core_c = np.array([course.core_c[-1] for course in courses])
    left = ends(sums, core_c, profile, budget=np.array(budgets))
    for place, course in enumerate(courses):
        spent = spent_at_s(course, budget=budgets[place])
        if spent is None:
            yield _End(
                course,
                now + timedelta(days=float(left.days[place])),
                now + timedelta(days=float(left.cautious_days[place])),
                profile.routes[left.limiting[place]].name,
            )
        else:
            # Its end lies behind us and stays there, however late one looks.
            at = datetime.fromtimestamp(spent[0], UTC)
            yield _End(course, at, at, profile.routes[spent[1]].name)


def _aged(
    packs: list[Pack], profile: Profile, key: History, end: _End, labels: Mapping[date, datetime]
) -> Iterable[Aged]:
    course = end.course
    frozen_s = frozen_at_s(
        course.at_s, course.core_c, limit_c=profile.freezing_c, minutes=profile.freezing_minutes
    )
    frozen_at = None if frozen_s is None else datetime.fromtimestamp(frozen_s, UTC)
    used = {route.name: float(share) for route, share in zip(profile.routes, course.used[:, -1], strict=True)}
    core_c, bridged_s = float(course.core_c[-1]), round(course.bridged_s)
    for pack in packs:
        label = labels[pack.best_before_on]
        # On equal dates the label has the word: it is what the customer sees.
        at, limited_by = (label, BEST_BEFORE) if label <= end.at else (end.at, end.limited_by)
        cautious_at = min(label, end.cautious_at, at)
        yield Aged(
            pack,
            profile,
            key[1],
            key[2],
            at,
            cautious_at,
            limited_by,
            course.total,
            used,
            core_c,
            bridged_s,
            frozen_at,
        )
