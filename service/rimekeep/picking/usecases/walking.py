"""
Order the rest of a list's walk again, when stops were added to it or lead elsewhere.

Stops keep their numbers, which notes and lines name; what changes is the order in which they come. On a list
a picker has, the stop that comes next stays next, since the device shows it already; the way goes on from it.
The list is locked by the caller.
"""

from collections.abc import Collection

from sqlalchemy import bindparam, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from rimekeep.picking import queries
from rimekeep.picking.core.again import ordered_again
from rimekeep.picking.core.states import ListState
from rimekeep.picking.usecases.making import layout_of
from rimekeep.stock import queries as stock


def walk_again(session: Session, site_id: int, list_id: int, new: Collection[int]) -> None:
    """
    Order a list's open stops again.

    ``new`` are the picks that were added. The way is measured from the bay that was confirmed last, or from
    the dock on a list nobody has.
    """
    found = queries.walk_left(session, site_id, list_id, new)
    row = queries.pick_list(session, site_id, list_id)
    session.refresh(row)
    layout = layout_of(
        stock.zone(session, site_id, row.zone_id),
        queries.store_depths(session, site_id, row.zone_id).get(row.zone_id),
    )
    left, start = found.left, None
    kept = 0
    if row.state == ListState.TAKEN:
        kept = int(bool(left) and not left[0].is_new)
        start = left[0].place if kept and left[0].place is not None else found.last
    way_m, order = ordered_again(layout, start, left[kept:], found.lying)
    picks = [*(one.pick for one in left[:kept]), *order]
    table = SQLModel.metadata.tables["pick"]
    if picks != found.picks:
        session.connection().execute(
            update(table).where(table.c.id == bindparam("pick")).values(walk_no=bindparam("place")),
            [
                {"pick": pick, "place": place}
                for pick, place in sorted(zip(picks, found.walk_nos, strict=True))
            ],
        )
    if not found.is_begun:
        row.walk_m = round(way_m, 2)
        session.flush()
