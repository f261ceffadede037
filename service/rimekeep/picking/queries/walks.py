"""What is left of a list, as far as its walk goes."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.picking.core.again import Left
from rimekeep.picking.core.states import PickState
from rimekeep.picking.core.walk import Place
from rimekeep.picking.tables import Allocated, Pick
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Bay, Unit, UnitContent


@dataclass(frozen=True, slots=True)
class WalkLeft:
    """
    A list's open stops in order of work, new ones at the end.

    ``picks`` are they in the order on record, and ``walk_nos`` the places they have among them; ``last`` is
    where the picker was last, ``lying`` the cases on each pallet by tier.
    """

    left: list[Left]
    picks: list[int]
    walk_nos: list[int]
    last: Place | None
    lying: dict[int, dict[int, int]]
    is_begun: bool


def open_picks(session: Session, list_id: int) -> tuple[int, ...]:
    """Return a list's open picks in order of work."""
    return tuple(
        session.scalars(
            select(col(Pick.id))
            .where(col(Pick.list_id) == list_id, col(Pick.state) == PickState.OPEN)
            .order_by(col(Pick.walk_no), col(Pick.stop))
        )
    )


def walk_left(session: Session, site_id: int, list_id: int, new: Collection[int]) -> WalkLeft:
    """Return what is left of a list's walk; ``new`` picks stand at its end."""
    statement: Select[*tuple[Any, ...]] = (
        select(
            col(Pick.id),
            col(Pick.planned_unit_id),
            col(Pick.tier),
            col(Allocated.cases),
            col(Unit.id),
            col(Bay.id),
            col(Bay.aisle),
            col(Bay.slot),
            col(Pick.walk_no),
        )
        .join(Allocated, col(Allocated.id) == col(Pick.allocation_id))
        .join(UnitContent, col(UnitContent.id) == col(Allocated.content_id))
        .join(Unit, col(Unit.id) == col(UnitContent.unit_id))
        .outerjoin(Bay, col(Bay.id) == col(Unit.bay_id))
        .where(col(Pick.list_id) == list_id, col(Pick.state) == PickState.OPEN)
        .order_by(col(Pick.walk_no), col(Pick.stop))
    )
    rows = session.execute(statement).all()
    before = stock.in_front(session, site_id, {row[5] for row in rows if row[5] is not None})
    left = [
        Left(
            pick=row[0],
            place=None if row[5] is None else (row[6], row[7]),
            cases=row[3],
            bay=row[5] if row[4] in before else None,
            in_front=before.get(row[4], 0),
            pallet=row[1],
            tier=row[2],
            is_new=row[0] in new,
        )
        for row in rows
    ]
    left.sort(key=lambda one: one.is_new)
    done: Select[*tuple[Any, ...]] = (
        select(
            col(Pick.planned_unit_id), col(Pick.tier), col(Pick.picked_cases), col(Bay.aisle), col(Bay.slot)
        )
        .outerjoin(Bay, col(Bay.id) == col(Pick.bay_id))
        .where(col(Pick.list_id) == list_id, col(Pick.state).in_((PickState.DONE, PickState.SHORT)))
        .order_by(col(Pick.done_at), col(Pick.walk_no))
    )
    last: Place | None = None
    is_begun = False
    lying: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for pallet, tier, cases, aisle, slot in session.execute(done):
        is_begun, last = True, last if aisle is None else (aisle, slot)
        if pallet is not None and tier is not None:
            lying[pallet][tier] += cases
    return WalkLeft(
        left,
        [row[0] for row in rows],
        [row[8] for row in rows],
        last,
        {pallet: dict(tiers) for pallet, tiers in lying.items()},
        is_begun,
    )
