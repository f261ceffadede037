"""What is refused at a drop: unit by unit and case by case; the rest of the trip; what may be sold again."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select

from builders.cold import make_sensor, say, series
from builders.loads import few, instance
from builders.store import furnish
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.rest import Aboard, rest_of_trip
from rimekeep.picking.queries import reservations_that_disagree
from rimekeep.picking.tables import Allocated
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock import queries as stock
from rimekeep.stock.tables import Unit, UnitContent, Zone

DECK = instance("deck_s1_basic")


def on_the_road(api, database, clock):
    """A furnished store whose trip has left with one unit of 48 cases, in a truck whose sensor speaks."""
    made = furnish(api, clock.now, "M", "9521234")
    desk = api.as_("dispatcher")
    trip = api.ok("GET", f"/v1/trips/{made['trip_id']}")
    with database.transaction() as session:
        zone = session.scalars(select(Zone).where(Zone.code == "M-T1")).one()
        make_sensor(session, clock.now - timedelta(days=2), api.callers["lead"], zone, code="truck")
    due = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    while due:
        due = api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": due[0]["sscc"]})["next"]
    desk.made(f"/v1/trips/{trip['id']}/depart")
    return made | {"trip": api.ok("GET", f"/v1/trips/{trip['id']}")}


GROUNDS = {"road": on_the_road}


@pytest.fixture
def road(ground):
    return ground


def air(database, api, clock, hours, temp_c=3.0):
    with database.transaction() as session:
        said = series("truck", clock.now - timedelta(hours=1), clock.now + timedelta(hours=hours), temp_c)
        say(session, clock.now + timedelta(hours=hours), api.callers["lead"].site_id, said)


def deliver(api, road, number=1, **body):
    return api.as_("picker").made(f"/v1/trips/{road['trip']['id']}/drops/{number}/deliver", body)


def agrees(database, api):
    site_id = api.callers["lead"].site_id
    with database.transaction(readonly=True) as session:
        return [*stock.stays_that_disagree(session, site_id), *reservations_that_disagree(session, site_id)]


def cases_of(api, sscc):
    return sum(one["cases"] for one in api.ok("GET", f"/v1/units/{sscc}")["contents"])


def test_some_cases_of_a_unit_are_refused_and_ride_back_on_a_unit_of_their_own(api, database, clock, road):
    place = road["trip"]["places"][0]
    before = cases_of(api, place["sscc"])
    lot_id = api.ok("GET", f"/v1/units/{place['sscc']}")["contents"][0]["lot_id"]
    air(database, api, clock, hours=5)
    clock.now += timedelta(hours=2)
    body = {
        "refusals": [{"sscc": place["sscc"], "cases": 5, "reason": "dented cans"}],
        "empties": [{"kind": "pallet", "pieces": 3, "mass_kg": 75}, {"kind": "keg", "pieces": 8}],
    }
    deliver(api, road, place["drop"], **body)
    shown = api.ok("GET", f"/v1/trips/{road['trip']['id']}/drops")
    (refused,) = shown["refusals"]
    assert (refused["sscc"], refused["cases"], refused["reason"]) == (place["sscc"], 5, "dented cans")
    assert [(one["kind"], one["pieces"], one["mass_kg"]) for one in shown["empties"]] == [
        ("pallet", 3, 75),
        ("keg", 8, None),
    ]
    back = refused["refused_sscc"]
    assert back != place["sscc"]
    assert (cases_of(api, place["sscc"]), cases_of(api, back)) == (before - 5, 5)
    on_deck = {one["sscc"]: one for one in api.ok("GET", f"/v1/trips/{road['trip']['id']}")["places"]}
    assert (on_deck[back]["row"], on_deck[back]["lane"]) == (place["row"], place["lane"])
    assert on_deck[back]["mass_kg"] == pytest.approx(place["mass_kg"] * 5 / before, abs=1e-3)
    assert (on_deck[back]["fate"], on_deck[place["sscc"]]["fate"]) == ("refused", "delivered")
    assert any(f"unit {back} stays on board" in line for line in shown["rest"]["lines"])
    sheet = api.get(f"/v1/trips/{road['trip']['id']}/sheet").text
    assert "ON THE ROAD" in sheet
    assert back in sheet
    with database.transaction(readonly=True) as session:
        (told,) = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "cases.refused"))
        assert (told.cases, told.data["reason"], told.data["sscc"]) == (5, "dented cans", back)
        delivered = session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "unit.delivered")).all()
        assert sum(one.cases for one in delivered if one.data["sscc"] == place["sscc"]) == before - 5
        states = session.execute(
            select(Allocated.state, Allocated.cases)
            .join(UnitContent, UnitContent.id == Allocated.content_id)
            .join(Unit, Unit.id == UnitContent.unit_id)
            .where(Unit.sscc.in_([place["sscc"], back]))
        ).all()
        assert sorted(states) == [("picked", before - 5), ("returned", 5)]
    assert agrees(database, api) == []
    clock.now += timedelta(hours=2)
    ended = api.as_("dispatcher").made(f"/v1/trips/{road['trip']['id']}/end", {"zone_id": road["zone_id"]})
    assert ended["ended_at"] is not None
    unit = api.ok("GET", f"/v1/units/{back}")
    assert (unit["state"], unit["qa_state"]) == ("in_store", "held")
    trace = api.ok("GET", f"/v1/lots/{lot_id}/trace")
    assert trace["balance"]["difference"] == 0
    left = next(one for one in trace["departures"] if one["sscc"] == place["sscc"])
    assert (left["cases"], left["refused_cases"], left["came_back"]) == (before, 5, False)
    assert agrees(database, api) == []


def test_all_cases_refused_is_the_unit_refused(api, database, clock, road):
    place = road["trip"]["places"][0]
    before = cases_of(api, place["sscc"])
    clock.now += timedelta(hours=2)
    body = {"refusals": [{"sscc": place["sscc"], "cases": before, "reason": "wrong beer"}]}
    deliver(api, road, place["drop"], **body)
    (refused,) = api.ok("GET", f"/v1/trips/{road['trip']['id']}/drops")["refusals"]
    assert (refused["refused_sscc"], refused["cases"]) == (place["sscc"], before)
    assert cases_of(api, place["sscc"]) == before
    assert agrees(database, api) == []


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"cases": 10_000}, "refusals[0].cases"),
        ({"lot": "NO-SUCH"}, "refusals[0].lot"),
        ({"sscc": "195298760000000054"}, "refusals[0].sscc"),
        ({"cases": 0}, "refusals[0].cases"),
    ],
)
def test_a_refusal_that_cannot_be_meant_is_refused_by_field_and_changes_nothing(
    api, database, clock, road, change, field
):
    place = road["trip"]["places"][0]
    clock.now += timedelta(hours=2)
    refusal = {"sscc": place["sscc"], "cases": 2, "reason": "dented", **change}
    address = f"/v1/trips/{road['trip']['id']}/drops/{place['drop']}/deliver"
    answer = api.as_("picker").post(address, {"refusals": [refusal]})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field
    assert api.ok("GET", f"/v1/trips/{road['trip']['id']}/drops")["refusals"] == []
    assert agrees(database, api) == []


def test_what_comes_back_is_held_when_nobody_knows_the_air_it_travelled_in(api, database, clock, road):
    clock.now += timedelta(hours=3)
    api.as_("dispatcher").made(f"/v1/trips/{road['trip']['id']}/end", {"zone_id": road["zone_id"]})
    for place in road["trip"]["places"]:
        unit = api.ok("GET", f"/v1/units/{place['sscc']}")
        assert (unit["state"], unit["qa_state"]) == ("in_store", "held")
        assert unit["qa_reason"] == f"air on trip {road['trip']['id']} not known for 3.0 h"


def test_what_comes_back_is_sold_again_only_with_life_enough_as_the_site_has_it(api, database, clock, road):
    assert api.ok("GET", "/v1/return-rule")["set_by"] is None
    rule = {"min_life_days": 5000, "most_unmeasured_s": 600}
    refused = api.as_("qa").post("/v1/return-rule", rule)
    assert refused.status_code == 422
    kept = api.as_("qa").made("/v1/return-rule", {**rule, "min_life_days": 3000})
    assert (kept["min_life_days"], kept["most_unmeasured_s"]) == (3000, 600)
    air(database, api, clock, hours=4)
    clock.now += timedelta(hours=3)
    api.as_("dispatcher").made(f"/v1/trips/{road['trip']['id']}/end", {"zone_id": road["zone_id"]})
    unit = api.ok("GET", f"/v1/units/{road['trip']['places'][0]['sscc']}")
    assert unit["qa_state"] == "held"
    assert "3000 are needed" in unit["qa_reason"]


def test_what_comes_back_cold_and_young_is_ordinary_stock(api, database, clock, road):
    air(database, api, clock, hours=4)
    clock.now += timedelta(hours=3)
    api.as_("dispatcher").made(f"/v1/trips/{road['trip']['id']}/end", {"zone_id": road["zone_id"]})
    for place in road["trip"]["places"]:
        assert api.ok("GET", f"/v1/units/{place['sscc']}")["qa_state"] == "released"


def aboard_of(request, deck, *, done, refused):
    """What is on board once drops up to ``done`` were made, but for what was refused."""
    seqs = {stop.id: stop.seq for stop in request.stops}
    mass = {pallet.id: pallet for pallet in request.pallets}
    return [
        Aboard(name, name, seqs[mass[name].stop], row, lane, mass[name].mass_kg, name in refused)
        for name, row, lane in deck
        if seqs[mass[name].stop] > done or name in refused
    ]


def test_a_refused_pallet_in_the_way_of_a_later_drop_is_taken_off_there_and_put_back():
    request = load_request(few(DECK, stops=3, each=2))
    names = [pallet.id for pallet in request.pallets]
    # Drop 1 at the doors, drop 3 at the front wall.
    deck = [(name, 2 - k // 2, k % 2) for k, name in enumerate(names)]
    rest = rest_of_trip(request, 0, aboard_of(request, deck, done=1, refused={names[0]}))
    assert rest.lines[0].startswith(f"Refused at drop 1: unit {names[0]} stays on board in row 3, lane 1")
    assert any(line.startswith(f"At drop 2, 3 take unit {names[0]} off first") for line in rest.lines)
    assert {one.kind for one in rest.violations} == {"drop_order"}
    assert rest.states[-2].payload_kg == pytest.approx(request.pallets[0].mass_kg)
    clean = rest_of_trip(request, 0, aboard_of(request, deck, done=1, refused=set()))
    assert (clean.lines, clean.violations) == ((), ())


def test_a_refusal_that_leaves_an_axle_too_heavy_stops_the_driver():
    deck = few(DECK, stops=2, each=2)
    request = load_request({**deck, "truck": {**deck["truck"], "bogie_max_kg": 5200}})
    names = [pallet.id for pallet in request.pallets]
    masses = dict(zip(names, (4000.0, 400.0, 2000.0, 2000.0), strict=True))
    heavy = replace(request, pallets=tuple(replace(one, mass_kg=masses[one.id]) for one in request.pallets))
    placed = [(names[0], 3, 0), (names[1], 3, 1), (names[2], 0, 0), (names[3], 0, 1)]
    assert rest_of_trip(heavy, 0, aboard_of(heavy, placed, done=0, refused=set())).violations == ()
    rest = rest_of_trip(heavy, 0, aboard_of(heavy, placed, done=1, refused={names[0]}))
    # Alone at 3,500 mm, 4,000 kg put 2,800 + 4,000 · (3,500 − 900) / 4,200 kg on the bogie: nothing ahead lifts it.
    assert any("DO NOT DRIVE ON" in line for line in rest.lines)
    found = next(one for one in rest.violations if one.kind == "bogie")
    assert found.figure == pytest.approx(2800 + 4000 * 2600 / 4200)


def test_an_empty_truck_has_nothing_to_say():
    rest = rest_of_trip(load_request(few(DECK)), 0, [])
    assert (rest.lines, rest.violations, rest.states) == ((), (), ())
