"""QA corrects what a sensor said: with a reason, the value before staying on record, gateways being told the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from builders.api import Api
from builders.cold import make_sensor, say, words
from builders.grounds import Clock
from builders.stock import make_zone
from rimekeep.climate import queries
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Zone

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
TIMES = [NOW - timedelta(minutes=10 * number) for number in (50, 40, 30, 20, 10)]


@pytest.fixture
def zone(api: Api, database: Database) -> Zone:
    """A room with the sensor ``s``, which said 3, 4, 5, 6 and 7 °C ten minutes apart."""
    qa = api.callers["qa"]
    with database.transaction() as session:
        made = make_zone(session, NOW, qa)
        make_sensor(session, NOW, qa, made, code="s")
        say(session, NOW, qa.site_id, [("s", at, 3.0 + number) for number, at in enumerate(TIMES)])
    return made


def air(api: Api, database: Database, zone: Zone) -> list[float]:
    with database.transaction(readonly=True) as session:
        site_id = api.callers["qa"].site_id
        heard = queries.joined_by_zone(session, site_id, TIMES[0], NOW, zone_ids=[zone.id])
        return [] if zone.id not in heard else heard[zone.id].temp_c.tolist()


def correct(api: Api, *items: tuple[datetime, Any], **more: Any) -> list[dict[str, Any]]:
    body = {
        "corrections": [{"sensor": "s", "at": at.isoformat(), "temp": temp, **more} for at, temp in items],
        "reason": "the probe lay in the sun",
    }
    items_told: list[dict[str, Any]] = api.as_("qa").made("/v1/readings/corrections", body)["items"]
    return items_told


def send(api: Api, at: datetime, temp: float) -> list[str]:
    body = {"readings": [{"sensor": "s", "at": at.isoformat(), "temp": temp}]}
    return words(api.as_("gateway").made("/v1/readings", body), 1)


def test_corrected_reading_forms_the_air_and_the_old_value_stays_on_record(
    api: Api, zone: Zone, database: Database
) -> None:
    (told,) = correct(api, (TIMES[1], 3.5))
    assert (told["outcome"], told["before_c"], told["after_c"]) == ("corrected", 4.0, 3.5)
    assert air(api, database, zone) == [3.0, 3.5, 5.0, 6.0, 7.0]
    (held,) = api.ok("GET", "/v1/readings/corrections")["items"]
    assert (held["sensor"], held["before_c"], held["after_c"]) == ("s", 4.0, 3.5)
    assert held["reason"] == "the probe lay in the sun"
    assert held["author_id"] == api.callers["qa"].id
    assert datetime.fromisoformat(held["at"]) == TIMES[1]


def test_struck_out_reading_forms_the_air_no_longer_and_never_comes_back_by_itself(
    api: Api, zone: Zone, database: Database
) -> None:
    assert [one["outcome"] for one in correct(api, (TIMES[4], None), (TIMES[2], None))] == ["struck out"] * 2
    assert air(api, database, zone) == [3.0, 4.0, 6.0]
    # The gateway repeats itself, in the middle and at the end: taken note of, not stored.
    assert send(api, TIMES[4], 7.0) == ["held"]
    assert send(api, TIMES[2], 5.0) == ["held"]
    assert send(api, TIMES[2], 5.5) == ["differs"]
    assert air(api, database, zone) == [3.0, 4.0, 6.0]
    # The newest that is left is the newest: what the room shows now, and what later ones follow.
    assert api.ok("GET", "/v1/air")["items"][0]["temp_c"] == 6.0
    assert send(api, NOW, 8.0) == ["held"]
    assert air(api, database, zone) == [3.0, 4.0, 6.0, 8.0]


def test_correcting_a_struck_out_reading_puts_one_back(api: Api, zone: Zone, database: Database) -> None:
    correct(api, (TIMES[2], None))
    (told,) = correct(api, (TIMES[2], 5.5))
    assert (told["outcome"], told["before_c"], told["after_c"]) == ("restored", None, 5.5)
    assert air(api, database, zone) == [3.0, 4.0, 5.5, 6.0, 7.0]
    assert [one["after_c"] for one in api.ok("GET", "/v1/readings/corrections")["items"]] == [None, 5.5]


def test_gateway_that_repeats_the_old_value_is_not_told_off_and_changes_nothing(
    api: Api, zone: Zone, database: Database
) -> None:
    correct(api, (TIMES[1], 3.5))
    assert send(api, TIMES[1], 4.0) == ["held"]
    assert send(api, TIMES[1], 3.5) == ["held"]
    assert send(api, TIMES[1], 9.0) == ["differs"]
    assert air(api, database, zone) == [3.0, 3.5, 5.0, 6.0, 7.0]


def test_corrections_are_answered_one_by_one(api: Api, zone: Zone, database: Database) -> None:
    told = correct(
        api,
        (TIMES[0], 3.0),
        (TIMES[1], 3.5),
        (TIMES[1], 3.6),
        (NOW, 3.0),
        (TIMES[2], -61.0),
        (TIMES[3], 6.5),
    )
    assert [one["outcome"] for one in told] == [
        "unchanged",
        "corrected",
        "twice",
        "no reading",
        "not a temperature",
        "corrected",
    ]
    for index, one in enumerate(told):
        if one["outcome"] not in ("unchanged", "corrected"):
            assert one["field"].startswith(f"corrections[{index}].")
            assert one["detail"]
            assert one["mend"]
    assert air(api, database, zone) == [3.0, 3.5, 5.0, 6.5, 7.0]


def test_correction_in_fahrenheit_is_understood(api: Api, zone: Zone, database: Database) -> None:
    # NIST SP 811, B.8: 41 °F are 5 °C.
    (told,) = correct(api, (TIMES[0], 41.0), unit="F")
    assert told["after_c"] == 5.0


def test_correction_needs_qa_and_a_reason(api: Api, zone: Zone) -> None:
    body = {
        "corrections": [{"sensor": "s", "at": TIMES[0].isoformat(), "temp": 3.5}],
        "reason": "probe moved",
    }
    assert api.as_("lead").post("/v1/readings/corrections", body).status_code == 403
    assert api.as_("gateway").post("/v1/readings/corrections", body).status_code == 403
    problem = api.as_("qa").refused("/v1/readings/corrections", {**body, "reason": ""}, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "reason"


def test_corrections_are_paged_by_sensor(api: Api, zone: Zone, database: Database) -> None:
    qa = api.callers["qa"]
    with database.transaction() as session:
        other = make_sensor(session, NOW, qa, zone, code="t")
        say(session, NOW, qa.site_id, [("t", TIMES[0], 3.0)])
        found = queries.sensors(qa.site_id)[0]
        own = next(one for one in session.scalars(found) if one.code == "s")
    correct(api, *((at, 2.0) for at in TIMES))
    correct(api, (TIMES[0], 1.0), sensor="t")
    assert len(api.ok("GET", f"/v1/readings/corrections?sensor_id={other.id}")["items"]) == 1
    page = api.ok("GET", f"/v1/readings/corrections?sensor_id={own.id}&limit=3")
    assert len(page["items"]) == 3
    rest = api.ok("GET", f"/v1/readings/corrections?sensor_id={own.id}&cursor={page['next_cursor']}")
    assert len(rest["items"]) == 2


def test_correction_stands_in_the_ledger(api: Api, zone: Zone, database: Database, clock: Clock) -> None:
    correct(api, (TIMES[1], 3.5))
    from sqlalchemy import select

    from rimekeep.platform.journal import LedgerEvent

    with database.transaction(readonly=True) as session:
        event = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "readings.corrected")).one()
    assert event.reason == "the probe lay in the sun"
    assert event.data["readings"] == [[int(TIMES[1].timestamp() * 1000), 4.0, 3.5]]
