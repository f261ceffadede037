"""Take customers and orders in, change them; note how far an order has come."""

from rimekeep.orders.usecases.amend import (
    AmendedFacts,
    apply_change,
    as_change,
    check_change,
    require_amendable,
)
from rimekeep.orders.usecases.customers import add_drop, add_rule, change, register_customer, remove
from rimekeep.orders.usecases.forecasts import FORECAST_COLUMNS, give_forecasts, import_forecasts
from rimekeep.orders.usecases.imports import (
    CUSTOMER_COLUMNS,
    DROP_COLUMNS,
    ORDER_COLUMNS,
    RULE_COLUMNS,
    import_customers,
    import_drops,
    import_orders,
    import_rules,
)
from rimekeep.orders.usecases.place import Outcome, Placed, place_order, place_orders, take_order
from rimekeep.orders.usecases.progress import advance_orders, note_delivered, set_state

__all__ = [
    "CUSTOMER_COLUMNS",
    "DROP_COLUMNS",
    "FORECAST_COLUMNS",
    "ORDER_COLUMNS",
    "RULE_COLUMNS",
    "AmendedFacts",
    "Outcome",
    "Placed",
    "add_drop",
    "add_rule",
    "advance_orders",
    "apply_change",
    "as_change",
    "change",
    "check_change",
    "give_forecasts",
    "import_customers",
    "import_drops",
    "import_forecasts",
    "import_orders",
    "import_rules",
    "note_delivered",
    "place_order",
    "place_orders",
    "register_customer",
    "remove",
    "require_amendable",
    "set_state",
    "take_order",
]
