"""Every place of a deck judged at once, over HTTP: the same word as for each move by itself."""

from __future__ import annotations

from builders.loads import DAY, few, instance, make_day, register_fleet


def planned(api, database, clock, deck):
    day = make_day(api, database, clock.now, deck)
    register_fleet(api, deck, 1)
    return api.as_("dispatcher").made("/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": day.drops})


def moving(change):
    return {**change, "limits": [one for one in change["limits"] if one["verdict"] != "same"]}


def test_every_place_gets_the_word_its_move_alone_would_get(api, database, clock):
    deck = few(instance("deck_s1_basic"), stops=2, each=2)
    [trip] = planned(api, database, clock, deck)["trips"]
    desk = api.as_("dispatcher")
    place, *others = trip["places"]
    pins = {"ssccs": [others[0]["sscc"]], "is_pinned": True}
    desk.made(f"/v1/trips/{trip['id']}/pins", pins)
    told = desk.ok("GET", f"/v1/trips/{trip['id']}/places?sscc={place['sscc']}")
    spots = {(row, lane) for row, one in enumerate(deck["truck"]["rows"]) for lane in range(one["lanes"])}
    assert {(one["row"], one["lane"]) for one in told["places"]} == spots - {(place["row"], place["lane"])}
    kept = {one["refused"] for one in told["places"]} - {None}
    assert kept == {f"Unit {others[0]['sscc']} is pinned to its place; unpin it first."}
    judged = [one for one in told["places"] if one["move"]]
    assert {bool(one["move"]["violations"]) for one in judged} == {True, False}, "one side is not shown"
    for one in judged[::3]:
        body = {"sscc": place["sscc"], "row": one["row"], "lane": one["lane"], "only_preview": True}
        alone = desk.made(f"/v1/trips/{trip['id']}/moves", body)
        assert one["move"] == {**alone, "changes": [moving(change) for change in alone["changes"]]}
    # Looking changes nothing, and a unit that is not there is told.
    shown = desk.ok("GET", f"/v1/trips/{trip['id']}")["places"]
    assert [one["row"] for one in shown] == [one["row"] for one in trip["places"]]
    wrong = desk.get(f"/v1/trips/{trip['id']}/places?sscc={'1' * 18}")
    assert (wrong.status_code, wrong.json()["errors"][0]["field"]) == (422, "sscc")
