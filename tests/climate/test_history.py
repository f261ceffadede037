"""A room's past in steps: the same as all its readings say, however it is read."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import uuid4

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.grounds import Clock
from builders.stock import make_zone
from rimekeep.climate import queries
from rimekeep.climate.queries import history
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
BEGIN = NOW - timedelta(days=3)
LIMIT_S = 1800.0


@pytest.fixture
def zone(api: Api, database: Database) -> Zone:
    """A room with two sensors, ``first`` and ``second`` in rank."""
    with database.transaction() as session:
        made = make_zone(session, NOW, api.callers["qa"])
        make_sensor(session, BEGIN, api.callers["qa"], made, code="first")
        make_sensor(session, BEGIN, api.callers["qa"], made, code="second", rank=2)
    return made


def by_hand(first: dict[float, float], second: dict[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Times and values of the room's air: the second sensor only where the first is silent."""
    mine = sorted(first)
    joined = dict(first)
    for at, value in second.items():
        before = max((one for one in mine if one <= at), default=-np.inf)
        after = min((one for one in mine if one >= at), default=np.inf)
        is_over = after < np.inf or max(second) > before + LIMIT_S
        if after - before > LIMIT_S and is_over:
            joined.setdefault(at, value)
    times = np.array(sorted(joined))
    return times, np.array([joined[at] for at in times])


def readings(least: int) -> st.SearchStrategy[dict[int, float]]:
    """Minutes since BEGIN and °C."""
    return st.dictionaries(
        st.integers(0, 3 * 24 * 60), st.integers(-50, 90).map(lambda c: c / 10), min_size=least, max_size=60
    )


@settings(
    max_examples=15,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
)
@given(
    readings(1),
    readings(0),
    st.integers(0, 70),
    st.integers(1, 30),
    st.sampled_from([60, 600, 3600, 7200, 86_400]),
)
def test_steps_equal_those_made_from_all_readings(
    api: Api,
    database: Database,
    monkeypatch: pytest.MonkeyPatch,
    first: dict[int, float],
    second: dict[int, float],
    from_h: int,
    length_h: int,
    step_s: int,
) -> None:
    # Small parts, so that steps are put together from several of them.
    monkeypatch.setattr(history, "LONGEST_S", 5 * 3600)
    mark, qa = uuid4().hex, api.callers["qa"]
    with database.transaction() as session:
        zone = make_zone(session, NOW, qa)
        for rank, said in enumerate((first, second), 1):
            make_sensor(session, BEGIN, qa, zone, code=f"{mark}-{rank}", rank=rank)
            sent = [(f"{mark}-{rank}", BEGIN + timedelta(minutes=at), c) for at, c in said.items()]
            say(session, NOW, qa.site_id, sent)
    from_at = BEGIN + timedelta(hours=from_h)
    to_at = min(from_at + timedelta(hours=length_h), NOW)
    with database.transaction(readonly=True) as session:
        found = queries.zone_history(session, qa.site_id, zone.id, from_at, to_at, step_s)
    zero = BEGIN.timestamp()
    times, temps = by_hand(
        {zero + 60 * at: c for at, c in first.items()}, {zero + 60 * at: c for at, c in second.items()}
    )
    start, stop = from_at.timestamp(), to_at.timestamp()
    edges = [*np.arange(start, stop, step_s).tolist(), stop]
    assert found.steps.at_s.tolist() == edges[:-1]
    for place, (low, high) in enumerate(pairwise(edges)):
        at = np.array([low, *times[(times > low) & (times < high)], high])
        course = np.interp(at, times, temps)
        assert found.steps.min_c[place] == pytest.approx(course.min())
        assert found.steps.max_c[place] == pytest.approx(course.max())
        assert found.steps.mean_c[place] == pytest.approx(np.trapezoid(course, at) / (high - low), abs=1e-6)
    silent = [(a, b) for a, b in pairwise(times) if b - a > LIMIT_S]
    silent += [(start, times[0])] if start < times[0] - LIMIT_S else []
    silent += [(times[-1], stop)] if stop > times[-1] + LIMIT_S else []
    inside = sorted((max(a, start), min(b, stop)) for a, b in silent if max(a, start) < min(b, stop))
    if start >= times[0] and stop <= times[-1]:
        # Two silences with one reading between are shown as one stretch.
        ends = {b for _, b in inside} & {a for a, _ in inside}
        shown = zip(
            [a for a, _ in inside if a not in ends], [b for _, b in inside if b not in ends], strict=True
        )
        assert [tuple(one) for one in found.bridged_s.tolist()] == list(shown)
        assert found.steps.bridged_s.sum() == pytest.approx(sum(b - a for a, b in inside))


