"""Old readings are thinned to hours: nothing else is forgotten, and what is settled stays so."""

from __future__ import annotations

import random
import threading
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import func, select, text

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.stock import make_zone
from rimekeep.access.usecases import open_new_site
from rimekeep.climate import jobs, queries, usecases
from rimekeep.climate.core.hours import thinned
from rimekeep.climate.tables import Reading, ReadingHour
from rimekeep.platform import partitions
from rimekeep.platform.database import Database
from rimekeep.platform.journal import broken_links
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
DAY = timedelta(days=1)
BEGIN = NOW - 70 * DAY
KEEP_DAYS = 10
CLOSED = datetime(2026, 3, 6, tzinfo=UTC)


def wavy(mark: int) -> list[float]:
    draw = random.Random(mark)
    level, values = 4.0, []
    for _ in range(71 * 48):
        level += draw.uniform(-0.3, 0.3) - (level - 4) / 50
        values.append(round(level, 2))
    return values


@pytest.fixture
def rooms(api: Api, database: Database) -> list[Zone]:
    """Two rooms with a sensor each, seventy days of half-hourly readings at odd seconds, and a silent day in the second."""
    qa, made = api.callers["qa"], []
    with database.transaction() as session:
        for number in (1, 2):
            zone = make_zone(session, BEGIN, qa)
            make_sensor(session, BEGIN, qa, zone, code=f"s{number}", interval_s=1800)
            made.append(zone)
            values = wavy(number)
            begin = BEGIN + timedelta(seconds=211 * number)
            said = series(f"s{number}", begin, NOW - timedelta(seconds=1), 0.0, step_s=1800)
            said = [(code, at, values[place]) for place, (code, at, _) in enumerate(said)]
            if number == 2:
                said = [one for one in said if not 20 * DAY <= one[1] - BEGIN < 21 * DAY]
            say(session, NOW, qa.site_id, said)
    return made


def thin(database: Database, site_id: int, now: datetime = NOW, not_after: datetime = NOW) -> int:
    """Thin until nothing is left to thin; return in how many transactions."""
    for count in range(1000):
        with database.transaction() as session:
            done = usecases.thin_readings(session, now, site_id, keep_days=KEEP_DAYS, not_after=not_after)
        if done is None:
            return count
    raise AssertionError("it never ends")


def count(database: Database, what: type) -> int:
    with database.transaction(readonly=True) as session:
        return session.scalar(select(func.count()).select_from(what)) or 0


def history(database: Database, zone: Zone, from_at: datetime, to_at: datetime, step_s: int) -> np.ndarray:
    with database.transaction(readonly=True) as session:
        steps = queries.zone_history(session, zone.site_id, zone.id, from_at, to_at, step_s).steps
    return np.array([steps.min_c, steps.mean_c, steps.max_c, steps.bridged_s])


def test_hours_are_kept_exactly(api: Api, rooms: list[Zone], database: Database) -> None:
    site_id = api.callers["qa"].site_id
    with database.transaction(readonly=True) as session:
        heard = queries.series_by_zone(session, site_id, BEGIN - DAY, NOW)
    first = datetime(BEGIN.year, BEGIN.month, BEGIN.day, tzinfo=UTC).timestamp()
    expected = {}
    for [one] in heard.values():
        hours, counts = thinned(one, first, CLOSED.timestamp())
        for place, hour in enumerate(hours.hour.tolist()):
            figures = (hours.min_c, hours.mean_c, hours.max_c, hours.heard_s)
            expected[one.sensor_id, hour] = (
                *(float(values[place]) for values in figures),
                int(counts[place]),
            )
    assert thin(database, site_id) > 1
    with database.transaction(readonly=True) as session:
        rows = session.scalars(select(ReadingHour)).all()
        assert queries.closed_until(session, site_id) == CLOSED
    kept = {
        (row.sensor_id, row.hour): (row.min_c, row.mean_c, row.max_c, row.heard_s, row.readings)
        for row in rows
    }
    assert kept.keys() == expected.keys()
    for key, figures in kept.items():
        assert figures == pytest.approx(expected[key], rel=1e-12, abs=1e-9)
    assert thin(database, site_id) == 0


