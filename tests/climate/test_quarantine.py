"""A logger switched to °F: its readings wait for QA, no alarm is lost meanwhile, and nothing is lost at all."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.cold import make_sensor, say, series, words
from builders.stock import make_zone
from rimekeep.climate import queries
from rimekeep.climate.tables import Sensor
from rimekeep.platform.database import Database
from rimekeep.platform.journal import OutboxMessage
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
BEGIN = NOW - timedelta(hours=6)


def minute(number: int) -> datetime:
    return BEGIN + timedelta(minutes=number)


@pytest.fixture
def zone(api: Api, database: Database) -> Zone:
    """A room at 2 °C with the sensor ``s``, which said so for an hour."""
    qa = api.callers["qa"]
    with database.transaction() as session:
        made = make_zone(session, NOW, qa)
        make_sensor(session, NOW, qa, made, code="s")
        say(session, NOW, qa.site_id, series("s", minute(0), minute(60), 2.0))
    return made


def send(api: Api, *said: tuple[int, float], **more: Any) -> list[str]:
    readings = [{"sensor": "s", "at": minute(at).isoformat(), "temp": temp, **more} for at, temp in said]
    return words(api.as_("gateway").made("/v1/readings", {"readings": readings}), len(said))


def air(api: Api, database: Database, zone: Zone) -> dict[int, float]:
    """What is held after the first hour, by minutes."""
    with database.transaction(readonly=True) as session:
        site_id = api.callers["qa"].site_id
        heard = queries.joined_by_zone(session, site_id, minute(61), NOW, zone_ids=[zone.id])[zone.id]
    held = zip(heard.at_s.tolist(), heard.temp_c.tolist(), strict=True)
    return {
        round((at_s - BEGIN.timestamp()) / 60): temp for at_s, temp in held if at_s > minute(60).timestamp()
    }


def sensor(database: Database) -> Sensor:
    with database.transaction(readonly=True) as session:
        return session.scalars(select(Sensor).where(Sensor.code == "s")).one()


def settle(api: Api, database: Database, verdict: str, ids: list[int] | None = None) -> dict[str, Any]:
    body = {
        "sensor_id": sensor(database).id,
        "verdict": verdict,
        "reading_ids": ids,
        "reason": "asked the carrier",
    }
    answer: dict[str, Any] = api.as_("qa").made("/v1/readings/quarantine/settle", body)
    return answer


def test_fahrenheit_logger_is_quarantined_and_its_neighbours_are_kept(
    api: Api, zone: Zone, database: Database
) -> None:
    # 35.6 °F are 2 °C (NIST SP 811, B.8).
    assert send(api, (70, 2.1), (80, 35.6), (90, 35.8), (100, 2.2)) == [
        "held",
        "quarantined",
        "quarantined",
        "held",
    ]
    assert air(api, database, zone) == {70: 2.1, 100: 2.2}
    waiting = api.ok("GET", "/v1/readings/quarantine")["items"]
    assert [(one["temp_c"], one["sent"], one["outcome"]) for one in waiting] == [
        (35.6, "35.6 Cel", None),
        (35.8, "35.8 Cel", None),
    ]
    assert all("within the hour" in one["reason"] for one in waiting)


def test_fault_names_place_field_and_mend(api: Api, zone: Zone) -> None:
    body = {"readings": [{"sensor": "s", "at": minute(70).isoformat(), "temp": 38}]}
    answer = api.as_("gateway").made("/v1/readings", body)
    assert (answer["stored"], answer["quarantined"], answer["refused"]) == (0, 1, 0)
    (fault,) = answer["faults"]
    assert (fault["index"], fault["outcome"], fault["field"]) == (0, "quarantined", "readings[0].temp")
    assert "unit" in fault["mend"]


def test_logger_stays_under_suspicion_batch_after_batch(api: Api, zone: Zone, database: Database) -> None:
    for at in range(70, 260, 10):
        assert send(api, (at, 38.0)) == ["quarantined"], at
    assert air(api, database, zone) == {}
    assert send(api, (260, 3.3)) == ["held"]
    assert sensor(database).last_c == 3.3


def test_sensor_in_quarantine_is_silent_to_those_who_watch(api: Api, zone: Zone, database: Database) -> None:
    """Its newest reading stays the last that was held, so its silence raises the alarm it should."""
    send(api, *((at, 38.0) for at in range(70, 130, 10)))
    held = sensor(database)
    assert held.last_at_ms == minute(60).timestamp() * 1000
    assert held.has_quarantined


def test_people_are_told_once_per_sensor_until_it_is_settled(
    api: Api, zone: Zone, database: Database
) -> None:
    def told() -> list[dict[str, Any]]:
        with database.transaction(readonly=True) as session:
            rows = session.scalars(select(OutboxMessage).where(OutboxMessage.kind == "readings.quarantined"))
            return [row.data for row in rows]

    for at in range(70, 130, 10):
        send(api, (at, 38.0))
    (notice,) = told()
    assert (notice["sensor"], notice["zone_id"], notice["temp_c"]) == ("s", zone.id, 38.0)
    settle(api, database, "discarded")
    send(api, (130, 2.0), (140, 38.0))
    assert len(told()) == 2


@pytest.mark.parametrize(
    "course",
    [
        [2.0, 6.0, 11.0, 15.0, 18.0, 20.0, 21.0, 21.5],  # a door left open to a warm dock
        [2.0, 2.6, 3.4, 4.5, 5.9, 7.6, 9.6, 12.0],  # a compressor trip overnight
        [2.0, 25.0, 25.0],  # carried out into the sun
        [2.0, -20.0, -25.0],  # a nozzle iced up and blowing
        [2.0, 60.0, 61.0],  # a fire
    ],
)
def test_no_real_alarm_is_quarantined(api: Api, zone: Zone, database: Database, course: list[float]) -> None:
    said = [(60 + 10 * number, temp) for number, temp in enumerate(course, 1)]
    assert send(api, *said) == ["held"] * len(said)
    assert list(air(api, database, zone).values()) == course


def test_fahrenheit_sent_as_fahrenheit_is_not_doubted(api: Api, zone: Zone, database: Database) -> None:
    # 100.4 °F are 38 °C: somebody says so in so many words.
    assert send(api, (70, 100.4), unit="F") == ["held"]
    assert air(api, database, zone) == {70: pytest.approx(38.0)}


def test_late_reading_is_held_against_the_one_before_its_own_time(
    api: Api, zone: Zone, database: Database
) -> None:
    assert send(api, (120, 30.0)) == ["held"]
    assert send(api, (65, 35.6)) == ["quarantined"]
    assert send(api, (115, 20.0)) == ["held"]


def test_repeat_of_a_waiting_reading_waits_once(api: Api, zone: Zone, database: Database) -> None:
    assert send(api, (70, 38.0)) == ["quarantined"]
    assert send(api, (70, 38.0), (70, 3.0)) == ["quarantined", "differs"]
    assert len(api.ok("GET", "/v1/readings/quarantine")["items"]) == 1


@pytest.mark.parametrize(
    ("verdict", "held"), [("as sent", [38.0, 37.4]), ("as fahrenheit", [10 / 3, 3.0]), ("discarded", [])]
)
def test_what_was_settled_stays_so_when_the_gateway_repeats_it(
    api: Api, zone: Zone, database: Database, verdict: str, held: list[float]
) -> None:
    send(api, (70, 38.0), (80, 37.4))
    assert settle(api, database, verdict) == {"settled": 2}
    assert list(air(api, database, zone).values()) == pytest.approx(held)
    assert send(api, (70, 38.0), (80, 37.4)) == ["held", "held"]
    assert list(air(api, database, zone).values()) == pytest.approx(held)
    assert not sensor(database).has_quarantined
    shown = api.ok("GET", "/v1/readings/quarantine?is_settled=true")["items"]
    assert [one["outcome"] for one in shown] == [verdict, verdict]
    assert shown[0]["settled_reason"] == "asked the carrier"
    assert shown[0]["settled_by_id"] == api.callers["qa"].id
    if held:
        assert sensor(database).last_c == pytest.approx(held[-1])


def test_some_can_be_settled_and_the_rest_waits(api: Api, zone: Zone, database: Database) -> None:
    send(api, (70, 38.0), (80, 37.4))
    first, second = (one["id"] for one in api.ok("GET", "/v1/readings/quarantine")["items"])
    settle(api, database, "as fahrenheit", [first])
    assert sensor(database).has_quarantined
    (left,) = api.ok("GET", "/v1/readings/quarantine?is_settled=false")["items"]
    assert left["id"] == second
    body = {"sensor_id": left["sensor_id"], "verdict": "discarded", "reading_ids": [first], "reason": "again"}
    api.as_("qa").refused("/v1/readings/quarantine/settle", body, 404, "waiting-reading-not-found")
    settle(api, database, "discarded")
    body = {**body, "reading_ids": None}
    api.as_("qa").refused("/v1/readings/quarantine/settle", body, 409, "nothing-waits")


def test_settling_is_qas_word(api: Api, zone: Zone, database: Database) -> None:
    send(api, (70, 38.0))
    body = {"sensor_id": sensor(database).id, "verdict": "discarded", "reason": "no unit"}
    for role in ("lead", "gateway", "picker", "auditor"):
        assert api.as_(role).post("/v1/readings/quarantine/settle", body).status_code == 403
    wrong = api.as_("qa").refused(
        "/v1/readings/quarantine/settle", {**body, "verdict": "maybe"}, 422, "invalid-input"
    )
    assert wrong["errors"][0]["field"] == "verdict"


def test_what_is_taken_from_quarantine_leaves_word_of_the_change(
    api: Api, zone: Zone, database: Database
) -> None:
    from rimekeep.climate import usecases

    send(api, (70, 38.0), (80, 2.0))
    with database.transaction() as session:
        site_id = api.callers["qa"].site_id
        usecases.forget_air_changes(session, [one.id for one in queries.air_changes(session, site_id)])
    settle(api, database, "as fahrenheit")
    with database.transaction(readonly=True) as session:
        (change,) = queries.air_changes(session, site_id)
    assert (change.from_ms, change.until_ms) == (minute(60).timestamp() * 1000, minute(80).timestamp() * 1000)


def test_a_logger_in_fahrenheit_from_its_first_word_cannot_be_told(
    api: Api, zone: Zone, database: Database
) -> None:
    with database.transaction() as session:
        qa = api.callers["qa"]
        make_sensor(session, NOW, qa, zone, code="new")
        say(session, NOW, qa.site_id, series("new", minute(0), minute(60), 35.6))
