"""What kinds of notice there are, how grave each is, and what may be told together."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """How grave a notice is; the later, the graver."""

    INFO = "info"
    WARNING = "warning"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """Return its place, 0 for the least grave."""
        return list(Severity).index(self)


# One compressor that trips opens an excursion per rule, and silences or confuses a sensor or two, within
# minutes.
GATHER = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class Kind:
    """
    What is stated of a kind of notice.

    ``says_own``: its data may carry a severity of its own, which then counts. ``gathers``: notices of the
    family about one zone are told together, see :mod:`rimekeep.alerts.core.gather`. ``is_for_pages``: it
    tells open pages to look anew, which nobody is to be woken for; it makes no alert and goes to no receiver.
    """

    severity: Severity
    family: str
    says_own: bool = False
    gathers: bool = False
    is_for_pages: bool = False


KINDS: dict[str, Kind] = {
    "excursion.opened": Kind(Severity.WARNING, "cold", says_own=True, gathers=True),
    "excursion.escalated": Kind(Severity.CRITICAL, "cold", gathers=True),
    # That it is over wakes nobody, however grave it was.
    "excursion.ended": Kind(Severity.INFO, "cold", gathers=True),
    "unit.frozen": Kind(Severity.CRITICAL, "cold", gathers=True),
    "readings.quarantined": Kind(Severity.WARNING, "sensors", gathers=True),
    "waste.expected": Kind(Severity.WARNING, "stock"),
    "goods.returned": Kind(Severity.WARNING, "stock"),
    "stock.damaged": Kind(Severity.INFO, "stock"),
    "stock.destroyed": Kind(Severity.INFO, "stock"),
    "count.differs": Kind(Severity.WARNING, "counts"),
    "count.wanted": Kind(Severity.INFO, "counts"),
    "orders.short": Kind(Severity.WARNING, "orders"),
    "orders.reallocated": Kind(Severity.INFO, "orders"),
    "planning.done": Kind(Severity.INFO, "trips"),
    "plan.confirmed": Kind(Severity.INFO, "trips"),
    "plan.amended": Kind(Severity.INFO, "trips", is_for_pages=True),
    "trip.given-up": Kind(Severity.INFO, "trips"),
    "deck.changed": Kind(Severity.INFO, "trips", is_for_pages=True),
    "trip.departed": Kind(Severity.INFO, "trips"),
    "trip.delivered": Kind(Severity.INFO, "trips"),
    "trip.empties-corrected": Kind(Severity.INFO, "trips"),
    "trip.ended": Kind(Severity.INFO, "trips"),
    "recall.started": Kind(Severity.CRITICAL, "recall"),
    "recall.reminded": Kind(Severity.WARNING, "recall"),
    "recall.answered": Kind(Severity.INFO, "recall"),
    "recall.closed": Kind(Severity.INFO, "recall"),
    "recall.drilled": Kind(Severity.INFO, "recall"),
    "subscription.suspended": Kind(Severity.WARNING, "alerts"),
    "alert.unanswered": Kind(Severity.WARNING, "alerts"),
}
# What is not in the table is not kept quiet for it.
_UNKNOWN = Severity.WARNING


def kind_of(kind: str) -> Kind:
    """Return what is stated of a kind; one that is not in the table is a warning and stands alone."""
    return KINDS.get(kind) or Kind(_UNKNOWN, kind.partition(".")[0])


def severity_of(kind: str, data: Mapping[str, Any]) -> Severity:
    """
    Return how grave a notice is.

    Examples
    --------
    >>> severity_of("excursion.opened", {"severity": "critical"}).value
    'critical'
    >>> severity_of("excursion.ended", {"severity": "critical"}).value
    'info'
    """
    stated = kind_of(kind)
    own = data.get("severity")
    return Severity(own) if stated.says_own and own in set(Severity) else stated.severity


@dataclass(frozen=True, slots=True)
class Wanted:
    """What somebody wants to hear of; empty means all."""

    kinds: frozenset[str] = frozenset()
    zone_ids: frozenset[int] = frozenset()
    least: Severity = Severity.INFO

    def takes(self, kind: str, severity: Severity, zone_id: int | None) -> bool:
        """Tell whether a notice is wanted; one about no zone in particular concerns every zone."""
        return (
            (not self.kinds or kind in self.kinds)
            and severity.rank >= self.least.rank
            and (not self.zone_ids or zone_id is None or zone_id in self.zone_ids)
        )
