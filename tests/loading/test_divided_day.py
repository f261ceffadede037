"""Vehicles of a day divided by bulkheads: one where two would go, on paper, by hand, at the door, on the road."""

from __future__ import annotations

import re
from typing import Any

import html5lib
import pypdfium2
import pytest

from builders.api import Api
from builders.divided import CLASSES, COLD, DECK, goods, register
from builders.grounds import Clock
from builders.loads import DAY, Day, load_all, make_day
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.request import load_request
from rimekeep.loading.tables import LoadPlanRow
from rimekeep.platform.database import Database


def picked(api: Api, database: Database, clock: Clock) -> Day:
    return make_day(api, database, clock.now, DECK)


GROUNDS = {"day": picked}


@pytest.fixture
def day(ground: Any) -> Day:
    found: Day = ground
    return found


@pytest.fixture
def desk(api: Api) -> Api:
    return api.as_("dispatcher")


def planned(api: Api, day: Day, **asked: Any) -> dict[str, Any]:
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, **asked}
    return api.as_("dispatcher").made("/v1/load-plans", body)


def rooms_of(trip: dict[str, Any]) -> list[tuple[int, int, float, float]]:
    return [
        (one["first_row"], one["last_row"], one["setpoint_min_c"], one["setpoint_max_c"])
        for one in trip["compartments"]
    ]


def require_legal(database: Database, plan: dict[str, Any]) -> None:
    """Judge decks and compartments as they are shown by the separate checker."""
    with database.transaction(readonly=True) as session:
        row = session.get(LoadPlanRow, plan["id"])
        assert row is not None
        request = load_request(row.request)
    decks = [[(p["sscc"], p["row"], p["lane"]) for p in trip["places"]] for trip in plan["trips"]]
    assert check_plan(request, decks, rooms=[rooms_of(trip) for trip in plan["trips"]]) == []


def where(trip: dict[str, Any], sscc: str) -> tuple[int, int]:
    return next((one["row"], one["lane"]) for one in trip["places"] if one["sscc"] == sscc)


def test_one_divided_vehicle_goes_where_two_would(api: Api, database: Database, day: Day) -> None:
    register(api)
    whole = planned(api, day, divide=False)
    assert (len(whole["trips"]), [trip["compartments"] for trip in whole["trips"]]) == (2, [[], []])
    plan = planned(api, day)
    (trip,) = plan["trips"]
    assert (plan["status"], plan["reasons"], plan["vehicles"]) == ("optimal", [], 1)
    front, rear = rooms_of(trip)
    assert (front[2:], rear[2:]) == ((2, 6), (8, 12))
    assert front[1] + 1 == rear[0]
    assert [one["setpoint_c"] for one in trip["compartments"]] == [4, 10]
    require_legal(database, plan)
    # Whoever is told: the deck in words, the cold compartment by compartment.
    assert f"a bulkhead, behind row {front[1] + 1}" in trip["drawing"]
    assert f"rows {rear[0] + 1} to {rear[1] + 1}: air 8 to 12 °C" in trip["drawing"]
    told = api.ok("GET", f"/v1/trips/{trip['id']}/forecast")
    assert (told["verdict"], [one["verdict"] for one in told["compartments"]]) == ("yes", ["yes", "yes"])
    assert [one["setpoint_c"] for one in told["compartments"]] == [4, 10]
    assert all(one["precool"]["minutes"] > 0 for one in told["compartments"])
    # The cellar's last drop is the first; its goods warm towards 10 °C, those at the front stay near 4 °C.
    assert [len(one["legs"]) for one in told["compartments"]] == [2, 1]
    cellar, cold = told["drops"]
    assert {one["compartment"] for one in cellar["contents"]} == {2}
    assert {one["compartment"] for one in cold["contents"]} == {1}
    assert cellar["core_min_c"] > cold["core_max_c"]
    assert told["compartments"][0]["legs"][0]["beside_w"] > 0


@pytest.mark.parametrize(
    ("truck", "why"),
    [
        (
            {"cold": {key: value for key, value in COLD.items() if key != "bulkhead_w_k"}},
            "it lacks cold.bulkhead_w_k",
        ),
        ({"cold": {**COLD, "evaporators": COLD["evaporators"][:1]}}, "it lacks cold.evaporators"),
        ({"compartments": 1}, None),
    ],
)
def test_without_the_data_a_vehicle_keeps_to_one_air_and_says_what_is_missing(
    api: Api, day: Day, truck: dict[str, Any], why: str | None
) -> None:
    register(api, **truck)
    plan = planned(api, day)
    assert [trip["compartments"] for trip in plan["trips"]] == [[], []]
    said = [] if why is None else [f"T1, T2 kept to one air although there are compartments: {why}."]
    assert plan["reasons"] == said
    missing = api.ok("GET", "/v1/vehicles")["items"][0]["missing"]
    assert missing.get("compartments") == (None if why is None else [why.removeprefix("it lacks ")])


