"""How warm the core of what stands in a room is."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.climate.core.air import Air
from rimekeep.climate.queries import zone_air
from rimekeep.platform.database import parts
from rimekeep.shelflife.core.hours import HOUR_S, Course, IntArray
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.shelflife.core.packs import settling_h
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.profiles import all_profiles
from rimekeep.shelflife.queries.states import Held, states
from rimekeep.shelflife.tables import AgeingProfile, LifeState
from rimekeep.stock.tables import Product, UnitContent


@dataclass(frozen=True, slots=True)
class CoreNow:
    """Packs of one product in a room whose cores agree: how warm, and how many. [h, °C]"""

    profile_id: int
    sku: str
    tau_h: float
    core_c: float
    contents: int
    cases: int


def cores_in_zone(session: Session, site_id: int, zone_id: int, now: datetime) -> list[CoreNow]:
    """
    Return the cores of what stands in a room, as it was reckoned with last.

    For each product one entry for the packs whose core is the room's, and two, the coldest and the warmest,
    for those still on their way to it.
    """
    profiles = all_profiles(session, site_id)
    held = states(session, site_id, profiles, col(LifeState.zone_id) == zone_id)
    if not held:
        return []
    air = air_for(session, site_id, zone_id, [profiles[key] for _, key in held], now, now)
    skus = _skus(session, {profile_id for _, profile_id in held})
    cases = _cases(session, (int(key) for some in held.values() for key in some.content_ids))
    found = []
    for (_, profile_id), some in held.items():
        profile = profiles[profile_id]
        course = Course.of(air, tau_h=profile.tau_h)
        cores = cores_at(course, some, np.full(len(some.content_ids), now.timestamp()))
        for core_c, members in _gathered(cores, some):
            found.append(
                CoreNow(
                    profile_id,
                    skus[profile_id],
                    profile.tau_h,
                    core_c,
                    len(members),
                    sum(cases[int(key)] for key in members),
                )
            )
    return found


def air_for(
    session: Session,
    site_id: int,
    zone_id: int,
    profiles: Iterable[Profile],
    from_at: datetime,
    until_at: datetime,
) -> Air:
    """Return a room's air over a window, and before it for as long as any core remembers."""
    memory_h = max(settling_h(profile.tau_h) for profile in profiles)
    first = datetime.fromtimestamp(from_at.timestamp() - memory_h * HOUR_S, UTC)
    return zone_air(session, site_id, zone_id, first, until_at)


def cores_at(course: Course, held: Held, at_s: FloatArray) -> FloatArray:
    """
    Return cores at instants after they came into the room, from a course that began long enough before.

    Those that came in before the course began have its core: what they brought in is forgotten.
    """
    entered = held.packs.entered_s
    came = entered > course.origin_s
    core = course.core_at(at_s)
    if course.tau_h > 0 and came.any():
        ahead = held.packs.entry[came, -1] - course.core_at(entered[came])
        core[came] += ahead * np.exp(-(at_s[came] - entered[came]) / HOUR_S / course.tau_h)
    return core


def _gathered(cores: FloatArray, held: Held) -> Iterable[tuple[float, IntArray]]:
    settled = held.packs.is_settled
    if settled.any():
        yield float(cores[settled][0]), held.content_ids[settled]
    rising = np.flatnonzero(~settled)
    if rising.size:
        order = rising[np.argsort(cores[rising], kind="stable")]
        half = (order.size + 1) // 2
        yield float(cores[order[0]]), held.content_ids[order[:half]]
        if order.size > 1:
            yield float(cores[order[-1]]), held.content_ids[order[half:]]


def _skus(session: Session, profile_ids: set[int]) -> dict[int, str]:
    rows = session.execute(
        select(col(AgeingProfile.id), col(Product.sku))
        .join(Product, col(Product.id) == col(AgeingProfile.product_id))
        .where(col(AgeingProfile.id).in_(sorted(profile_ids)))
    )
    return {row[0]: row[1] for row in rows}


def _cases(session: Session, content_ids: Iterable[int]) -> dict[int, int]:
    return {
        row[0]: int(row[1])
        for some in parts(list(content_ids))
        for row in session.execute(
            select(col(UnitContent.id), func.coalesce(col(UnitContent.cases), 0)).where(
                col(UnitContent.id).in_(some)
            )
        )
    }
