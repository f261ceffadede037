"""What the date on the label means in time."""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

# Midnight after this day is still a date everywhere on earth.
LAST_DAY = date(9999, 12, 29)


def label_end(best_before_on: date, zone: tzinfo) -> datetime:
    """
    Return the instant the label's day is over at the site: midnight, local time, after that day.

    >>> label_end(date(2026, 9, 30), UTC).isoformat()
    '2026-10-01T00:00:00+00:00'
    """
    day_after = min(best_before_on, LAST_DAY) + timedelta(days=1)
    return datetime.combine(day_after, time(), zone).astimezone(UTC)
