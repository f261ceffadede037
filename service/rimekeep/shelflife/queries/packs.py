"""What is asked about the life of packs: their label, their profile, where they stood."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.climate.core.air import Air
from rimekeep.climate.queries import zone_airs
from rimekeep.platform.database import parts
from rimekeep.shelflife.core.follow import Path
from rimekeep.shelflife.core.profile import Profile
from rimekeep.shelflife.queries.profiles import core_profile, newest_profiles, profiles_by_id
from rimekeep.shelflife.tables import AgeingProfile, Life
from rimekeep.stock.core.records import Leg
from rimekeep.stock.core.states import HERE, UnitState
from rimekeep.stock.tables import Lot, Stay, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class Written:
    """What a refresh compares with: the row as it was written."""

    expires_at: datetime
    cautious_at: datetime
    limited_by: str
    profile_id: int | None
    frozen_at: datetime | None


@dataclass(frozen=True, slots=True)
class Pack:
    """
    Cases of one lot on one unit: what is asked about their life.

    ``profile_id`` is the profile that aged them so far, or the cases they were picked from.
    """

    content_id: int
    unit_id: int
    product_id: int
    best_before_on: date
    oxygen_ppb: float | None
    split_at: datetime | None
    profile_id: int | None
    written: Written | None


def ageing() -> ColumnElement[bool]:
    """Return the condition for contents (joined to their unit) that age here, or on a truck under way."""
    runs = (col(Stay.unit_id) == col(Unit.id)) & col(Stay.left_at).is_(None)
    under_way = select(col(Stay.id)).where(runs).exists()
    state = or_(col(Unit.state).in_(HERE), (col(Unit.state) == UnitState.DEPARTED) & under_way)
    return state & (col(UnitContent.cases) > 0)


def packs_of(session: Session, site_id: int, content_ids: Collection[int] | None) -> list[Pack]:
    """Return packs with what was written about them before; None asks for all that age here."""
    if content_ids is None:
        return packs_where(session, site_id, ageing())
    return [
        pack
        for some in parts(content_ids)
        for pack in packs_where(session, site_id, col(UnitContent.id).in_(some))
    ]


def packs_where(session: Session, site_id: int, condition: ColumnElement[bool]) -> list[Pack]:
    """Return the packs that meet a condition on contents and units."""
    return [_pack(row) for row in session.execute(_statement(site_id).where(condition))]


def _statement(site_id: int) -> Select[*tuple[Any, ...]]:
    own, parent = aliased(Life), aliased(Life)
    return (
        select(
            col(UnitContent.id),
            col(UnitContent.unit_id),
            col(Lot.product_id),
            col(Lot.best_before_on),
            col(Lot.oxygen_ppb),
            col(UnitContent.split_at),
            func.coalesce(col(own.profile_id), col(parent.profile_id)),
            col(own.expires_at),
            col(own.cautious_at),
            col(own.limited_by),
            col(own.profile_id),
            col(own.frozen_at),
        )
        .join(Lot, col(Lot.id) == col(UnitContent.lot_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .outerjoin(own, col(own.content_id) == col(UnitContent.id))
        .outerjoin(parent, col(parent.content_id) == col(UnitContent.parent_id))
        .where(col(UnitContent.site_id) == site_id)
        .order_by(col(UnitContent.id))
    )


def _pack(row: Sequence[Any]) -> Pack:
    content_id, unit_id, product_id, best_before_on, oxygen_ppb, split_at, profile_id, *held = row
    written = None if held[0] is None else Written(*held)
    return Pack(content_id, unit_id, product_id, best_before_on, oxygen_ppb, split_at, profile_id, written)


def profiles_for(
    session: Session, site_id: int, packs: Collection[Pack], *, use_newest: bool = False
) -> dict[int, Profile | None]:
    """
    Return the profile each content ages by: the version that aged it before, else the product's newest.

    With ``use_newest`` the newest ages all.
    """
    newest = newest_profiles(session, site_id)
    older = {pack.profile_id for pack in packs if pack.profile_id is not None and not use_newest}
    rows: dict[int, AgeingProfile] = {
        **profiles_by_id(session, site_id, older),
        **{row.id: row for row in newest.values()},
    }
    cores = {key: core_profile(row) for key, row in rows.items()}
    chosen: dict[int, Profile | None] = {}
    for pack in packs:
        held = None if use_newest or pack.profile_id is None else cores.get(pack.profile_id)
        latest = newest.get(pack.product_id)
        chosen[pack.content_id] = held or (None if latest is None else cores[latest.id])
    return chosen


def paths_of(legs: Mapping[int, list[Leg]], until_at: datetime) -> dict[int, Path]:
    """Return paths in seconds, up to an instant; a stay that just began has no length yet."""
    end_s = until_at.timestamp()
    # Many contents share their legs' instants; each is converted once.
    seconds: dict[datetime, float] = {}

    def second(at: datetime) -> float:
        if at not in seconds:
            seconds[at] = min(at.timestamp(), end_s)
        return seconds[at]

    return {
        content_id: tuple(
            (leg.zone_id, second(leg.entered_at), end_s if leg.left_at is None else second(leg.left_at))
            for leg in stays
            if leg.entered_at <= until_at
        )
        for content_id, stays in legs.items()
    }


def airs_of(session: Session, site_id: int, paths: Iterable[Path]) -> dict[int, Air]:
    """Return each zone's air over the time any of the paths was there."""
    windows: dict[int, tuple[float, float]] = {}
    for path in paths:
        for zone_id, from_s, to_s in path:
            low, high = windows.get(zone_id, (from_s, to_s))
            windows[zone_id] = (min(low, from_s), max(high, to_s))
    return zone_airs(
        session,
        site_id,
        {
            zone_id: (datetime.fromtimestamp(low, UTC), datetime.fromtimestamp(high, UTC))
            for zone_id, (low, high) in windows.items()
        },
    )


def cut_legs(airs: Mapping[int, Air], path: Path) -> list[Air]:
    """Return the air of each leg of a path."""
    return [airs[zone_id].cut(from_s, to_s) for zone_id, from_s, to_s in path]
