"""Reserve stock for orders, make pick lists, hand them out, confirm what was picked."""

from rimekeep.picking.usecases.allocate import Chosen, allocate_orders, preview_allocation
from rimekeep.picking.usecases.amend import Amended, PutBack, amend_order, confirm_put_back
from rimekeep.picking.usecases.answering import CountedLot, CountedUnit, answer_count
from rimekeep.picking.usecases.bring import Brought, bring_list
from rimekeep.picking.usecases.cancel import cancel_order
from rimekeep.picking.usecases.counted import Approved, approve_count, count_again, dismiss_count
from rimekeep.picking.usecases.counting import DaysWalk, choose_counts, hand_back_count, take_counts
from rimekeep.picking.usecases.finish import Picked
from rimekeep.picking.usecases.lists import (
    hand_back,
    heartbeat,
    return_leases,
    take_list,
    take_over,
)
from rimekeep.picking.usecases.making import make_pick_lists
from rimekeep.picking.usecases.next_list import take_next_list, take_next_lists
from rimekeep.picking.usecases.outlook import look_ahead, tell_of_waste
from rimekeep.picking.usecases.picks import check_pick, confirm_pick, damaged_pick, not_found, short_pick
from rimekeep.picking.usecases.queue import Answered, Queued, replay_queue
from rimekeep.picking.usecases.reallocate import reallocate
from rimekeep.picking.usecases.refills import (
    CAUTION,
    Planned,
    Refilled,
    confirm_replenishment,
    hand_back_replenishment,
    plan_replenishment,
    suggest_bays,
    take_replenishment,
)
from rimekeep.picking.usecases.release import GivenBack, release_cases
from rimekeep.picking.usecases.returns import refuse_allocations, return_allocations
from rimekeep.picking.usecases.substitute import Offer, substitute_pick, substitutes

__all__ = [
    "CAUTION",
    "Amended",
    "Answered",
    "Approved",
    "Brought",
    "Chosen",
    "CountedLot",
    "CountedUnit",
    "DaysWalk",
    "GivenBack",
    "Offer",
    "Picked",
    "Planned",
    "PutBack",
    "Queued",
    "Refilled",
    "allocate_orders",
    "amend_order",
    "answer_count",
    "approve_count",
    "bring_list",
    "cancel_order",
    "check_pick",
    "choose_counts",
    "confirm_pick",
    "confirm_put_back",
    "confirm_replenishment",
    "count_again",
    "damaged_pick",
    "dismiss_count",
    "hand_back",
    "hand_back_count",
    "hand_back_replenishment",
    "heartbeat",
    "look_ahead",
    "make_pick_lists",
    "not_found",
    "plan_replenishment",
    "preview_allocation",
    "reallocate",
    "refuse_allocations",
    "release_cases",
    "replay_queue",
    "return_allocations",
    "return_leases",
    "short_pick",
    "substitute_pick",
    "substitutes",
    "suggest_bays",
    "take_counts",
    "take_list",
    "take_next_list",
    "take_next_lists",
    "take_over",
    "take_replenishment",
    "tell_of_waste",
]
