"""What may be done with stock; each function is one act in the caller's transaction."""

from rimekeep.stock.usecases.catalog import (
    register_bay,
    register_lot,
    register_product,
    register_zone,
)
from rimekeep.stock.usecases.changes import (
    forget_changes,
    note_changed,
    note_lot_changed,
    note_product_changed,
)
from rimekeep.stock.usecases.counts import add_cases, adjust_cases, find_again, mark_counted
from rimekeep.stock.usecases.damage import set_aside
from rimekeep.stock.usecases.deliveries import deliver_units, hold_recalled, take_back_units
from rimekeep.stock.usecases.departures import depart_units, load_units, unload_units
from rimekeep.stock.usecases.destruction import destroy_cases
from rimekeep.stock.usecases.edits import change_bay, change_product, change_zone
from rimekeep.stock.usecases.imports import (
    BAY_COLUMNS,
    LOT_COLUMNS,
    PRODUCT_COLUMNS,
    UNIT_COLUMNS,
    ZONE_COLUMNS,
    import_bays,
    import_lots,
    import_products,
    import_units,
    import_zones,
)
from rimekeep.stock.usecases.moves import move_unit, receive_unit
from rimekeep.stock.usecases.picking import (
    build_unit,
    new_sscc,
    pick_whole_unit,
    reserve_cases,
    reserve_many,
    return_cases,
    return_many,
    take_cases,
)
from rimekeep.stock.usecases.put_backs import put_back_cases
from rimekeep.stock.usecases.quality import (
    hold_lot,
    hold_unit,
    hold_units,
    reject_lot,
    reject_unit,
    reject_units,
    release_lot,
    release_unit,
    release_units,
    shorten_best_before,
)
from rimekeep.stock.usecases.ranges import add_bays
from rimekeep.stock.usecases.recalls import (
    Called,
    end_lots_recall,
    end_units_recall,
    recall_lots,
    recall_units,
)
from rimekeep.stock.usecases.refills import set_pick_face, split_off
from rimekeep.stock.usecases.refusals import refuse_cases
from rimekeep.stock.usecases.returns import put_back_units
from rimekeep.stock.usecases.sent_back import take_in_cases, take_in_unit
from rimekeep.stock.usecases.units import locked_units

__all__ = [
    "BAY_COLUMNS",
    "LOT_COLUMNS",
    "PRODUCT_COLUMNS",
    "UNIT_COLUMNS",
    "ZONE_COLUMNS",
    "Called",
    "add_bays",
    "add_cases",
    "adjust_cases",
    "build_unit",
    "change_bay",
    "change_product",
    "change_zone",
    "deliver_units",
    "depart_units",
    "destroy_cases",
    "end_lots_recall",
    "end_units_recall",
    "find_again",
    "forget_changes",
    "hold_lot",
    "hold_recalled",
    "hold_unit",
    "hold_units",
    "import_bays",
    "import_lots",
    "import_products",
    "import_units",
    "import_zones",
    "load_units",
    "locked_units",
    "mark_counted",
    "move_unit",
    "new_sscc",
    "note_changed",
    "note_lot_changed",
    "note_product_changed",
    "pick_whole_unit",
    "put_back_cases",
    "put_back_units",
    "recall_lots",
    "recall_units",
    "receive_unit",
    "refuse_cases",
    "register_bay",
    "register_lot",
    "register_product",
    "register_zone",
    "reject_lot",
    "reject_unit",
    "reject_units",
    "release_lot",
    "release_unit",
    "release_units",
    "reserve_cases",
    "reserve_many",
    "return_cases",
    "return_many",
    "set_aside",
    "set_pick_face",
    "shorten_best_before",
    "split_off",
    "take_back_units",
    "take_cases",
    "take_in_cases",
    "take_in_unit",
    "unload_units",
]