@pytest.mark.parametrize("step_s", [3600, 86_400])
def test_steps_of_whole_hours_do_not_change(
    api: Api, rooms: list[Zone], database: Database, step_s: int
) -> None:
    # Where nothing was heard for a day the line between is an estimate before and after; elsewhere to the digit.
    first = datetime(BEGIN.year, BEGIN.month, BEGIN.day, tzinfo=UTC) + DAY
    before = [history(database, zone, first, NOW, step_s) for zone in rooms]
    assert before[1][3].sum() > 20 * 3600
    thin(database, api.callers["qa"].site_id)
    after = [history(database, zone, first, NOW, step_s) for zone in rooms]
    assert after[0] == pytest.approx(before[0], abs=1e-9)
    heard = (before[1][3] == 0) & (after[1][3] == 0)
    assert heard.sum() >= (before[1].shape[1] * 0.95 if step_s == 3600 else 65)
    assert after[1][:, heard] == pytest.approx(before[1][:, heard], abs=1e-9)
    # A reading before the silence now stands for three intervals; the line across it is gone.
    assert after[1][3].sum() == pytest.approx(before[1][3].sum(), abs=5400 + 60)


def test_the_answer_marks_what_is_thinned(api: Api, rooms: list[Zone], database: Database) -> None:
    thin(database, api.callers["qa"].site_id)
    path = f"/v1/zones/{rooms[0].id}/air?from=2026-03-05T21:00:00Z&to=2026-03-06T02:00:00Z&step_s=7200"
    answer = api.as_("lead").ok("GET", path)
    assert answer["thinned_until"] == "2026-03-06T00:00:00Z"
    assert [step["thinned_s"] for step in answer["steps"]] == [7200, 3600, 0]
    assert answer["sensors"] == ["s1"]


def test_thinned_air_is_a_course_through_the_hours_and_says_so(
    api: Api, rooms: list[Zone], database: Database
) -> None:
    site_id = api.callers["qa"].site_id
    thin(database, site_id)
    from_at = CLOSED - timedelta(days=2)
    with database.transaction(readonly=True) as session:
        air = queries.zone_air(session, site_id, rooms[0].id, from_at, NOW)
        joined = queries.joined_by_zone(session, site_id, from_at, NOW)[rooms[0].id]
        means = session.execute(
            select(ReadingHour.hour, ReadingHour.mean_c).where(
                ReadingHour.sensor_id == air.sensor_ids[0], ReadingHour.hour >= from_at.timestamp() // 3600
            )
        ).all()
    assert air.thinned_s == 2 * 86_400
    assert air.bridged_total_s == 0
    assert len(means) == 48
    for hour, mean_c in means:
        assert np.interp((hour + 0.5) * 3600, air.at_s, air.temp_c) == pytest.approx(mean_c)
    assert joined.thinned_until_s == CLOSED.timestamp()
    assert (np.diff(joined.at_s) > 0).all()


def test_what_is_not_thinned_is_drawn_as_before(api: Api, rooms: list[Zone], database: Database) -> None:
    site_id = api.callers["qa"].site_id

    def recent() -> dict[int, tuple[list[float], list[float]]]:
        with database.transaction(readonly=True) as session:
            joined = queries.joined_by_zone(session, site_id, CLOSED, NOW)
        return {zone_id: (one.at_s.tolist(), one.temp_c.tolist()) for zone_id, one in joined.items()}

    before = recent()
    thin(database, site_id)
    # The last reading before the window too, though its day is thinned.
    assert recent() == before
    with database.transaction() as session:
        usecases.drop_thinned_months(session)
    assert recent() == before


def test_readings_are_removed_in_the_end(api: Api, rooms: list[Zone], database: Database) -> None:
    total = count(database, Reading)
    thin(database, api.callers["qa"].site_id)
    with database.transaction() as session:
        dropped = usecases.drop_thinned_months(session)
    left = count(database, Reading)
    if database.settings.is_sqlite:
        # Three days more than asked: they may still stand for the air after them.
        assert (dropped, left) == (0, pytest.approx((10 + 0.25 + 3) * 48 * 2, abs=4))
    else:
        with database.engine.connect() as connection:
            months = partitions.months_held(connection, "reading")
        assert dropped == 2
        assert months == partitions.months_of(
            [round(datetime(2026, m, 2, tzinfo=UTC).timestamp() * 1000) for m in (3,)]
        )
        assert left == pytest.approx(15.25 * 48 * 2, abs=4)
    assert left < total


def test_thinning_stops_where_readings_are_still_needed(
    api: Api, rooms: list[Zone], database: Database
) -> None:
    site_id = api.callers["qa"].site_id
    needed_from = BEGIN + timedelta(days=5, hours=7)
    thin(database, site_id, not_after=needed_from)
    with database.transaction(readonly=True) as session:
        assert queries.closed_until(session, site_id) == needed_from.replace(hour=0)
    first = BEGIN + 6 * DAY
    before = history(database, rooms[0], first, first + DAY, 600)
    thin(database, site_id, not_after=needed_from)
    assert history(database, rooms[0], first, first + DAY, 600) == pytest.approx(before)


