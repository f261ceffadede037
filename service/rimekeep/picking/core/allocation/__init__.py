"""
Which lots serve which order lines.

Goals, in this order: serve the most cases of the highest priority class, then of the next, and so on; then
use the earliest expiries (least Σ cases × expiry day). Products do not interact, so each is solved by the
cheapest method that is exact for it (`solve`): line-by-line first-expired-first-out, a min-cost flow, or an
integer search.
"""

from rimekeep.picking.core.allocation.records import Allocation, Line, LotStock, Reason, Short
from rimekeep.picking.core.allocation.remedies import Change, Remedy
from rimekeep.picking.core.allocation.rules import eligible
from rimekeep.picking.core.allocation.solve import allocate

__all__ = ["Allocation", "Change", "Line", "LotStock", "Reason", "Remedy", "Short", "allocate", "eligible"]
