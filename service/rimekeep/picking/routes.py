"""Allocations, pick lists, picks, and orders with what serves them."""

from typing import Annotated

from fastapi import Query, Request

from rimekeep.access.dependencies import DispatcherDep, PickerDep, PreviewDep, ReaderDep
from rimekeep.orders import queries as orders
from rimekeep.orders.schemas import LineOut, OrderOut
from rimekeep.picking import queries, schemas, usecases
from rimekeep.picking.core.states import ListState
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "picking")


@routes.get("/orders/{order_id}")
def show_order(order_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.FullOrderOut:
    """Show an order with its lines, what serves them, and what is short of them and why."""
    order = orders.order(session, caller.site_id, order_id)
    serving = queries.order_allocations(session, caller.site_id, [order_id])
    short = queries.shorts_told(session, caller.site_id, [order_id])
    lines = [
        schemas.FullLineOut(
            **LineOut.model_validate(line).model_dump(),
            short=schemas.ShortOut.model_validate(short[line.id]) if line.id in short else None,
        )
        for line in orders.lines_of(session, order_id)
    ]
    return schemas.FullOrderOut(
        **OrderOut.model_validate(order).model_dump(),
        lines=lines,
        allocations=[schemas.OrderAllocationOut.model_validate(one) for one in serving],
    )


@routes.post("/orders/{order_id}/cancel")
def cancel_order(
    order_id: Id, body: schemas.CancelIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> OrderOut:
    """Cancel an order that is not on a truck yet; its stock is free again."""
    order = usecases.cancel_order(session, now, caller, order_id=order_id, reason=body.reason)
    return OrderOut.model_validate(order)


@routes.post("/allocations/preview")
def preview_allocation(
    body: schemas.WaveIn, session: SessionDep, now: Now, caller: PreviewDep
) -> schemas.WaveOut:
    """Show what an allocation would do now; changes nothing."""
    chosen = usecases.Chosen(body.ship_on, body.order_ids)
    return schemas.WaveOut.model_validate(usecases.preview_allocation(session, now, caller, chosen))


@routes.post("/allocations")
def allocate_orders(
    body: schemas.WaveIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.WaveOut:
    """Reserve stock for what the orders still miss: first-expired first, within each customer's rules."""
    chosen = usecases.Chosen(body.ship_on, body.order_ids)
    return schemas.WaveOut.model_validate(usecases.allocate_orders(session, now, caller, chosen))


@routes.post("/pick-lists", status_code=201)
def make_pick_lists(
    body: schemas.ListsIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> list[schemas.ListOut]:
    """Put what is reserved for the orders, and on no list yet, onto lists: one per order and zone."""
    made = usecases.make_pick_lists(session, now, caller, order_ids=body.order_ids)
    return [schemas.ListOut.model_validate(task) for task in made]


@routes.get("/pick-lists")
def list_pick_lists(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    state: Annotated[ListState | None, Query(description="Only those in this state.")] = None,
    order_id: Annotated[Id | None, Query(description="Only those of this order.")] = None,
) -> Page[schemas.ListOut]:
    """List pick lists with their stops."""
    found = queries.pick_lists(caller.site_id, state=state, order_id=order_id)
    rows = asked.rows(session, found)
    tasks = queries.list_tasks(session, caller.site_id, [row.id for row in rows])
    return asked.page([schemas.ListOut.model_validate(tasks[row.id]) for row in rows if row.id in tasks])


@routes.post("/pick-lists/next")
def take_next_list(
    request: Request, session: SessionDep, now: Now, caller: PickerDep
) -> schemas.ListOut | None:
    """
    Take the next list, or get back the one the device has; null when there is no work.

    The list is the device's until it is done, handed back, or silent for longer than the lease.
    """
    task = usecases.take_next_list(session, now, caller, lease_s=lease_s(request))
    return None if task is None else schemas.ListOut.model_validate(task)


@routes.get("/pick-lists/{list_id}")
def show_pick_list(list_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.ListOut:
    """Show one pick list."""
    return schemas.ListOut.model_validate(queries.list_task(session, caller.site_id, list_id))


@routes.post("/pick-lists/{list_id}/heartbeat")
def heartbeat(
    list_id: Id, request: Request, session: SessionDep, now: Now, caller: PickerDep
) -> schemas.ListOut:
    """Tell that the device is still at work on its list."""
    task = usecases.heartbeat(session, now, caller, list_id=list_id, lease_s=lease_s(request))
    return schemas.ListOut.model_validate(task)


@routes.post("/pick-lists/{list_id}/hand-back")
def hand_back(list_id: Id, session: SessionDep, now: Now, caller: PickerDep) -> schemas.ListOut:
    """Give a list back; what was picked of it stays picked."""
    return schemas.ListOut.model_validate(usecases.hand_back(session, now, caller, list_id=list_id))


@routes.post("/picks/{pick_id}/confirm")
def confirm_pick(
    pick_id: Id, body: schemas.ConfirmIn, request: Request, session: SessionDep, now: Now, caller: PickerDep
) -> schemas.PickedOut:
    """Confirm a stop by the bay's check code and the scan of what was taken."""
    done = usecases.confirm_pick(
        session, now, caller, pick_id=pick_id, **body.model_dump(), lease_s=lease_s(request)
    )
    return schemas.PickedOut.model_validate(done)


@routes.post("/picks/{pick_id}/short")
def short_pick(
    pick_id: Id, body: schemas.ShortIn, request: Request, session: SessionDep, now: Now, caller: PickerDep
) -> schemas.PickedOut:
    """Report fewer cases than asked for; the pallet is held until it is counted."""
    done = usecases.short_pick(
        session, now, caller, pick_id=pick_id, **body.model_dump(), lease_s=lease_s(request)
    )
    return schemas.PickedOut.model_validate(done)


def lease_s(request: Request) -> int:
    """Return how long a silent device keeps its list. [s]"""
    return int(request.app.state.settings.lease_s)
