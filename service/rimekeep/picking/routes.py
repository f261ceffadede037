"""Allocations, pick lists, picks, and orders with what serves them."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Path, Query, Request, Response
from pydantic_core import to_json
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.access.dependencies import DispatcherDep, LeadDep, PickerDep, PreviewDep, ReaderDep, StoreDep
from rimekeep.orders import queries as orders
from rimekeep.orders.core.records import LineChange, OrderChange
from rimekeep.orders.schemas import OrderOut
from rimekeep.orders.schemas.amend import GivenBackOut, OrderChangeIn, PutBackOut, PutBackTaskOut
from rimekeep.picking import queries, schemas, usecases
from rimekeep.picking.core.labels import LogisticLabel, element_string, elements
from rimekeep.picking.core.records import ListTask
from rimekeep.picking.core.states import LabelSize, ListState
from rimekeep.picking.full_orders import full_order, tag_of_order
from rimekeep.picking.labels import barcodes, labels_pdf
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep
from rimekeep.platform.http import Now, SessionDep, SettingsDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id
from rimekeep.platform.settings import Settings
from rimekeep.platform.straight_routes import GatheringRoute

Sscc = Annotated[str, Path(pattern=r"^[0-9]{18}$", description="The unit's SSCC.")]

routes = router("", "picking")


@routes.get("/orders/{order_id}")
def show_order(
    order_id: Id, session: SessionDep, now: Now, caller: ReaderDep, response: Response
) -> schemas.FullOrderOut:
    """
    Show an order with its lines, what serves them, what is short of them, why, and what would serve it.

    The ETag stands for the order, its lines and what serves them, not for the advice on what is short.
    """
    shown = full_order(
        session, caller.site_id, order_id, queries.order_shorts(session, now, caller.site_id, order_id)
    )
    response.headers["ETag"] = tag_of_order(shown)
    return shown


@routes.patch("/orders/{order_id}", responses=CONDITIONAL)
def amend_order(
    order_id: Id,
    body: OrderChangeIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.AmendedOut:
    """
    Change days, place, priority and lines of an order that is not on a truck.

    Stock the order does not want any more, or that does not fit its new days, is given back: latest expiry
    first, what is picked last. Cases on a unit with others stay there until somebody takes them off: see
    put-backs.
    """
    orders.order(session, caller.site_id, order_id, is_locked=True)
    condition.check(tag_of_order(full_order(session, caller.site_id, order_id)))
    head = {name: getattr(body, name) for name in body.model_fields_set - {"reason", "lines"}}
    lines = [LineChange(**line.model_dump(), told=frozenset(line.model_fields_set)) for line in body.lines]
    done = usecases.amend_order(
        session, now, caller, order_id=order_id, change=OrderChange(head, lines), reason=body.reason
    )
    short = queries.order_shorts(session, now, caller.site_id, order_id)
    shown = full_order(session, caller.site_id, order_id, short)
    response.headers["ETag"] = tag_of_order(shown)
    return schemas.AmendedOut(
        **shown.model_dump(),
        given_back=[GivenBackOut.model_validate(one) for one in done.given_back],
        unfit=[GivenBackOut.model_validate(one) for one in done.unfit],
    )


@routes.get("/put-backs")
def list_put_backs(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[PutBackTaskOut]:
    """List the cases that were picked, are not wanted any more, and have to be taken off their unit."""
    return asked.show(session, queries.put_backs(caller.site_id), PutBackTaskOut)


@routes.post("/put-backs/{put_back_id}/confirm")
def confirm_put_back(
    put_back_id: Id, body: schemas.PutBackIn, session: SessionDep, now: Now, caller: StoreDep
) -> PutBackOut:
    """Confirm that the cases were taken off and stand on a unit of their own, which gets its label."""
    done = usecases.confirm_put_back(session, now, caller, put_back_id=put_back_id, scan=body.scan)
    return PutBackOut.model_validate(done)


@routes.post("/orders/{order_id}/cancel", responses={412: CONDITIONAL[412]})
def cancel_order(
    order_id: Id,
    body: schemas.CancelIn,
    session: SessionDep,
    now: Now,
    caller: DispatcherDep,
    condition: ConditionDep,
) -> OrderOut:
    """
    Cancel an order that is not on a truck yet; its stock is free again.

    With If-Match only if it is still as it was read.
    """
    if condition.is_named:
        orders.order(session, caller.site_id, order_id, is_locked=True)
        condition.check(tag_of_order(full_order(session, caller.site_id, order_id)))
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


@routes.post("/allocations/recheck")
def recheck_allocations(
    body: schemas.RecheckIn, session: SessionDep, now: Now, caller: LeadDep
) -> schemas.ReallocatedOut:
    """
    Serve anew the lines whose reserved stock is stopped, gone, or no longer within their rules.

    It is done every few seconds anyway; this does it at once and shows what changed.
    """
    return schemas.ReallocatedOut.model_validate(
        usecases.reallocate(session, now, caller, line_ids=body.line_ids)
    )


@routes.post("/pick-lists", status_code=201)
def make_pick_lists(
    body: schemas.ListsIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> list[schemas.ListOut]:
    """
    Put what is reserved for the orders, and on no list yet, onto lists.

    One per order and zone; more where a zone says how many units fit on a walk. Every pallet that is to be
    built has its number and contents from the start.
    """
    made = usecases.make_pick_lists(session, now, caller, order_ids=body.order_ids, by=body.by)
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


async def nothing() -> None:
    """Stand for what a request without a body says."""


def take_next_list(
    _: Annotated[None, Depends(nothing)],
    session: SessionDep,
    now: Now,
    caller: PickerDep,
    settings: SettingsDep,
) -> Response:
    """
    Take the next list, or get back the one the device has; null when there is no work.

    The list is the device's until it is done, handed back, or silent for longer than the lease.
    """
    return _next_list(usecases.take_next_list(session, now, caller, lease_s=settings.lease_s))


def _next_list(task: ListTask | None) -> Response:
    told = None if task is None else schemas.ListOut.model_validate(task)
    return Response(to_json(told), media_type="application/json")


class NextListRoute(GatheringRoute):
    """The way to the next list: a whole shift may ask at once."""

    @staticmethod
    def read(request: Request, body: bytes, now: datetime) -> None:
        """Read nothing: who asks says it all."""

    def together(
        self, session: Session, callers: Sequence[tuple[Caller, datetime]], settings: Settings
    ) -> list[Response | None]:
        """Give all their next list; who has one already is heard alone."""
        tasks = usecases.take_next_lists(session, callers, lease_s=settings.lease_s)
        return [_next_list(tasks[caller.id]) if caller.id in tasks else None for caller, _ in callers]


routes.add_api_route(
    "/pick-lists/next",
    take_next_list,
    methods=["POST"],
    response_model=schemas.ListOut | None,
    route_class_override=NextListRoute,
)


@routes.get("/pick-lists/{list_id}")
def show_pick_list(list_id: Id, session: SessionDep, caller: ReaderDep) -> schemas.ListOut:
    """Show one pick list."""
    return schemas.ListOut.model_validate(queries.list_task(session, caller.site_id, list_id))


@routes.get("/units/{sscc}/label")
def show_label(sscc: Sscc, session: SessionDep, caller: ReaderDep) -> schemas.LabelOut:
    """Show what the GS1 logistic label of a unit says; of a planned one, what will be on it."""
    return _label(queries.label_of(session, caller.site_id, sscc))


@routes.get("/units/{sscc}/label.pdf", response_class=Response)
def print_label(
    sscc: Sscc, session: SessionDep, caller: ReaderDep, size: LabelSize = LabelSize.A6
) -> Response:
    """Return the label as a PDF to be printed at 100 %."""
    return _pdf([queries.label_of(session, caller.site_id, sscc)], size)


@routes.get("/pick-lists/{list_id}/labels")
def show_labels(list_id: Id, session: SessionDep, caller: ReaderDep) -> list[schemas.LabelOut]:
    """Show the labels of every unit a list brings to the dock, those to be built first."""
    queries.pick_list(session, caller.site_id, list_id)
    return [_label(one) for one in queries.list_labels(session, caller.site_id, list_id)]


@routes.get("/pick-lists/{list_id}/labels.pdf", response_class=Response)
def print_labels(
    list_id: Id, session: SessionDep, caller: ReaderDep, size: LabelSize = LabelSize.A6
) -> Response:
    """Return the list's labels as a PDF, one a page."""
    queries.pick_list(session, caller.site_id, list_id)
    return _pdf(queries.list_labels(session, caller.site_id, list_id), size)


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