def test_goods_that_share_an_air_leave_everything_as_it_is(
    api: Api, database: Database, clock: Clock
) -> None:
    deck = DECK | {"temperature_classes": CLASSES | {"cellar": {"min_c": 5, "max_c": 12}}}
    day = make_day(api, database, clock.now, deck)
    register(api)
    plan = planned(api, day)
    (trip,) = plan["trips"]
    assert (trip["compartments"], trip["setpoint_min_c"], trip["setpoint_max_c"]) == ([], 5, 6)
    assert trip["cold"]["compartments"] == []
    with database.transaction(readonly=True) as session:
        request = session.get(LoadPlanRow, plan["id"]).request  # type: ignore[union-attr]
    assert "single_compartment" not in request["rules"]
    assert "airs" not in request["truck"]


def test_sheet_says_where_bulkheads_stand_and_what_each_compartment_is_set_to(api: Api, day: Day) -> None:
    register(api)
    (trip,) = planned(api, day)["trips"]
    row = trip["compartments"][0]["last_row"] + 1
    path = f"/v1/trips/{trip['id']}"
    text = api.get(f"{path}/sheet").text
    page = html5lib.parse(api.get(f"{path}/sheet.html").text, namespaceHTMLElements=False)
    printed = pypdfium2.PdfDocument(api.get(f"{path}/sheet.pdf").content)
    pdf = " ".join(sheet.get_textpage().get_text_range() for sheet in printed)
    printed.close()
    for said in (text, "".join(page.itertext()), pdf):
        words = re.sub(r"\s+", " ", said)
        assert f"2 setpoints: rows 1 to {row} 4 °C, rows {row + 1} to 4 10 °C" in words
        assert f"Compartment 2, rows {row + 1} to 4: setpoint 10 °C" in words
        assert "nobody is shut in" in words
        assert "holds no load" in words
        assert "reckoned as if they stood against each other" in words
    for said in ("".join(page.itertext()), pdf):
        assert "BULKHEAD: ahead 4 °C, behind 10 °C" in said
    assert f"a bulkhead, behind row {row}" in text


def test_plan_is_refused_for_the_compartment_that_is_not_held(api: Api, desk: Api, day: Day) -> None:
    register(api, cold={**COLD, "evaporators": [{"watts": 60}, {"watts": 3000}]})
    plan = planned(api, day)
    (trip,) = plan["trips"]
    problem = desk.refused(f"/v1/load-plans/{plan['id']}/confirm", None, 409, "reefer-too-weak")
    assert problem["data"]["compartment"] == 1
    assert problem["data"]["short_w"] > 0
    assert "Compartment 1 (rows 1 to 2): No:" in problem["detail"]
    assert "Compartment 2 (rows 3 to 4): Yes:" in problem["detail"]
    # A cool day mends it.
    said = {"ambient": [{"at": "2026-03-17T00:00:00Z", "temp_c": 5.0}]}
    told = desk.made(f"/v1/trips/{trip['id']}/road", said)
    assert told["verdict"] == "yes"
    assert desk.made(f"/v1/load-plans/{plan['id']}/confirm")["state"] == "confirmed"


def test_a_unit_crosses_a_bulkhead_only_where_it_may(api: Api, desk: Api, day: Day) -> None:
    register(api, 1)
    (trip,) = planned(api, day)["trips"]
    path = f"/v1/trips/{trip['id']}/moves"
    taken = {(one["row"], one["lane"]): one["sscc"] for one in trip["places"]}
    cold = day.ssccs["B"][0]
    row, lane = next(
        (r, k) for r in range(4) for k in range(2) if (r, k) not in taken and r > where(trip, cold)[0]
    )
    # Among the cellar's goods no bulkhead can part it from them.
    problem = desk.refused(path, {"sscc": cold, "row": row, "lane": lane}, 409, "illegal-move")
    assert "temperature" in {one["kind"] for one in problem["data"]["violations"]}
    assert "need 3 compartments" in problem["detail"] or "need more compartments" in problem["detail"]
    # Within its compartment it moves as ever, and the bulkhead stays.
    front = next((0, k) for k in range(2) if (0, k) not in taken)
    done = desk.made(path, {"sscc": cold, "row": front[0], "lane": front[1]})
    (change,) = done["changes"]
    assert change["bulkheads_before"] == change["bulkheads_after"] == [trip["compartments"][0]["last_row"]]
    assert change["range_after_c"] == [2, 6]


def one_behind(api: Api, day: Day) -> dict[str, Any]:
    """A confirmed plan for A and B: the cold units in the first row, one of the cellar in the last."""
    register(api, 1)
    plan = planned(api, day, drops=[day.orders["A"], day.orders["B"]])
    (trip,) = plan["trips"]
    desk = api.as_("dispatcher")
    wanted = {day.ssccs["B"][0]: (0, 0), day.ssccs["B"][1]: (0, 1), day.ssccs["A"][0]: (3, 0)}
    for sscc, (row, lane) in wanted.items():
        (trip,) = api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"]
        if where(trip, sscc) != (row, lane):
            desk.made(f"/v1/trips/{trip['id']}/moves", {"sscc": sscc, "row": row, "lane": lane})
    found: dict[str, Any] = desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    return found


