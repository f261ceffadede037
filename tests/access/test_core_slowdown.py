"""How fast passwords may be tried: never not at all."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.access.core.slowdown import FORGOTTEN_AFTER, PACES, Way, left, wait_s

AT = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("failures", "waits_s"), [(0, 0), (4, 0), (5, 2), (6, 4), (9, 32), (13, 512), (14, 900), (1000, 900)]
)
def test_each_failure_more_doubles_the_wait_up_to_a_quarter_of_an_hour(failures: int, waits_s: int) -> None:
    assert wait_s(Way.NAME, failures, AT, AT) == waits_s


def test_a_known_browser_waits_a_minute_at_most() -> None:
    assert max(wait_s(Way.DEVICE, failures, AT, AT) for failures in range(200)) == 60


@given(st.sampled_from(Way), st.integers(0, 10**6), st.integers(0, 10**5))
def test_whoever_waits_as_told_is_looked_at(way: Way, failures: int, later_s: int) -> None:
    waits_s = wait_s(way, failures, AT, AT + timedelta(seconds=later_s))
    assert 0 <= waits_s <= PACES[way].most_s
    assert wait_s(way, failures, AT, AT + timedelta(seconds=later_s + waits_s)) == 0


def test_a_day_later_nothing_counts_any_more() -> None:
    assert wait_s(Way.NAME, 50, AT, AT + FORGOTTEN_AFTER) == 0
    assert (left(Way.NAME, 3), left(Way.NAME, 9)) == (2, 0)
