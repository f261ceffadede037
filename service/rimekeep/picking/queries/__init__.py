"""Reads of allocations, pick lists and picks."""

from rimekeep.picking.queries.agreement import reservations_that_disagree
from rimekeep.picking.queries.allocations import order_allocations, served_by_line, shorts_told
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
from rimekeep.picking.queries.picks import PickFacts, built_units, fill, open_unit, pick_facts
from rimekeep.picking.queries.wave import BY_NAME, IN_WAVE, WaveFacts, wave_facts

__all__ = [
    "BY_NAME",
    "IN_WAVE",
    "PickFacts",
    "ToList",
    "WaveFacts",
    "built_units",
    "fill",
    "list_task",
    "list_tasks",
    "open_unit",
    "order_allocations",
    "pick_facts",
    "pick_list",
    "pick_lists",
    "picks_left",
    "reservations_that_disagree",
    "served_by_line",
    "shorts_told",
    "store_depths",
    "to_list",
    "wave_facts",
]
