"""When vehicles had goods on board, and for whom."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.excursions.core.trips import Aboard, TripAboard
from rimekeep.excursions.tables import Excursion, ExcursionRule, TripWatch
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import ZoneKind
from rimekeep.stock.tables import Zone

AN_INSTANT = timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True)
class Road:
    """The vehicles among a site's zones, and when each had goods on board, oldest first."""

    zone_ids: frozenset[int] = frozenset()
    watches: dict[int, list[TripWatch]] = field(default_factory=dict)

    def under_way(self, zone_id: int) -> TripWatch | None:
        """Return the trip a vehicle is on now."""
        return next((one for one in self.watches.get(zone_id, ()) if one.until_at is None), None)

    def by_trip(self, zone_id: int) -> dict[int, list[TripWatch]]:
        """Return a vehicle's watches by trip."""
        found: dict[int, list[TripWatch]] = defaultdict(list)
        for one in self.watches.get(zone_id, ()):
            found[one.trip_id].append(one)
        return found


def road(session: Session, site_id: int, first: datetime, *, zone_ids: Collection[int] | None = None) -> Road:
    """Return the vehicles of a site, or of some of its zones, and their trips that reach past an instant."""
    vehicles = select(col(Zone.id)).where(col(Zone.site_id) == site_id, col(Zone.kind) == ZoneKind.VEHICLE)
    if zone_ids is not None:
        vehicles = vehicles.where(col(Zone.id).in_(sorted(zone_ids)))
    known = frozenset(session.scalars(vehicles))
    if not known:
        return Road()
    # A trip long over of which something still runs is looked at until that is ended.
    running = select(col(Excursion.trip_id)).where(
        col(Excursion.site_id) == site_id,
        col(Excursion.ended_at).is_(None),
        col(Excursion.trip_id).is_not(None),
    )
    rows = session.scalars(
        select(TripWatch)
        .where(col(TripWatch.site_id) == site_id, col(TripWatch.zone_id).in_(sorted(known)))
        .where(
            or_(
                col(TripWatch.until_at).is_(None),
                col(TripWatch.until_at) >= first,
                col(TripWatch.trip_id).in_(running),
            )
        )
        .order_by(col(TripWatch.from_at), col(TripWatch.id))
        .execution_options(populate_existing=True)
    )
    found: dict[int, list[TripWatch]] = defaultdict(list)
    for row in rows:
        found[row.zone_id].append(row)
    return Road(known, dict(found))


def trip_watches(session: Session, site_id: int, trip_id: int) -> list[TripWatch]:
    """Return when goods of a trip were on board, oldest first."""
    return list(
        session.scalars(
            select(TripWatch)
            .where(col(TripWatch.site_id) == site_id, col(TripWatch.trip_id) == trip_id)
            .order_by(col(TripWatch.from_at), col(TripWatch.id))
        )
    )


def excursions_of_trip(session: Session, site_id: int, trip_id: int) -> list[Excursion]:
    """Return what went wrong with the cold of a trip, oldest first; what was joined to another, there."""
    return list(
        session.scalars(
            select(Excursion)
            .where(col(Excursion.site_id) == site_id, col(Excursion.trip_id) == trip_id)
            .where(col(Excursion.merged_into_id).is_(None))
            .order_by(col(Excursion.started_at), col(Excursion.id))
        )
    )


def trip_aboard(
    session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None
) -> TripAboard | None:
    """
    Return what the vehicle of an excursion carries now, or carried when that ended; None outside of trips.

    Of a rule for one product, that product only.
    """
    if row.trip_id is None:
        return None
    watches = [one for one in trip_watches(session, row.site_id, row.trip_id) if one.zone_id == row.zone_id]
    if not watches:
        return None
    watch = watches[-1]
    until_at = min(row.ended_at or now, now)
    # At its very end the last goods are just leaving.
    at = max(until_at - AN_INSTANT, row.started_at)
    drops = {unit_id: drop for drop in watch.drops for unit_id in drop["unit_ids"]}
    counted: dict[int, tuple[set[int], int]] = {}
    for one in stock.contents_present(session, row.site_id, row.zone_id, at, at + AN_INSTANT):
        if one.unit_id not in drops or (rule is not None and rule.product_id not in (None, one.product_id)):
            continue
        number = drops[one.unit_id]["drop"]
        units, cases = counted.get(number, (set(), 0))
        counted[number] = ({*units, one.unit_id}, cases + one.cases)
    return TripAboard(
        row.trip_id,
        watch.vehicle,
        watch.until_at is not None,
        tuple(
            Aboard(drop["drop"], drop["customer"], drop["name"], len(units), cases)
            for drop in watch.drops
            for units, cases in [counted.get(drop["drop"], (set(), 0))]
            if units
        ),
    )
