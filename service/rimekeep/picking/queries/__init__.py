"""Reads of allocations, pick lists and picks."""

from rimekeep.picking.queries.allocations import (
    mixed_units,
    newest_promised,
    order_allocations,
    served_by_line,
    short_lines,
)
from rimekeep.picking.queries.lists import (
    ToList,
    list_task,
    list_tasks,
    pick_list,
    pick_lists,
    picks_left,
    store_depths,
    to_list,
)
from rimekeep.picking.queries.picks import PickFacts, fill, open_unit, pick_facts

__all__ = [
    "PickFacts",
    "ToList",
    "fill",
    "list_task",
    "list_tasks",
    "mixed_units",
    "newest_promised",
    "open_unit",
    "order_allocations",
    "pick_facts",
    "pick_list",
    "pick_lists",
    "picks_left",
    "served_by_line",
    "short_lines",
    "store_depths",
    "to_list",
]
