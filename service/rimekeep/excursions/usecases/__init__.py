"""Say what the cold must hold, find where it did not, and answer for it."""

from rimekeep.excursions.core.detection import LOOK_BACK
from rimekeep.excursions.usecases.acknowledge import acknowledge
from rimekeep.excursions.usecases.check import check_site, check_zone
from rimekeep.excursions.usecases.decide import Decided, decide
from rimekeep.excursions.usecases.follow import Checked
from rimekeep.excursions.usecases.rules import add_rule, start_new_count, switch_off_rule
from rimekeep.excursions.usecases.tell import escalate, outlook_facts
from rimekeep.excursions.usecases.trips import end_trip_watch, hold_returned, watch_trip

__all__ = [
    "LOOK_BACK",
    "Checked",
    "Decided",
    "acknowledge",
    "add_rule",
    "check_site",
    "check_zone",
    "decide",
    "end_trip_watch",
    "escalate",
    "hold_returned",
    "outlook_facts",
    "start_new_count",
    "switch_off_rule",
    "watch_trip",
]
