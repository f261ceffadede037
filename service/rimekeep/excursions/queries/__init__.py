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
from rimekeep.excursions.queries.trips import Road, excursions_of_trip, road, trip_aboard, trip_watches

__all__ = [
    "Crossed",
    "DecisionView",
    "LotTouched",
    "Record",
    "Report",
    "Road",
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
    "excursions_of_trip",
    "held_units",
    "known_of_rules",
    "known_of_sensors",
    "open_excursions",
    "outlook",
    "presence_mark",
    "readings_needed_from",
    "record_of",
    "report",
    "road",
    "rule",
    "rules",
    "sensors_of",
    "stopped_units",
    "touched",
    "touched_contents",
    "touched_total",
    "trip_aboard",
    "trip_watches",
    "unanswered",
    "words_of",
]
