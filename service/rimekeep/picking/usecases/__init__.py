"""Reserve stock for orders, make pick lists, hand them out, confirm what was picked."""

from rimekeep.picking.usecases.allocate import Chosen, allocate_orders, preview_allocation
from rimekeep.picking.usecases.cancel import cancel_order
from rimekeep.picking.usecases.finish import Picked
from rimekeep.picking.usecases.lists import (
    hand_back,
    heartbeat,
    make_pick_lists,
    return_leases,
    take_next_list,
)
from rimekeep.picking.usecases.picks import confirm_pick, short_pick
from rimekeep.picking.usecases.returns import return_allocations

__all__ = [
    "Chosen",
    "Picked",
    "allocate_orders",
    "cancel_order",
    "confirm_pick",
    "hand_back",
    "heartbeat",
    "make_pick_lists",
    "preview_allocation",
    "return_allocations",
    "return_leases",
    "short_pick",
    "take_next_list",
]