def test_a_month_another_site_has_not_thinned_stays(api: Api, rooms: list[Zone], database: Database) -> None:
    with database.transaction() as session:
        other, _ = open_new_site(session, BEGIN, code="SOUTH", name="South store (invented)")
    south = type(api.callers["qa"])(0, other.id, "somebody", frozenset())
    with database.transaction() as session:
        zone = make_zone(session, BEGIN, api.callers["qa"])
        zone.site_id = other.id
        session.flush()
        make_sensor(
            session, BEGIN, type(south)(api.callers["qa"].id, other.id, "qa", frozenset()), zone, code="s1"
        )
        say(session, NOW, other.id, series("s1", BEGIN, BEGIN + DAY, 3.0))
    before = history(database, zone, BEGIN, BEGIN + DAY, 600)
    thin(database, api.callers["qa"].site_id)
    with database.transaction() as session:
        usecases.drop_thinned_months(session)
    assert history(database, zone, BEGIN, BEGIN + DAY, 600) == pytest.approx(before)
    thin(database, other.id)
    with database.transaction() as session:
        usecases.drop_thinned_months(session)
    with database.transaction(readonly=True) as session:
        assert session.scalar(select(func.min(Reading.at_ms))) >= (CLOSED - 6 * DAY).timestamp() * 1000


def test_each_thinning_is_on_record(api: Api, rooms: list[Zone], database: Database) -> None:
    slices = thin(database, api.callers["qa"].site_id)
    with database.transaction(readonly=True) as session:
        kinds = session.scalars(text("SELECT kind FROM ledger_event WHERE kind = 'readings.thinned'")).all()
        assert list(broken_links(session, api.callers["qa"].site_id)) == []
    assert 1 <= len(kinds) <= slices


def test_a_gateway_that_waits_for_a_thinning_is_told_the_books_are_closed(
    api: Api, rooms: list[Zone], database: Database
) -> None:
    site_id = api.callers["qa"].site_id
    late = ("s1", BEGIN + timedelta(days=2, seconds=7), 9.0)
    words = []

    def send() -> None:
        with database.transaction() as session:
            words.extend(usecases.take_readings(session, NOW, site_id, [late]))

    sender = threading.Thread(target=send)
    with database.transaction() as session:
        done = usecases.thin_readings(session, NOW, site_id, keep_days=KEEP_DAYS, not_after=NOW)
        assert done is not None
        assert done > late[1]
        sender.start()
        sender.join(0.5)
        assert sender.is_alive()
    sender.join(30)
    [outcome] = words
    assert outcome.is_refused
    assert "closed" in outcome.detail
    with database.transaction(readonly=True) as session:
        at_ms = round(late[1].timestamp() * 1000)
        assert session.scalar(select(Reading.at_ms).where(Reading.at_ms == at_ms)) is None


def test_a_late_reading_that_came_before_is_thinned_with_the_rest(
    api: Api, rooms: list[Zone], database: Database
) -> None:
    site_id = api.callers["qa"].site_id
    late = ("s1", BEGIN + timedelta(days=2, seconds=7), 9.0)
    with database.transaction() as session:
        [outcome] = usecases.take_readings(session, NOW, site_id, [late])
    assert not outcome.is_refused
    thin(database, site_id)
    with database.transaction(readonly=True) as session:
        hour = ReadingHour.hour == int(late[1].timestamp() // 3600)
        row = session.scalars(select(ReadingHour).where(hour).order_by(ReadingHour.sensor_id)).all()[0]
    assert (row.readings, row.max_c) == (3, 9.0)


def test_the_job_thins_every_site_and_keeps_all_when_told_so(
    api: Api, rooms: list[Zone], database: Database
) -> None:
    asked: list[int] = []

    def needed_from(_session: object, site_id: int, now: datetime) -> datetime:
        asked.append(site_id)
        return now

    database.settings = database.settings.model_copy(update={"raw_readings_days": 0})
    jobs.retain(database, NOW, needed_from=needed_from)
    assert (asked, count(database, ReadingHour)) == ([], 0)
    database.settings = database.settings.model_copy(update={"raw_readings_days": KEEP_DAYS})
    jobs.retain(database, NOW, needed_from=needed_from)
    assert set(asked) == {api.callers["qa"].site_id}
    assert count(database, ReadingHour) > 2 * 59 * 24
    with database.transaction(readonly=True) as session:
        assert queries.closed_until(session, asked[0]) == CLOSED


def test_a_site_that_never_measured_has_no_books(api: Api, database: Database) -> None:
    site_id = api.callers["qa"].site_id
    assert thin(database, site_id) == 0
    with database.transaction(readonly=True) as session:
        assert queries.closed_until(session, site_id) is None