def load_first(api: Api, trip: dict[str, Any]) -> None:
    (due, *_) = api.ok("GET", f"/v1/trips/{trip['id']}/next")["next"]
    api.as_("picker").made(f"/v1/trips/{trip['id']}/load", {"scan": due["sscc"]})


def test_bulkheads_move_until_goods_are_on_board(
    api: Api, desk: Api, database: Database, clock: Clock
) -> None:
    pallets = goods(("A", "cellar", 1), ("B", "chilled", 2))
    day = make_day(api, database, clock.now, DECK | {"pallets": pallets})
    (trip,) = one_behind(api, day)["trips"]
    assert trip["compartments"][0]["last_row"] == 2
    path, body = f"/v1/trips/{trip['id']}/moves", {"sscc": day.ssccs["A"][0], "row": 2, "lane": 0}
    (change,) = desk.made(path, {**body, "only_preview": True})["changes"]
    assert (change["bulkheads_before"], change["bulkheads_after"]) == ([2], [1])
    load_first(api, trip)
    problem = desk.refused(path, body, 409, "illegal-move")
    (broken,) = problem["data"]["violations"]
    assert broken["kind"] == "bulkhead"
    assert "would have to stand behind row 2 and stands behind row 3" in broken["text"]


@pytest.mark.parametrize("is_any_aboard", [False, True])
@pytest.mark.parametrize("late", [1, 3])
def test_late_units_join_a_divided_plan_and_bulkheads_stay_where_goods_are_on_board(
    api: Api, desk: Api, database: Database, clock: Clock, late: int, *, is_any_aboard: bool
) -> None:
    """One more beside the cellar's last row needs no bulkhead moved; three more take a row of the cold's."""
    deck = DECK | {
        "stops": [{"id": name, "seq": seq} for seq, name in enumerate("CAB", 1)],
        "pallets": goods(("A", "cellar", 1), ("B", "chilled", 2), ("C", "cellar", late)),
    }
    day = make_day(api, database, clock.now, deck)
    plan = one_behind(api, day)
    if is_any_aboard:
        load_first(api, plan["trips"][0])
    path, body = f"/v1/load-plans/{plan['id']}/amend", {"orders": [day.orders["C"]]}
    if late == 3 and is_any_aboard:
        problem = desk.refused(path, body, 409, "plan-not-amended")
        assert "The bulkhead would have to stand behind row" in problem["detail"]
        assert "and stands behind row 3, with goods on board already" in problem["detail"]
        assert api.ok("GET", f"/v1/load-plans/{plan['id']}")["trips"][0]["compartments"][0]["last_row"] == 2
        return
    assert len(desk.made(path, body)["added"]) == late
    after = api.ok("GET", f"/v1/load-plans/{plan['id']}")
    require_legal(database, after)
    (trip,) = after["trips"]
    assert [one[2:] for one in rooms_of(trip)] == [(2, 6), (8, 12)]
    bulkhead = rooms_of(trip)[0][1]
    assert bulkhead == 2 if late == 1 else bulkhead < 2
    assert [one["verdict"] for one in trip["cold"]["compartments"]] == ["yes", "yes"]


def test_a_divided_trip_is_loaded_leaves_and_is_delivered(
    api: Api, desk: Api, database: Database, day: Day
) -> None:
    # The front's evaporator is too weak for a day as hot as it turns out to be.
    register(api, 1, cold={**COLD, "evaporators": [{"watts": 60}, {"watts": 3000}]})
    plan = planned(api, day)
    (trip,) = plan["trips"]
    cool, hot = ({"ambient": [{"at": "2026-03-16T00:00:00Z", "temp_c": temp_c}]} for temp_c in (5.0, 29.0))
    desk.made(f"/v1/trips/{trip['id']}/road", cool)
    desk.made(f"/v1/load-plans/{plan['id']}/confirm")
    load_all(api, trip["id"])
    desk.made(f"/v1/trips/{trip['id']}/road", hot)
    problem = desk.refused(f"/v1/trips/{trip['id']}/depart", None, 409, "reefer-too-weak")
    assert problem["data"]["compartment"] == 1
    assert problem["data"]["sscc"] in day.ssccs["B"]
    assert "Compartment 1 (rows 1 to 2): No:" in problem["detail"]
    left = desk.made(f"/v1/trips/{trip['id']}/depart", {"despite": "a trial"})
    assert len(left["cold"]["reasons"]) == 1
    shown = api.ok("GET", f"/v1/trips/{trip['id']}")
    assert rooms_of(shown) == rooms_of(trip)
    desk.made(f"/v1/trips/{trip['id']}/drops/1/deliver", {})
    assert rooms_of(api.ok("GET", f"/v1/trips/{trip['id']}")) == rooms_of(trip)
