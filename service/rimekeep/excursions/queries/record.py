"""The record of an excursion: its lots, what it cost them, what QA decided, and what is still to be done."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.access.tables import Principal
from rimekeep.excursions.core.decisions import (
    Standing,
    Stopped,
    in_conflict,
    may_go,
    open_points,
    standing_words,
)
from rimekeep.excursions.queries.touched import Touched, touched
from rimekeep.excursions.tables import Excursion, ExcursionDecision, ExcursionHold
from rimekeep.platform.database import parts
from rimekeep.shelflife.core.label import label_end
from rimekeep.stock.core.states import HERE, QaState
from rimekeep.stock.tables import Lot, Product, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class DecisionView:
    """QA's word on a lot. ``is_standing`` marks the newest."""

    id: int
    lot_id: int
    decision: str
    best_before_on: date | None
    best_before_was_on: date | None
    reason: str
    units: int
    decided_at: datetime
    decided_by: int
    decided_by_name: str
    sha256: str
    is_standing: bool


@dataclass(frozen=True, slots=True)
class LotTouched:
    """
    One lot's part in an excursion.

    ``expires_before_at`` is when the first of it would have expired had the room kept its planned
    temperature. ``held_units`` were stopped by this excursion or wait for it too; ``still_held_units`` do so
    now.
    """

    lot_id: int
    lot_code: str
    product_id: int
    sku: str
    product_name: str
    best_before_on: date
    units: int
    cases: int
    held_units: int
    still_held_units: int
    worst_life_lost_days: float | None
    expires_at: datetime | None
    expires_before_at: datetime | None
    cautious_at: datetime | None
    decisions: tuple[DecisionView, ...]

    @property
    def standing(self) -> DecisionView | None:
        """Return the word that stands."""
        return self.decisions[-1] if self.decisions else None


@dataclass(frozen=True, slots=True)
class Record:
    """An excursion's lots, and what keeps it from being closed."""

    lots: tuple[LotTouched, ...]
    open_points: tuple[str, ...]

    @property
    def is_closed(self) -> bool:
        """Tell whether nothing is left to do."""
        return not self.open_points


def record_of(session: Session, row: Excursion) -> Record:
    """Return the record of an excursion as it stands."""
    rows = touched(session, row.site_id, row.id)
    said = decisions(session, row.site_id, row.id)
    held = held_units(session, row.id)
    stopped = stopped_units(session, row.site_id, list(held))
    words = words_of(session, stopped)
    on_hold = {unit.unit_id for unit in stopped}
    lots = _lots(session, row.site_id, rows, held, on_hold, said)
    conflict, free = in_conflict(stopped, words), may_go(stopped, words)
    points = open_points(
        Standing(
            row.ended_at,
            row.acknowledged_at,
            row.merged_into_id,
            {lot.lot_id: lot.lot_code for lot in lots if lot.held_units},
            set(said),
            [held[unit_id] for unit_id in conflict],
            {lot_id for unit in stopped if unit.unit_id in free for lot_id in unit.lot_ids},
        )
    )
    return Record(tuple(lots), tuple(points))


def decisions(session: Session, site_id: int, excursion_id: int) -> dict[int, list[DecisionView]]:
    """Return all that was decided, by lot, oldest first."""
    rows = session.execute(
        select(ExcursionDecision, col(Principal.name))
        .join(Principal, col(Principal.id) == col(ExcursionDecision.decided_by))
        .where(col(ExcursionDecision.site_id) == site_id, col(ExcursionDecision.excursion_id) == excursion_id)
        .order_by(col(ExcursionDecision.id))
    ).all()
    newest = {row[0].lot_id: row[0].id for row in rows}
    found: dict[int, list[DecisionView]] = defaultdict(list)
    for said, name in rows:
        found[said.lot_id].append(
            DecisionView(
                said.id,
                said.lot_id,
                said.decision,
                said.best_before_on,
                said.best_before_was_on,
                said.reason,
                said.units,
                said.decided_at,
                said.decided_by,
                name,
                said.sha256,
                newest[said.lot_id] == said.id,
            )
        )
    return dict(found)


def held_units(session: Session, excursion_id: int) -> dict[int, str]:
    """Return the units an excursion stopped, with their SSCC."""
    rows = session.execute(
        select(col(Unit.id), col(Unit.sscc))
        .join(ExcursionHold, col(ExcursionHold.unit_id) == col(Unit.id))
        .where(col(ExcursionHold.excursion_id) == excursion_id)
    )
    return {row[0]: row[1] for row in rows}


