"""The pure rules: how grave, what is one alert, when it is quiet, who is on call, when it is tried again."""

from __future__ import annotations

import ast
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

import rimekeep
from rimekeep.alerts.core.duty import Step, Turn, on_call, quiet_end, step_at
from rimekeep.alerts.core.gather import Opened, alert_for, goes_at_once
from rimekeep.alerts.core.kinds import GATHER, KINDS, Severity, Wanted, kind_of, severity_of
from rimekeep.alerts.core.letters import Purpose, Said, as_mail, content
from rimekeep.alerts.core.schedule import LONGEST_ASKED, MAX_ATTEMPTS, wait_after
from rimekeep.alerts.core.signing import RETRY_DELAYS
from rimekeep.alerts.core.targets import mailbox_of
from rimekeep.alerts.schemas import Kind as KindAsked
from rimekeep.errors import Invalid

PRAGUE = ZoneInfo("Europe/Prague")
NOW = datetime(2026, 3, 16, 6, tzinfo=UTC)


def announced_kinds() -> set[str]:
    """Every kind the code announces: the first argument of each Notice."""
    found = set()
    for path in Path(rimekeep.__file__).parent.glob("**/usecases/**/*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Notice":
                assert isinstance(node.args[0], ast.Constant), f"{path}: a kind that is not written out"
                found.add(node.args[0].value)
    return found


def test_every_kind_of_notice_has_a_stated_severity() -> None:
    assert announced_kinds() == set(KINDS)
    asked: TypeAdapter[str] = TypeAdapter(KindAsked)
    assert [asked.validate_python(kind) for kind in KINDS] == list(KINDS), "each can be asked for by name"


def test_an_excursion_is_as_grave_as_its_rule_says_and_its_end_wakes_nobody() -> None:
    for own in ("info", "warning", "critical"):
        assert severity_of("excursion.opened", {"severity": own}) == own
        assert severity_of("excursion.ended", {"severity": own}) == "info"
    assert severity_of("excursion.opened", {"severity": "grave"}) == "warning"
    assert severity_of("something.new", {}) == "warning"


def test_what_is_wanted_is_told_by_kind_zone_and_severity() -> None:
    wanted = Wanted(frozenset({"a.b"}), frozenset({7}), Severity.WARNING)
    assert wanted.takes("a.b", Severity.WARNING, 7)
    assert wanted.takes("a.b", Severity.CRITICAL, None)
    assert not wanted.takes("a.b", Severity.CRITICAL, 8)
    assert not wanted.takes("a.b", Severity.INFO, 7)
    assert not wanted.takes("a.c", Severity.CRITICAL, 7)


@given(st.lists(st.tuples(st.integers(0, 3600), st.sampled_from([1, 2, None])), max_size=40))
def test_one_room_s_trouble_is_one_alert_for_a_quarter_of_an_hour(said: list[tuple[int, int | None]]) -> None:
    """In order of time, whatever the times: each alert spans less than the window, and no two of a room overlap."""
    opened: list[Opened] = []
    members: dict[int, list[datetime]] = {}
    for after_s, zone_id in sorted(said, key=lambda one: one[0]):
        at = NOW + timedelta(seconds=after_s)
        joined = alert_for("excursion.opened", zone_id, at, opened)
        if joined is None:
            joined = Opened(len(opened), "cold", zone_id, at)
            opened.append(joined)
        members.setdefault(joined.id, []).append(at)
    for one in opened:
        assert max(members[one.id]) - one.at < GATHER
        assert one.zone_id is not None or len(members[one.id]) == 1
    for zone_id in (1, 2):
        starts = [one.at for one in opened if one.zone_id == zone_id]
        assert all(b - a >= GATHER for a, b in pairwise(starts))


def test_other_families_and_kinds_that_do_not_gather_stand_alone() -> None:
    opened = [Opened(1, "cold", 7, NOW), Opened(2, "counts", 7, NOW)]
    assert alert_for("excursion.ended", 7, NOW, opened) is opened[0]
    assert alert_for("readings.quarantined", 7, NOW, opened) is None
    assert not kind_of("count.differs").gathers
    assert alert_for("count.differs", 7, NOW, opened) is None


def test_only_what_is_graver_than_all_that_was_told_does_not_wait() -> None:
    assert goes_at_once(Severity.INFO, None)
    assert goes_at_once(Severity.CRITICAL, Severity.WARNING)
    assert not goes_at_once(Severity.CRITICAL, Severity.CRITICAL)
    assert not goes_at_once(Severity.INFO, Severity.CRITICAL)


@pytest.mark.parametrize(
    ("now", "starts", "ends", "expected"),
    [
        # Prague is at UTC+1 until 2026-03-29 01:00 UTC, at UTC+2 after it (IANA time zone database).
        ("2026-03-16T20:59", "22:00", "06:00", None),
        ("2026-03-16T21:00", "22:00", "06:00", "2026-03-17T05:00"),
        ("2026-03-17T04:59", "22:00", "06:00", "2026-03-17T05:00"),
        ("2026-03-17T05:00", "22:00", "06:00", None),
        ("2026-03-28T23:00", "22:00", "06:00", "2026-03-29T04:00"),
        ("2026-10-24T22:00", "22:00", "06:00", "2026-10-25T05:00"),
        # From 01:00 to 02:00 UTC the clocks show once more what they showed the hour before.
        ("2026-10-24T22:00", "22:00", "02:30", "2026-10-25T00:30"),
        ("2026-10-25T00:40", "22:00", "02:30", None),
        ("2026-10-25T01:10", "22:00", "02:30", "2026-10-25T01:30"),
        ("2026-03-16T12:30", "13:00", "14:00", "2026-03-16T13:00"),
        ("2026-03-16T13:00", "13:00", "14:00", None),
    ],
)
def test_quiet_hours_are_hours_of_the_site_s_clocks(
    now: str, starts: str, ends: str, expected: str | None
) -> None:
    found = quiet_end(
        datetime.fromisoformat(f"{now}+00:00"), time.fromisoformat(starts), time.fromisoformat(ends), PRAGUE
    )
    assert found == (expected and datetime.fromisoformat(f"{expected}+00:00"))


def test_a_turn_over_midnight_belongs_to_the_day_it_begins_on() -> None:
    week = [Turn(7, time(18), time(6), 1), Turn(1, time(6), time(18), 2), Turn(1, time(17), time(19), 1)]
    sunday = datetime(2026, 3, 15, tzinfo=UTC)  # 2026-03-15 is a Sunday
    hours = {17: [], 18: [1], 23: [1], 24 + 5: [1], 24 + 6: [2], 24 + 17: [2, 1], 24 + 18: [1], 24 + 19: []}
    for hour, expected in hours.items():
        assert on_call(week, sunday + timedelta(hours=hour), ZoneInfo("UTC")) == expected, hour


def test_steps_are_counted_from_the_opening() -> None:
    steps = [Step(0, None), Step(15, 3)]
    assert [step_at(NOW, steps, n) for n in range(3)] == [NOW, NOW + timedelta(minutes=15), None]


def test_what_a_receiver_asks_for_lengthens_the_wait_within_bounds() -> None:
    def wait(failures: int, asked_s: float | None) -> timedelta:
        found = wait_after(failures, message_id="m", subscription_id=1, retry_after_s=asked_s)
        assert found is not None
        return found

    plain = wait(1, None)
    assert RETRY_DELAYS[1] <= plain <= RETRY_DELAYS[1] * 1.1
    assert wait(1, 0) == wait(1, 3) == plain
    assert wait(1, 600) == timedelta(seconds=600)
    assert wait(1, 10**9) == LONGEST_ASKED == timedelta(hours=24)
    assert wait(9, 10**9) >= wait(9, None)
    assert wait_after(MAX_ATTEMPTS, message_id="m", subscription_id=1, retry_after_s=5) is None


@pytest.mark.parametrize(
    "url",
    ["mailto:", "mailto:a", "mailto:a@b@c", "mailto:a@b?bcc=c@d", "mailto:a@b,c@d", "mailto:a@b%0aBcc:c@d", "mailto:@b",
     "mailto:a@-b.example", "mailto:\u00e9@b.example", f"mailto:{'a' * 65}@b.example", "mailto:a@" + "b." * 130 + "c"],
)  # fmt: skip
def test_a_mailbox_is_one_and_carries_nothing_else(url: str) -> None:
    with pytest.raises(Invalid):
        mailbox_of(url)


def test_a_mail_says_in_its_subject_what_where_and_how_grave() -> None:
    notices = [
        Said(n, "excursion.opened", NOW, {"zone": "COLD", "n": n, "note": "two\nlines", "count": 9})
        for n in (1, 2)
    ]
    first = content(Purpose.FIRST, 5, Severity.CRITICAL, NOW, notices[:1], count=1)
    subject, text = as_mail(first, "NORTH")
    assert subject == "[NORTH] critical: excursion.opened in COLD"
    assert "  n: 1\n  note: two lines\n" in text
    gathered = content(Purpose.GATHERED, 5, Severity.CRITICAL, NOW, notices, count=3)
    subject, text = as_mail(gathered, "NORTH")
    assert subject == "[NORTH] critical: also: excursion.opened (3) in COLD"
    assert text.endswith("and 1 more\n")
