"""
Which notices are one alert.

The rule: notices of one gathering family about one zone of a site belong to the alert that the first of them
opened, for :data:`~rimekeep.alerts.core.kinds.GATHER` from its instant; the next one after that opens
another. To each receiver the first notice it wants of an alert goes at once. What follows is gathered into
one message, sent when the time is up, except a notice graver than all it has been told of the alert: that
goes at once as well. A notice about no zone, or of a family that does not gather, is an alert of its own.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from rimekeep.alerts.core.kinds import GATHER, Severity, kind_of


@dataclass(slots=True)
class Opened:
    """An alert, as far as it matters to what may join it."""

    id: int
    family: str
    zone_id: int | None
    at: datetime

    @property
    def closes_at(self) -> datetime:
        """Return until when notices may join."""
        return self.at + GATHER

    def admits(self, kind: str, zone_id: int | None, at: datetime) -> bool:
        """Tell whether a notice belongs to this alert."""
        stated = kind_of(kind)
        return (
            stated.gathers
            and zone_id is not None
            and (stated.family, zone_id) == (self.family, self.zone_id)
            and self.at <= at < self.closes_at
        )


def alert_for(kind: str, zone_id: int | None, at: datetime, opened: Iterable[Opened]) -> Opened | None:
    """Return the alert a notice joins, or None if it opens one."""
    return next((one for one in opened if one.admits(kind, zone_id, at)), None)


def goes_at_once(severity: Severity, told: Severity | None) -> bool:
    """Tell whether a notice is sent at once to somebody who was told of its alert up to this severity."""
    return told is None or severity.rank > told.rank