def stopped_units(session: Session, site_id: int, unit_ids: Collection[int]) -> list[Stopped]:
    """
    Return which of these units are on hold for excursions now, for which ones, and what is on them.

    A unit that somebody held for a reason of their own is not among them.
    """
    excursions: dict[int, set[int]] = defaultdict(set)
    lots: dict[int, set[int]] = defaultdict(set)
    other = aliased(ExcursionHold)
    for some in parts(unit_ids):
        is_for_one = (
            select(col(ExcursionHold.unit_id))
            .where(
                col(ExcursionHold.unit_id) == col(Unit.id), col(ExcursionHold.reason) == col(Unit.qa_reason)
            )
            .exists()
        )
        for unit_id, excursion_id in session.execute(
            select(col(Unit.id), col(other.excursion_id))
            .join(other, col(other.unit_id) == col(Unit.id))
            .join(Excursion, col(Excursion.id) == col(other.excursion_id))
            .where(col(Unit.site_id) == site_id, col(Unit.id).in_(some), col(Unit.qa_state) == QaState.HELD)
            .where(col(Unit.state).in_(HERE), col(Excursion.merged_into_id).is_(None), is_for_one)
        ):
            excursions[unit_id].add(excursion_id)
        for unit_id, lot_id in session.execute(
            select(col(UnitContent.unit_id), col(UnitContent.lot_id)).where(
                col(UnitContent.unit_id).in_(some), col(UnitContent.cases) > 0
            )
        ):
            lots[unit_id].add(lot_id)
    return [
        Stopped(unit_id, frozenset(keys), frozenset(lots[unit_id])) for unit_id, keys in excursions.items()
    ]


def words_of(session: Session, stopped: Collection[Stopped]) -> dict[tuple[int, int], str]:
    """Return the word that stands for each (excursion, lot) that units on hold depend on."""
    keys = sorted({key for unit in stopped for key in unit.excursion_ids})
    if not keys:
        return {}
    rows = session.execute(
        select(
            col(ExcursionDecision.excursion_id),
            col(ExcursionDecision.lot_id),
            col(ExcursionDecision.decision),
        )
        .where(col(ExcursionDecision.excursion_id).in_(keys))
        .order_by(col(ExcursionDecision.id))
    )
    return standing_words((row[0], row[1], row[2]) for row in rows)


def _lots(
    session: Session,
    site_id: int,
    rows: list[Touched],
    held: Mapping[int, str],
    on_hold: Collection[int],
    said: Mapping[int, list[DecisionView]],
) -> list[LotTouched]:
    by_lot: dict[int, list[Touched]] = defaultdict(list)
    for row in rows:
        by_lot[row.lot_id].append(row)
    zone = ZoneInfo(site_of(session, site_id).time_zone)
    statement: Select[*tuple[Any, ...]] = (
        select(Lot, col(Product.sku), col(Product.name))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(Lot.site_id) == site_id, col(Lot.id).in_(sorted({*by_lot, *said})))
        .order_by(col(Product.sku), col(Lot.code), col(Lot.id))
    )
    found = []
    for lot, sku, name in session.execute(statement, execution_options={"populate_existing": True}):
        there = by_lot.get(lot.id, [])
        units = {one.unit_id for one in there}
        label = label_end(lot.best_before_on, zone)
        found.append(
            LotTouched(
                lot.id,
                lot.code,
                lot.product_id,
                sku,
                name,
                lot.best_before_on,
                len(units),
                sum(one.cases for one in there),
                len(units & held.keys()),
                len(units & set(on_hold)),
                max((one.life_lost_days for one in there if one.life_lost_days is not None), default=None),
                min((one.expires_at for one in there if one.expires_at), default=None),
                min(filter(None, (_before(one, label) for one in there)), default=None),
                min((one.cautious_at for one in there if one.cautious_at), default=None),
                tuple(said.get(lot.id, ())),
            )
        )
    return found


def _before(one: Touched, label: datetime) -> datetime | None:
    if one.expires_at is None:
        return None
    return min(one.expires_at + timedelta(days=one.life_lost_days or 0.0), max(label, one.expires_at))
