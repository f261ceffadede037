"""Where a lot went, told over HTTP, and a balance that is right to the case or shows what is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, few, instance, make_day, register_fleet
from builders.stock import make_lot, make_unit
from rimekeep.access.usecases import open_new_site
from rimekeep.platform.database import Database
from rimekeep.tracing.core.balance import Balance

DECK = few(instance("deck_s1_basic"))
# Two stops of two pallets, one case each, of one product and lot; 40 cases more stay here.
SENT, KEPT = 4, 40


@dataclass(frozen=True)
class Traced:
    """A lot of which a part has left."""

    lot_id: int
    kept_sscc: str
    kept_content_id: int


def sent_off(api: Api, database: Database, clock: Clock) -> Traced:
    day = make_day(api, database, clock.now, DECK)
    lot_id = api.ok("GET", f"/v1/units/{day.ssccs['A'][0]}")["contents"][0]["lot_id"]
    with database.transaction() as session:
        unit = make_unit(session, clock.now, api.callers["lead"], contents=[(lot_id, KEPT)])
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})
    trip = desk.made(f"/v1/load-plans/{plan['id']}/confirm")["trips"][0]["id"]
    due = api.ok("GET", f"/v1/trips/{trip}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip}/load", {"scan": due[0]["sscc"]})["next"]
    desk.made(f"/v1/trips/{trip}/depart")
    content = api.ok("GET", f"/v1/units/{unit.sscc}")["contents"][0]
    return Traced(lot_id, unit.sscc, content["id"])


GROUNDS = {"traced": sent_off}


@pytest.fixture
def traced(ground: Any) -> Traced:
    """Two stops were sent their pallets; the rest of the lot stayed."""
    found: Traced = ground
    return found


def trace(api: Api, lot_id: int) -> dict[str, Any]:
    found: dict[str, Any] = api.as_("qa").ok("GET", f"/v1/lots/{lot_id}/trace")
    return found


def adjust(api: Api, traced: Traced, cases: int) -> None:
    api.as_("lead").made(
        f"/v1/units/{traced.kept_sscc}/adjust",
        {"content_id": traced.kept_content_id, "cases": cases, "reason": "three cases broken"},
    )


def test_everybody_who_got_cases_of_a_lot_is_named(api: Api, traced: Traced) -> None:
    left = trace(api, traced.lot_id)["departures"]
    assert sorted((one["customer"], one["cases"]) for one in left) == [("A", 1), ("A", 1), ("B", 1), ("B", 1)]
    assert len({one["sscc"] for one in left}) == SENT
    assert traced.kept_sscc not in {one["sscc"] for one in left}
    orders = {one["customer"]: one["order"] for one in left}
    assert len(set(orders.values())) == 2
    assert len({one["trip_id"] for one in left}) == 1


def test_balance_counts_what_was_made_what_is_here_and_what_left(api: Api, traced: Traced) -> None:
    assert trace(api, traced.lot_id)["balance"] == {
        "made": SENT + KEPT,
        "at_site": KEPT,
        "departed": SENT,
        "adjusted": 0,
        "difference": 0,
    }


def test_an_adjustment_with_a_reason_keeps_the_balance(api: Api, traced: Traced) -> None:
    adjust(api, traced, KEPT - 3)
    balance = trace(api, traced.lot_id)["balance"]
    assert (balance["at_site"], balance["adjusted"], balance["difference"]) == (KEPT - 3, -3, 0)
    adjust(api, traced, KEPT + 1)
    balance = trace(api, traced.lot_id)["balance"]
    assert (balance["at_site"], balance["adjusted"], balance["difference"]) == (KEPT + 1, 1, 0)


@pytest.mark.parametrize("taken", [7, -2])
def test_cases_changed_behind_the_records_back_are_shown_as_a_difference(
    api: Api, database: Database, traced: Traced, taken: int
) -> None:
    with database.transaction() as session:
        session.execute(
            text("UPDATE unit_content SET cases = cases - :taken WHERE id = :id"),
            {"taken": taken, "id": traced.kept_content_id},
        )
    assert trace(api, traced.lot_id)["balance"]["difference"] == taken


def test_a_lot_that_never_moved_has_no_departures(api: Api, database: Database, clock: Clock) -> None:
    with database.transaction() as session:
        lot = make_lot(session, clock.now, api.callers["lead"])
    found = trace(api, lot.id)
    assert found["departures"] == []
    assert found["balance"]["difference"] == 0


def test_events_of_a_lot_come_in_pages_in_order_each_once(api: Api, traced: Traced) -> None:
    adjust(api, traced, KEPT - 3)
    address = f"/v1/lots/{traced.lot_id}/events"
    whole = api.ok("GET", address)["items"]
    kinds = [one["kind"] for one in whole]
    assert (kinds[0], kinds[-1], kinds.count("unit.departed")) == ("lot.registered", "cases.adjusted", SENT)
    assert whole[-1]["reason"] == "three cases broken"
    assert [one["seq"] for one in whole] == sorted({one["seq"] for one in whole})
    gathered: list[dict[str, Any]] = []
    response = api.get(address, params={"limit": 2})
    while True:
        page = response.json()
        gathered += page["items"]
        if page["next_cursor"] is None:
            break
        assert len(page["items"]) == 2
        assert 'rel="next"' in response.headers["Link"]
        response = api.get(address, params={"limit": 2, "cursor": page["next_cursor"]})
    assert gathered == whole


def test_another_sites_lot_is_not_there(api: Api, database: Database, clock: Clock, traced: Traced) -> None:
    with database.transaction() as session:
        _, token = open_new_site(
            session, clock.now, code="SOUTH", name="South store (invented)", company_prefix="9529999"
        )
    other = Api(api.app, {"admin": token}, {})
    for address in (f"/v1/lots/{traced.lot_id}/trace", f"/v1/lots/{traced.lot_id}/events"):
        response = other.get(address)
        assert (response.status_code, response.json()["type"]) == (404, "/problems/lot-not-found")


def test_a_gateway_has_no_word_in_it(api: Api, traced: Traced) -> None:
    assert api.as_("gateway").get(f"/v1/lots/{traced.lot_id}/trace").status_code == 403


@given(*[st.integers(0, 10_000)] * 3, st.integers(-500, 500), st.integers(-50, 50))
def test_what_is_missing_is_the_difference(
    at_site: int, departed: int, written_off: int, found: int, lost: int
) -> None:
    adjusted = found - written_off
    made = at_site + departed - adjusted + lost
    assert Balance(made, at_site, departed, adjusted).difference == lost
