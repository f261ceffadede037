"""Hours people have: when a receiver is left in peace, who is on call, and who is next if nobody answers."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo


def wall_time(words: str) -> time:
    """Return the time of day of HH:MM."""
    return time.fromisoformat(words)


def _covers(starts: time, ends: time, at: time) -> bool:
    # From 22:00 to 06:00 lies across midnight; from one time to the same is the whole day.
    return starts <= at < ends if starts < ends else at >= starts or at < ends


def quiet_end(now: datetime, starts: time, ends: time, zone: ZoneInfo) -> datetime | None:
    """
    Return when quiet hours that hold at ``now`` are over, or None if they do not hold.

    Wall-clock hours of the site: in the night the clocks change they are an hour shorter or longer. A
    wall-clock time that the change skips counts as the instant it would have been by the old offset.

    Examples
    --------
    >>> night = datetime(2026, 3, 16, 23, tzinfo=UTC)
    >>> quiet_end(night, time(22), time(6), ZoneInfo("Europe/Prague")).isoformat()
    '2026-03-17T05:00:00+00:00'
    """
    local = now.astimezone(zone)
    if not _covers(starts, ends, local.time().replace(fold=0)):
        return None
    day = local.date() + timedelta(days=local.time().replace(fold=0) >= ends)
    end = datetime.combine(day, ends, zone)
    # Of a time that the clocks show twice, the second once the first is over.
    return (end if end.astimezone(UTC) > now else end.replace(fold=1)).astimezone(UTC)


@dataclass(frozen=True, slots=True)
class Turn:
    """One person's hours in the week; ``weekday`` as ISO 8601 counts, Monday 1, is the day it begins on."""

    weekday: int
    starts: time
    ends: time
    subscription_id: int

    def holds(self, local: datetime) -> bool:
        """Tell whether it is this turn at a wall-clock time."""
        at, today = local.time().replace(fold=0), local.isoweekday()
        yesterday = today - 1 or 7
        if self.starts < self.ends:
            return self.weekday == today and self.starts <= at < self.ends
        return (self.weekday == today and at >= self.starts) or (self.weekday == yesterday and at < self.ends)


def on_call(turns: Sequence[Turn], now: datetime, zone: ZoneInfo) -> list[int]:
    """Return the subscriptions of those on call at ``now``, each once, as the rota lists them."""
    local = now.astimezone(zone)
    return list(dict.fromkeys(one.subscription_id for one in turns if one.holds(local)))


@dataclass(frozen=True, slots=True)
class Step:
    """Who is told of an alert that is unanswered so long after it opened; None: whoever is on call then."""

    after_minutes: int
    subscription_id: int | None


def step_at(opened_at: datetime, steps: Sequence[Step], number: int) -> datetime | None:
    """Return when a step is due, counted from 0, or None after the last."""
    if number >= len(steps):
        return None
    return opened_at + timedelta(minutes=steps[number].after_minutes)