def fill(api: Api, database: Database) -> None:
    with database.transaction() as session:
        hours = (NOW - BEGIN).total_seconds() / 3600
        assert hours == 72
        say(session, NOW, api.callers["qa"].site_id, series("first", BEGIN, NOW, lambda h: 4 + (h % 24) / 10))


def test_a_day_is_a_step_of_its_own_length(api: Api, zone: Zone, database: Database) -> None:
    fill(api, database)
    answer = api.as_("lead").ok(
        "GET", f"/v1/zones/{zone.id}/air?from=2026-03-13T06:00:00Z&to=2026-03-16T06:00:00Z&step_s=86400"
    )
    assert [step["at"] for step in answer["steps"]] == [f"2026-03-{day}T06:00:00Z" for day in (13, 14, 15)]
    # A saw tooth from 4.0 up to 4 + 23.8333/10 and back within ten minutes: own arithmetic.
    top = 4 + (24 - 1 / 6) / 10
    rise, fall = (24 - 1 / 6) * (4 + top) / 2, 1 / 6 * (4 + top) / 2
    assert answer["steps"][1]["mean_c"] == pytest.approx((rise + fall) / 24, abs=1e-3)
    assert (answer["steps"][1]["min_c"], answer["steps"][1]["max_c"]) == (4.0, round(top, 3))
    assert (answer["sensors"], answer["thinned_until"], answer["bridged"]) == (["first"], None, [])


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("from=2026-03-16T06:00:00Z&to=2026-03-16T06:00:00Z", "from"),
        ("from=2026-03-16T07:00:00Z", "from"),
        ("from=1999-03-16T06:00:00Z", "from"),
        ("from=2026-03-01T06:00:00Z&step_s=60", "step_s"),
        ("step_s=59", "step_s"),
        ("step_s=604801", "step_s"),
        ("from=2026-03-01T06:00:00", "from"),
    ],
)
def test_windows_nobody_can_mean_are_refused_with_the_field(
    api: Api, zone: Zone, query: str, field: str
) -> None:
    answer = api.as_("lead").get(f"/v1/zones/{zone.id}/air?{query}")
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == [field]


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_table_says_what_the_steps_say_and_who_said_it(
    api: Api, zone: Zone, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(api, database)
    with database.transaction() as session:
        # The first sensor falls silent at the end of the first day; the second goes on for it.
        say(session, NOW, api.callers["qa"].site_id, series("second", BEGIN, NOW, 6.0))
    monkeypatch.setattr(history, "STEPS_AT_ONCE", 7)
    query = "from=2026-03-13T06:00:00Z&to=2026-03-15T06:30:00Z&step_s=3600"
    lead = api.as_("lead")
    steps = lead.ok("GET", f"/v1/zones/{zone.id}/air?{query}")["steps"]
    answer = lead.get(f"/v1/zones/{zone.id}/air.csv?{query}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer.headers["content-disposition"]
    lines = table(answer.text)
    assert len(lines) == len(steps) == 49
    for line, step in zip(lines, steps, strict=True):
        assert line["at"] == step["at"]
        assert [float(line[name]) for name in ("min_c", "mean_c", "max_c")] == [
            step["min_c"],
            step["mean_c"],
            step["max_c"],
        ]
        assert (int(line["bridged_s"]), int(line["thinned_s"])) == (step["bridged_s"], step["thinned_s"])
        assert (line["sensors"], line["offsets_c"]) == ("first", "0")


def test_the_table_names_every_sensor_that_stood_in(api: Api, zone: Zone, database: Database) -> None:
    site_id = api.callers["qa"].site_id
    with database.transaction() as session:
        say(session, NOW, site_id, series("first", NOW - timedelta(hours=6), NOW - timedelta(hours=4), 3.0))
        say(session, NOW, site_id, series("second", NOW - timedelta(hours=6), NOW, 5.0))
    answer = api.as_("lead").get(f"/v1/zones/{zone.id}/air.csv?from=2026-03-16T00:00:00Z&step_s=3600")
    assert [line["sensors"] for line in table(answer.text)] == [
        "first",
        "first",
        "first second",
        *["second"] * 3,
    ]


def test_the_table_of_a_room_nobody_measured_shows_the_plan(api: Api, zone: Zone) -> None:
    lines = table(api.as_("lead").get(f"/v1/zones/{zone.id}/air.csv?step_s=3600").text)
    assert len(lines) == 24
    assert {(line["mean_c"], line["bridged_s"], line["sensors"]) for line in lines} == {
        (f"{zone.planned_c:.3f}", "3600", "")
    }


def test_the_table_may_be_longer_than_an_answer_in_one_piece(
    api: Api, zone: Zone, database: Database
) -> None:
    fill(api, database)
    query = "from=2026-03-09T06:00:00Z&step_s=60"
    lead = api.as_("lead")
    assert lead.get(f"/v1/zones/{zone.id}/air?{query}").status_code == 422
    assert len(table(lead.get(f"/v1/zones/{zone.id}/air.csv?{query}").text)) == 7 * 24 * 60
    too_long = lead.get(f"/v1/zones/{zone.id}/air.csv?from=2020-03-13T06:00:00Z&step_s=60")
    assert (too_long.status_code, too_long.json()["errors"][0]["field"]) == (422, "step_s")


def test_no_table_of_a_room_that_is_not_there(api: Api) -> None:
    assert api.as_("lead").get("/v1/zones/99/air.csv").status_code == 404


def test_readings_are_listed_page_by_page_as_they_are_held(
    api: Api, zone: Zone, database: Database, clock: Clock
) -> None:
    said = series("first", NOW - timedelta(hours=2), NOW, lambda h: 3 + h)
    with database.transaction() as session:
        say(session, NOW, api.callers["qa"].site_id, said)
    lead = api.as_("lead")
    [sensor_id] = [one["id"] for one in lead.ok("GET", "/v1/sensors")["items"] if one["code"] == "first"]
    found: list[Any] = []
    path: str | None = f"/v1/sensors/{sensor_id}/readings?limit=5"
    while path is not None:
        page = lead.ok("GET", path)
        found += page["items"]
        cursor = page["next_cursor"]
        path = f"/v1/sensors/{sensor_id}/readings?limit=5&cursor={cursor}" if cursor else None
    assert [(one["at"], one["temp_c"]) for one in found] == [
        (at.isoformat().replace("+00:00", "Z"), pytest.approx(temp_c)) for _, at, temp_c in said
    ]
    assert {(one["received_at"], one["is_corrected"]) for one in found} == {("2026-03-16T06:00:00Z", False)}
    window = "from=2026-03-16T04:10:00Z&to=2026-03-16T04:30:00Z"
    part = lead.ok("GET", f"/v1/sensors/{sensor_id}/readings?{window}")["items"]
    assert [one["at"] for one in part] == ["2026-03-16T04:10:00Z", "2026-03-16T04:20:00Z"]
    wish = {"sensor": "first", "at": "2026-03-16T04:10:00Z", "temp": 2.5}
    api.as_("qa").made("/v1/readings/corrections", {"corrections": [wish], "reason": "probe in the hand"})
    part = lead.ok("GET", f"/v1/sensors/{sensor_id}/readings?{window}")["items"]
    assert [one["is_corrected"] for one in part] == [True, False]
    assert part[0]["temp_c"] == 2.5
    assert lead.get("/v1/sensors/99/readings").status_code == 404
