"""Many orders at once, and what became of each."""

from typing import Annotated, Any

from pydantic import Field

from rimekeep.orders.schemas import OrderIn
from rimekeep.orders.usecases import Outcome
from rimekeep.platform.problems import FaultOut
from rimekeep.platform.schemas import Body, View


class OrdersIn(Body):
    """
    Many orders; each is taken wholly or not at all, and one that is wrong keeps no other out.

    Anything passes here; what cannot be read as an order is told item by item.
    """

    orders: list[Annotated[OrderIn | Any, Field(union_mode="left_to_right")]] = Field(
        min_length=1, max_length=500
    )


class OrderOutcomeOut(View):
    """What became of one order of many."""

    index: int = Field(description="Its place in the batch, from 0.")
    code: str | None = Field(description="The order's code, as far as it could be read.")
    outcome: Outcome = Field(
        description="placed; unchanged: there with the very same facts; conflict: there with others, nothing "
        "was changed; invalid: see errors."
    )
    order_id: int | None = Field(description="The order there is under this code, if it has these facts.")
    errors: list[FaultOut]


class OrdersOut(View):
    """What became of a batch of orders, in its order."""

    placed: int
    unchanged: int
    conflict: int
    invalid: int
    items: list[OrderOutcomeOut]
