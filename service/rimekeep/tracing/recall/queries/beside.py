"""Other recalls that run beside one and reach the same stock."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.stock.tables import Unit
from rimekeep.tracing.recall.core.states import RecallState, ScopeKind
from rimekeep.tracing.recall.tables import Recall, RecallLot, RecallUnit


@dataclass(frozen=True, slots=True)
class Beside:
    """The reason another recall stops something with, and its own note of it."""

    reason: str
    row: RecallLot | RecallUnit


def is_of_lots(row: Recall) -> bool:
    """Tell whether a recall stops whole lots."""
    return row.kind != ScopeKind.EXCURSION


def lots_beside(session: Session, row: Recall) -> dict[int, Beside]:
    """Return the lots another running recall stops as a whole too."""
    rows = session.execute(
        _running_beside(row)
        .join(RecallLot, col(RecallLot.recall_id) == col(Recall.id))
        .add_columns(RecallLot)
    )
    return {note.lot_id: Beside(other.hold_reason, note) for other, note in rows if is_of_lots(other)}


def units_beside(session: Session, row: Recall) -> dict[int, Beside]:
    """Return the units another running recall of touched stock stops too."""
    rows = session.execute(
        _running_beside(row)
        .join(RecallUnit, col(RecallUnit.recall_id) == col(Recall.id))
        .add_columns(RecallUnit)
    )
    return {note.unit_id: Beside(other.hold_reason, note) for other, note in rows}


def _running_beside(row: Recall) -> Select[Any]:
    return (
        select(Recall)
        .where(col(Recall.site_id) == row.site_id, col(Recall.state) == RecallState.RUNNING)
        .where(col(Recall.id) != row.id)
        .order_by(col(Recall.id))
    )


def marked_units(session: Session, row: Recall) -> set[int]:
    """Return the units that carry a recall's mark."""
    return set(
        session.scalars(
            select(col(Unit.id)).where(
                col(Unit.site_id) == row.site_id, col(Unit.recall_reason) == row.hold_reason
            )
        )
    )
