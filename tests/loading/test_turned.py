"""A unit turned by 90° on its deck, over HTTP."""

from __future__ import annotations

from builders.loads import DAY, few, instance, make_day, register_fleet

_BASIC = few(instance("deck_s1_basic"), stops=3, each=2)
# Four rows of 1,000 mm and 400 mm to spare: a turned unit's row takes 200 mm more.
_TRUCK = {key: value for key, value in _BASIC["truck"].items() if key != "rows"}
DECK = {**_BASIC, "truck": {**_TRUCK, "deck": {"length_mm": 4400, "width_mm": 2450}}}


def test_a_unit_is_turned_shown_turned_kept_by_a_late_order_and_turned_back(api, database, clock):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 1)
    desk = api.as_("dispatcher")
    plan = desk.made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops[:2]})
    (trip,) = plan["trips"]
    place = trip["places"][0]
    moves, seen = f"/v1/trips/{trip['id']}/moves", f"/v1/load-plans/{plan['id']}"
    turn = {"sscc": place["sscc"], "turn": True}

    shown = desk.made(moves, {**turn, "only_preview": True})
    assert (shown["is_made"], shown["violations"]) == (False, [])
    assert api.ok("GET", seen)["trips"] == plan["trips"], "looking at a turn changed the plan"
    assert desk.made(moves, turn)["changes"] == shown["changes"]
    (turned,) = api.ok("GET", seen)["trips"]
    assert [p["sscc"] for p in turned["places"] if p["is_turned"]] == [place["sscc"]]
    assert turned["axle_table"][0]["axles"] != trip["axle_table"][0]["axles"]
    assert "'  turned by 90° against its row" in turned["drawing"]
    assert "turned by 90°" in desk.get(f"/v1/trips/{trip['id']}/sheet").text
    assert "turned" in desk.get(f"/v1/trips/{trip['id']}/sheet.html").text

    desk.made(moves, turn)
    assert api.ok("GET", seen)["trips"] == plan["trips"], "turned twice is not as before"
    desk.made(moves, turn)
    done = desk.made(f"{seen}/amend", {"orders": [day.drops[2]]})
    assert (done["moved"], done["straightened"], len(done["added"])) == ([], [], 2)
    (after,) = api.ok("GET", seen)["trips"]
    assert [p["sscc"] for p in after["places"] if p["is_turned"]] == [place["sscc"]]
    assert desk.made(f"{seen}/confirm")["state"] == "confirmed"

    problem = desk.refused(moves, {"sscc": place["sscc"]}, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "row"
