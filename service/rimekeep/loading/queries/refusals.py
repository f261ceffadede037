"""Reads of what was refused and taken back at drops, and of what is still on board."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rest import Aboard, Rest, rest_of_trip
from rimekeep.loading.core.states import Fate
from rimekeep.loading.core.vehicle import Riding
from rimekeep.loading.queries.plans import plan, trip
from rimekeep.loading.queries.views import places
from rimekeep.loading.tables import DropEmpties, DropRefusal, EmptiesCorrection, ReturnRule
from rimekeep.stock.tables import Unit

# Own conventions, no source: a fortnight is what a customer can still sell in, an hour what a core forgives.
MIN_LIFE_DAYS, MOST_UNMEASURED_S = 14.0, 3600


@dataclass(frozen=True, slots=True)
class RefusalView:
    """Cases refused at a drop: of which unit, and which one rides along."""

    trip_id: int
    drop: int
    sscc: str
    refused_sscc: str
    cases: int
    reason: str


@dataclass(frozen=True, slots=True)
class EmptiesView:
    """Empties taken back at a drop."""

    trip_id: int
    drop: int
    kind: str
    pieces: int
    mass_kg: float | None
    places: int | None
    stowed: list[Any]
    correction_id: int | None

    @property
    def riding(self) -> list[Riding]:
        """Return where they stand on the deck."""
        return [Riding(*one) for one in self.stowed]


@dataclass(frozen=True, slots=True)
class CorrectionView:
    """A report of a drop's empties that was corrected: ``was`` is what held before."""

    drop: int
    reason: str
    corrected_at: datetime
    corrected_by: int
    was: tuple[EmptiesView, ...]


def refusals(session: Session, trip_ids: Collection[int]) -> list[RefusalView]:
    """Return what was refused on trips, drop by drop."""
    taken, given = aliased(Unit), aliased(Unit)
    rows = session.execute(
        select(
            col(DropRefusal.trip_id),
            col(DropRefusal.drop_no),
            col(given.sscc),
            col(taken.sscc),
            col(DropRefusal.cases),
            col(DropRefusal.reason),
        )
        .join(given, col(given.id) == col(DropRefusal.unit_id))
        .join(taken, col(taken.id) == col(DropRefusal.refused_unit_id))
        .where(col(DropRefusal.trip_id).in_(trip_ids))
        .order_by(col(DropRefusal.trip_id), col(DropRefusal.drop_no), col(DropRefusal.id))
    )
    return [RefusalView(*row) for row in rows]


def empties(session: Session, trip_ids: Collection[int]) -> list[EmptiesView]:
    """Return the empties taken back on trips, drop by drop, as they were said last."""
    newest: dict[tuple[int, int], int] = {}
    for one in _corrections(session, trip_ids):
        newest[one.trip_id, one.drop_no] = one.id
    return [
        one
        for one in _reported(session, trip_ids)
        if one.correction_id == newest.get((one.trip_id, one.drop))
    ]


def empties_corrections(session: Session, trip_id: int) -> list[CorrectionView]:
    """Return what was corrected of a trip's empties, first corrected first."""
    said: dict[tuple[int, int | None], list[EmptiesView]] = defaultdict(list)
    for one in _reported(session, [trip_id]):
        said[one.drop, one.correction_id].append(one)
    before: dict[int, int] = {}
    found = []
    for made in _corrections(session, [trip_id]):
        was = tuple(said[made.drop_no, before.get(made.drop_no)])
        found.append(CorrectionView(made.drop_no, made.reason, made.corrected_at, made.corrected_by, was))
        before[made.drop_no] = made.id
    return found


def _corrections(session: Session, trip_ids: Collection[int]) -> list[EmptiesCorrection]:
    rows = select(EmptiesCorrection).where(col(EmptiesCorrection.trip_id).in_(trip_ids))
    return list(session.scalars(rows.order_by(col(EmptiesCorrection.id))))


def _reported(session: Session, trip_ids: Collection[int]) -> list[EmptiesView]:
    """Return every report of empties, also what was corrected since."""
    rows = session.execute(
        select(
            col(DropEmpties.trip_id),
            col(DropEmpties.drop_no),
            col(DropEmpties.kind),
            col(DropEmpties.pieces),
            col(DropEmpties.mass_kg),
            col(DropEmpties.places),
            col(DropEmpties.stowed),
            col(DropEmpties.correction_id),
        )
        .where(col(DropEmpties.trip_id).in_(trip_ids))
        .order_by(col(DropEmpties.trip_id), col(DropEmpties.drop_no), col(DropEmpties.id))
    )
    return [EmptiesView(*row) for row in rows]


def trip_rest(session: Session, site_id: int, trip_id: int) -> Rest:
    """Return how the rest of a trip stands: what is on board, as recorded, and what the driver does."""
    found = trip(session, site_id, trip_id)
    if found.departed_at is None:
        return Rest((), (), ())
    request = load_request(plan(session, site_id, found.plan_id).request)
    # What comes back to the store is off board when the trip has ended.
    riding = [] if found.ended_at else [one for some in empties(session, [trip_id]) for one in some.riding]
    aboard, deck_then = on_board(session, trip_id)
    return rest_of_trip(request, found.truck_no, aboard, riding, deck_then)


def on_board(session: Session, trip_id: int) -> tuple[list[Aboard], list[Aboard]]:
    """Return what is on board of a trip, as recorded, and all that was when it left."""
    source = {one.refused_sscc: one.sscc for one in refusals(session, [trip_id])}
    standing = places(session, [trip_id])
    split_off = {sscc for sscc, of in source.items() if sscc != of}
    return (
        [_aboard(place, source) for place in standing if place.is_aboard],
        [_aboard(one, {}) for one in standing if one.loaded_at is not None and one.sscc not in split_off],
    )


def _aboard(place: PlaceView, source: Mapping[str, str]) -> Aboard:
    return Aboard(
        place.sscc,
        source.get(place.sscc, place.sscc),
        place.drop,
        place.row,
        place.lane,
        place.mass_kg,
        place.fate == Fate.REFUSED,
        place.is_turned,
        place.tier,
    )


def return_rule(session: Session, site_id: int) -> ReturnRule | None:
    """Return what goods that come back need to be sold again, as the site set it; None: as everywhere."""
    return session.get(ReturnRule, site_id)
