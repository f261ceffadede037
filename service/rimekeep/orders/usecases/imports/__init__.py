"""
Customers, their rules and places, and orders from files.

A file may be read again: what is there already in the same words is left alone. What is there in other words
is a fault, because nobody can tell which of the two is meant, unless the file is imported to amend: then what
is stored becomes what the file says. Nothing is written while a fault is left.
"""

from rimekeep.orders.usecases.imports.customers import (
    CUSTOMER_COLUMNS,
    DROP_COLUMNS,
    RULE_COLUMNS,
    import_customers,
    import_drops,
    import_rules,
)
from rimekeep.orders.usecases.imports.orders import ORDER_COLUMNS, import_orders

__all__ = [
    "CUSTOMER_COLUMNS",
    "DROP_COLUMNS",
    "ORDER_COLUMNS",
    "RULE_COLUMNS",
    "import_customers",
    "import_drops",
    "import_orders",
    "import_rules",
]
