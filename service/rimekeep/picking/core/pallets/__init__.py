"""Mixed pallets: built heavy and strong below, checked, and brought into an order with the walk."""

from rimekeep.picking.core.pallets.build import build_pallets
from rimekeep.picking.core.pallets.check import pallet_faults
from rimekeep.picking.core.pallets.records import Built, Goods, Limits, Pallet, Part, Tier
from rimekeep.picking.core.pallets.sequence import set_aside, work_order

__all__ = [
    "Built",
    "Goods",
    "Limits",
    "Pallet",
    "Part",
    "Tier",
    "build_pallets",
    "pallet_faults",
    "set_aside",
    "work_order",
]
