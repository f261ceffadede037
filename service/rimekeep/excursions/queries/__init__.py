"""Reads of rules and excursions."""

from rimekeep.excursions.queries.excursions import (
    excursion,
    excursion_view,
    excursions,
    known_of_rules,
    known_of_sensors,
    open_excursions,
    readings_needed_from,
    unanswered,
)
from rimekeep.excursions.queries.outlook import outlook
from rimekeep.excursions.queries.record import (
    DecisionView,
    LotTouched,
    Record,
    decisions,
    held_units,
    record_of,
    stopped_units,
    words_of,
)
from rimekeep.excursions.queries.report import Crossed, Report, crossed, report
from rimekeep.excursions.queries.rules import active_rules, core_rule, rule, rules
from rimekeep.excursions.queries.sensors import WatchedSensor, errors_of, sensors_of
from rimekeep.excursions.queries.touched import (
    Touched,
    presence_mark,
    touched,
    touched_contents,
    touched_total,
)

__all__ = [
    "Crossed",
    "DecisionView",
    "LotTouched",
    "Record",
    "Report",
    "Touched",
    "WatchedSensor",
    "active_rules",
    "core_rule",
    "crossed",
    "decisions",
    "errors_of",
    "excursion",
    "excursion_view",
    "excursions",
    "held_units",
    "known_of_rules",
    "known_of_sensors",
    "open_excursions",
    "outlook",
    "presence_mark",
    "readings_needed_from",
    "record_of",
    "report",
    "rule",
    "rules",
    "sensors_of",
    "stopped_units",
    "touched",
    "touched_contents",
    "touched_total",
    "unanswered",
    "words_of",
]
