"""The words for orders."""

from enum import StrEnum


class OrderState(StrEnum):
    """How far an order has come."""

    OPEN = "open"
    ALLOCATED = "allocated"
    PICKED = "picked"
    LOADED = "loaded"
    DEPARTED = "departed"
    CANCELLED = "cancelled"


# What may follow. Steps back: stock returned, a short line topped up, a unit taken off the truck again.
FOLLOWING: dict[OrderState, frozenset[OrderState]] = {
    OrderState.OPEN: frozenset({OrderState.ALLOCATED, OrderState.CANCELLED}),
    OrderState.ALLOCATED: frozenset(
        {OrderState.OPEN, OrderState.PICKED, OrderState.LOADED, OrderState.CANCELLED}
    ),
    OrderState.PICKED: frozenset(
        {OrderState.OPEN, OrderState.ALLOCATED, OrderState.LOADED, OrderState.CANCELLED}
    ),
    OrderState.LOADED: frozenset({OrderState.PICKED, OrderState.ALLOCATED, OrderState.DEPARTED}),
    OrderState.DEPARTED: frozenset(),
    OrderState.CANCELLED: frozenset(),
}

# What of an order may still be changed: it is not on a truck.
AMENDABLE = frozenset({OrderState.OPEN, OrderState.ALLOCATED, OrderState.PICKED})
