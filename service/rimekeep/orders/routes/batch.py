"""Many orders at once."""

from collections import Counter
from typing import Any

from pydantic import ValidationError

from rimekeep.access.dependencies import DispatcherDep
from rimekeep.orders import schemas, usecases
from rimekeep.orders.core.records import NewOrder
from rimekeep.orders.routes.orders import new_order
from rimekeep.orders.routes.router import routes
from rimekeep.orders.schemas.batch import OrderOutcomeOut, OrdersIn, OrdersOut
from rimekeep.orders.usecases import Outcome, Placed
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.problems import FaultOut, fault_of


@routes.post("/orders/batch")
def place_orders(body: OrdersIn, session: SessionDep, now: Now, caller: DispatcherDep) -> OrdersOut:
    """
    Take many orders in; sent again, what is there already stays as it is.

    The answer is 200 whatever became of the orders: look at each outcome.
    """
    good = [(place, new_order(one)) for place, one in enumerate(body.orders) if _is_order(one)]
    done = usecases.place_orders(session, now, caller, [order for _, order in good])
    told = {place: _told(place, order, one) for (place, order), one in zip(good, done, strict=True)}
    items = [told.get(place) or _unread(place, one) for place, one in enumerate(body.orders)]
    counted = Counter(item.outcome for item in items)
    return OrdersOut(**{str(outcome): counted[outcome] for outcome in Outcome}, items=items)


def _is_order(one: Any) -> bool:
    return isinstance(one, schemas.OrderIn)


def _told(place: int, order: NewOrder, one: Placed) -> OrderOutcomeOut:
    return OrderOutcomeOut(
        index=place,
        code=order.code,
        outcome=one.outcome,
        order_id=None if one.order is None else one.order.id,
        errors=[FaultOut(field=f.field, detail=f.detail, mend=f.mend) for f in one.faults],
    )


def _unread(place: int, one: Any) -> OrderOutcomeOut:
    faults: list[FaultOut] = []
    try:
        schemas.OrderIn.model_validate(one)
    except ValidationError as error:
        faults = [fault_of({**found, "loc": ("body", *found["loc"])}) for found in error.errors()[:20]]
    code = one.get("code") if isinstance(one, dict) else None
    if isinstance(code, str):
        # Half a character cannot be sent back as it came.
        code = code.encode("utf-8", "backslashreplace").decode()[:40]
    return OrderOutcomeOut(
        index=place,
        code=code if isinstance(code, str) else None,
        outcome=Outcome.INVALID,
        order_id=None,
        errors=faults,
    )