@routes.get("/outlook")
def show_outlook(
    session: SessionDep,
    now: Now,
    caller: ReaderDep,
    days: Annotated[int, Query(ge=1, le=366, description="How far to look ahead, from today.")] = 60,
) -> schemas.OutlookOut:
    """
    Show which free stock will not sell in time, what it is worth, and who could still take it.

    Demand is what is ordered and, beyond that, what was forecast; of products nothing was forecast of, the
    mean of past weekdays. Lot caps and "no backward date" are not looked at: they can only make it worse.
    """
    return schemas.OutlookOut.model_validate(usecases.look_ahead(session, now, caller.site_id, days=days))


def _label(label: LogisticLabel) -> schemas.LabelOut:
    """Return a label as the API tells it."""
    return schemas.LabelOut(
        sscc=label.sscc,
        elements=dict(elements(label)),
        element_strings=[element_string(some) for some in barcodes(label)],
        contents=[schemas.LabelContentOut.model_validate(one) for one in label.contents],
        cases=label.cases,
        mass_kg=label.mass_kg,
        is_complete=label.is_complete,
        order_code=label.order_code,
        customer_name=label.customer_name,
    )


def _pdf(labels: list[LogisticLabel], size: LabelSize) -> Response:
    return Response(labels_pdf(labels, size=size), media_type="application/pdf")


def lease_s(request: Request) -> int:
    """Return how long a silent device keeps its list. [s]"""
    return int(request.app.state.settings.lease_s)
