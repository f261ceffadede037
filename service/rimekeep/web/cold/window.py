"""Which stretch of time a chart shows, and the ones next to it."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

SPANS = {"24h": timedelta(hours=24), "7d": timedelta(days=7), "30d": timedelta(days=30)}
SHORTEST, LONGEST = timedelta(hours=1), timedelta(days=400)
EARLIEST_AT = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Window:
    """
    A stretch of time, ``from_at`` before ``until_at``, neither after ``now``.

    ``span`` is the key of `SPANS` it was asked for by: it then ends now, whenever that is. ``is_wrong``
    says that dates were asked for that make no stretch, and that this one is shown in their place.
    """

    from_at: datetime
    until_at: datetime
    now: datetime
    span: str | None = None
    is_wrong: bool = False

    @property
    def length(self) -> timedelta:
        """Return how long it is."""
        return self.until_at - self.from_at

    def moved(self, share: float) -> "Window | None":
        """Return the one so many lengths later; None if there is nothing to see there."""
        until_at = min(self.until_at + self.length * share, self.now)
        from_at = max(until_at - self.length, EARLIEST_AT)
        is_same = from_at == self.from_at or until_at - from_at < self.length
        return None if is_same else Window(from_at, until_at, self.now)

    def zoomed(self, factor: float) -> "Window | None":
        """Return the one so many times as long around its middle; None if that is too long or short."""
        length = self.length * factor
        if not SHORTEST <= length <= LONGEST:
            return None
        until_at = min(self.from_at + self.length / 2 + length / 2, self.now)
        return Window(max(until_at - length, EARLIEST_AT), until_at, self.now)

    def query(self, **others: str) -> str:
        """Return it as the query of an address, with other parameters that are not empty."""
        own = (
            {"window": self.span}
            if self.span
            else {
                "from": self.from_at.isoformat(timespec="seconds"),
                "to": self.until_at.isoformat(timespec="seconds"),
            }
        )
        return urlencode(own | {name: value for name, value in others.items() if value})


def window_of(now: datetime, zone: ZoneInfo, *, span: str, from_text: str, until_text: str) -> Window:
    """
    Return the window asked for by a name of `SPANS`, or by two instants; without either, the last 24 hours.

    An instant without an offset is one of the site's clock, as a browser's field gives it.
    """
    if not from_text and not until_text:
        span = span if span in SPANS else "24h"
        return Window(now - SPANS[span], now, now, span)
    until_at = min(_instant(until_text, zone) or now, now)
    from_at = _instant(from_text, zone)
    if from_at is None:
        from_at = until_at - SPANS["24h"]
    is_wrong = not (from_at < until_at and from_at >= EARLIEST_AT and until_at - from_at <= LONGEST)
    if is_wrong:
        return Window(now - SPANS["24h"], now, now, "24h", is_wrong=True)
    # A stretch of seconds has no picture.
    return Window(min(from_at, until_at - timedelta(minutes=1)), until_at, now)


def _instant(text: str, zone: ZoneInfo) -> datetime | None:
    try:
        found = datetime.fromisoformat(text.strip())
        return (found if found.tzinfo else found.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None
