"""Say what the cold must hold, find where it did not, and answer for it."""

from rimekeep.excursions.usecases.acknowledge import acknowledge
from rimekeep.excursions.usecases.check import LOOK_BACK, Checked, check_site, check_zone
from rimekeep.excursions.usecases.rules import add_rule, start_new_count, switch_off_rule

__all__ = [
    "LOOK_BACK",
    "Checked",
    "acknowledge",
    "add_rule",
    "check_site",
    "check_zone",
    "start_new_count",
    "switch_off_rule",
]
