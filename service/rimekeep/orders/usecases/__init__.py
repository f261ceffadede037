"""Take customers and orders in; note how far an order has come."""

from rimekeep.orders.usecases.imports import CUSTOMER_COLUMNS, ORDER_COLUMNS, import_customers, import_orders
from rimekeep.orders.usecases.place import (
    advance_orders,
    note_delivered,
    place_order,
    register_customer,
    set_state,
)

__all__ = [
    "CUSTOMER_COLUMNS",
    "ORDER_COLUMNS",
    "advance_orders",
    "import_customers",
    "import_orders",
    "note_delivered",
    "place_order",
    "register_customer",
    "set_state",
]
