"""What a picker finds otherwise than written: broken, gone, another pallet; and what a lead does about a dead device."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from sqlalchemy import select, text
from sqlmodel import SQLModel, col

from builders.databases import NOW
from builders.floor import Floor
from builders.grounds import Clock
from builders.orders import make_customer
from builders.stock import make_bay, make_lot, make_unit, make_zone
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.queries import zone_by_code
from rimekeep.stock.tables import Lot


def events(floor: Floor, kind: str) -> list[LedgerEvent]:
    """Return what the ledger has of a kind."""
    with floor.database.transaction(readonly=True) as session:
        rows = session.scalars(select(LedgerEvent).where(col(LedgerEvent.kind) == kind))
        return list(rows.all())


def test_broken_cases_go_on_hold_and_the_rest_comes_from_elsewhere(floor: Floor) -> None:
    task = floor.taken(12)
    [pick] = task["picks"]
    path = f"/v1/picks/{pick['id']}/damaged"
    body = {
        **floor.right(pick),
        "cases_taken": 4,
        "cases_damaged": 3,
        "reason": "a case leaked from above",
        "device_at": "2026-03-16T09:00:00+03:00",
    }
    del body["cases"]
    problem = floor.picker.refused(path, {**body, "cases_damaged": 40}, 409, "too-many-damaged")
    assert pick["sscc"] in problem["detail"]
    problem = floor.picker.refused(path, {**body, "cases_taken": 13}, 409, "too-many-cases")
    assert problem["errors"][0]["field"] == "cases_taken"
    done = floor.picker.made(path, body)
    assert (done["outcome"], done["state"], done["picked_cases"]) == ("damaged", "short", 4)
    [added] = done["added"]
    # The pallet itself is good: what is not broken on it still goes first.
    assert (added["cases"], added["sscc"], added["stop"]) == (8, pick["sscc"], 2)
    assert done["line"] == (
        "Stop 1: 4 cases taken, 3 broken ones are on hold. The rest is at stop 2. 1 stop left."
    )
    [event] = events(floor, "cases.damaged")
    assert (event.cases, event.reason, event.data["from_sscc"]) == (
        3,
        "a case leaked from above",
        pick["sscc"],
    )
    aside = floor.picker.ok("GET", f"/v1/units/{event.data['sscc']}")
    assert (aside["qa_state"], aside["state"], aside["bay_code"]) == ("held", "in_store", pick["bay_code"])
    assert aside["contents"][0]["cases"] == 3
    assert floor.picker.ok("GET", f"/v1/units/{pick['sscc']}")["qa_state"] == "released"
    [said] = events(floor, "pick.damaged")
    assert said.data["device_at"] == "2026-03-16T06:00:00+00:00"
    assert floor.total() == 78
    rest = floor.picker.made("/v1/pick-lists/next")["picks"][1]
    assert floor.picker.made(f"/v1/picks/{rest['id']}/confirm", floor.right(rest))["is_order_picked"] is True
    # Good cases may be taken in full beside broken ones; then nothing is short.
    [whole] = floor.taken(48)["picks"]
    assert whole["how"] == "pallet"
    body = {**floor.right(whole), "cases_taken": 45, "cases_damaged": 3, "reason": "torn film"}
    del body["cases"]
    done = floor.picker.made(f"/v1/picks/{whole['id']}/damaged", body)
    assert (done["to_sscc"], done["picked_cases"]) == (whole["sscc"], 45)
    assert [one["cases"] for one in done["added"]] == [3]
    assert floor.total() == 78


def test_a_pallet_that_is_not_there_is_held_for_a_count_and_its_cases_come_from_elsewhere(
    floor: Floor,
) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        lot = session.scalars(select(Lot).where(col(Lot.code) == floor.lot_code)).one()
        far = make_unit(session, NOW, caller, lot, make_zone(session, NOW, caller), cases=48)
    task = floor.taken(12)
    [pick] = task["picks"]
    path = f"/v1/picks/{pick['id']}/not-found"
    said = {"reason": "the bay is empty"}
    problem = floor.picker.refused(path, said, 409, "bay-not-confirmed")
    assert pick["bay_code"] in problem["detail"]
    floor.picker.refused(path, {**said, "bay_check_code": "no"}, 409, "wrong-bay")
    right = {**said, "bay_check_code": floor.codes[pick["bay_code"]]}
    done = floor.picker.made(path, right)
    assert (done["outcome"], done["picked_cases"], done["to_sscc"]) == ("not_found", 0, None)
    unit = floor.picker.ok("GET", f"/v1/units/{pick['sscc']}")
    assert (unit["qa_state"], unit["contents"][0]["reserved_cases"]) == ("held", 0)
    # The next stop is not there either; the third is in another room and makes a list there.
    [second] = done["added"]
    assert second["list_id"] == task["id"]
    right["bay_check_code"] = floor.codes[second["bay_code"]]
    done = floor.picker.made(f"/v1/picks/{second['pick_id']}/not-found", right)
    [third] = done["added"]
    assert (third["sscc"], third["list_id"] != task["id"], done["is_list_done"]) == (far.sscc, True, True)
    assert "12 cases come from another room" in done["line"]
    task = floor.picker.made("/v1/pick-lists/next")
    assert (task["id"], task["picks"][0]["sscc"]) == (third["list_id"], far.sscc)
    done = floor.picker.made(f"/v1/picks/{third['pick_id']}/confirm", floor.right(task["picks"][0]))
    assert done["is_order_picked"] is True
    assert len(events(floor, "pick.not-found")) == 2
    assert floor.total() == 78 + 48


def test_a_substitute_is_the_next_by_expiry_within_the_rules_and_never_another(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        zone_id = session.scalars(select(SQLModel.metadata.tables["unit"].c.zone_id)).first()
        zone = zone_by_code(session, caller.site_id, floor.api.ok("GET", "/v1/zones")["items"][0]["code"])
        assert zone.id == zone_id

        def unit(days: int, **facts: Any) -> str:
            lot = make_lot(
                session,
                NOW,
                caller,
                product_id=floor.product_id,
                best_before_on=date.fromordinal(NOW.toordinal() + days),
                **facts,
            )
            return make_unit(session, NOW, caller, lot, zone, cases=20).sscc

        too_old, held, next_one, later = unit(20), unit(185, released=False), unit(190), unit(200)
        customer = make_customer(session, NOW, caller, min_life_days=60)
    [small] = floor.ssccs[1:]
    floor.api.as_("qa").made(f"/v1/units/{floor.ssccs[0]}/hold", {"reason": "fell over"})
    order_id = floor.order(25, customer_id=customer.id)
    floor.lists(order_id)
    [pick] = floor.picker.made("/v1/pick-lists/next")["picks"]
    assert pick["sscc"] == small
    offers = floor.picker.ok("GET", f"/v1/picks/{pick['id']}/substitutes")
    assert [(one["sscc"], one["cases"]) for one in offers] == [(next_one, 20), (later, 5)]
    path = f"/v1/picks/{pick['id']}/substitute"
    body = {"scan": next_one, "cases": 20, "reason": "a pallet stands in front of it"}
    for scan, code, words in (
        (too_old, "not-eligible", "life"),
        (held, "not-eligible", "hold"),
        (floor.ssccs[0], "not-eligible", "hold"),
        (later, "older-first", next_one),
        (small, "not-another", "Confirm the stop"),
    ):
        problem = floor.picker.refused(path, {**body, "scan": scan}, 409, code)
        assert words in problem["detail"], problem["detail"]
    floor.picker.refused(path, {**body, "cases": 21}, 409, "too-many-cases")
    assert floor.total() == 78 + 80
    done = floor.picker.made(path, body)
    assert (done["outcome"], done["picked_cases"], done["picks_left"]) == ("substituted", 20, 1)
    # What the other pallet did not give comes from the next, not from the one the picker cannot reach.
    assert [(one["sscc"], one["cases"]) for one in done["added"]] == [(later, 5)]
    [event] = events(floor, "pick.substituted")
    assert (event.reason, event.cases) == ("a pallet stands in front of it", 20)
    assert floor.picker.ok("GET", f"/v1/units/{small}")["contents"][0]["reserved_cases"] == 0
    shown = floor.picker.made("/v1/pick-lists/next")["picks"][0]
    assert "a pallet stands in front of it" in shown["note"]
    assert floor.total() == 78 + 80


def test_the_picker_hears_at_the_bay_whether_it_is_right_before_anything_is_lifted(floor: Floor) -> None:
    [pick] = floor.taken(12)["picks"]
    path = f"/v1/picks/{pick['id']}/check"
    right = floor.right(pick)

    def said(**body: Any) -> str:
        return str(floor.picker.made(path, body)["line"])

    assert said(bay_check_code=right["bay_check_code"]).startswith("Stop 1: scan pallet")
    assert said(**right) == f"Stop 1: right. Take 12 cases of lot {floor.lot_code}."
    floor.picker.refused(path, {"bay_check_code": "no"}, 409, "wrong-bay")
    other = next(sscc for sscc in floor.ssccs if sscc != pick["sscc"])
    floor.picker.refused(path, {**right, "scan": other}, 409, "wrong-unit")
    floor.picker.refused(path, {**right, "cases": 13}, 409, "too-many-cases")
    assert floor.picker.ok("GET", "/v1/pick-lists?state=taken")["items"][0]["picks"][0]["state"] == "open"


def test_what_was_picked_is_brought_to_a_staging_bay_that_is_confirmed(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        staging = zone_by_code(session, caller.site_id, "STAGE")
        bay = make_bay(session, NOW, caller, staging, code="S-1", check_code="71")
    task = floor.taken(60)
    path = f"/v1/pick-lists/{task['id']}/bring"
    body = {"bay": bay.code, "bay_check_code": "71", "device_at": "2026-03-16T06:00:00Z"}
    first, second = task["picks"]
    floor.picker.made(f"/v1/picks/{first['id']}/confirm", floor.right(first))
    problem = floor.picker.refused(path, body, 409, "picks-open")
    assert "Stop 2" in problem["detail"]
    floor.picker.made(f"/v1/picks/{second['id']}/confirm", floor.right(second))
    floor.picker.refused(path, {**body, "bay_check_code": "72"}, 409, "wrong-bay")
    floor.picker.refused(path, {**body, "bay": next(iter(floor.codes))}, 409, "not-staging")
    floor.picker.refused(path, {**body, "bay": "NOWHERE"}, 404, "bay-not-found")
    floor.device("another").refused(path, body, 409, "list-done")
    done = floor.picker.made(path, body)
    assert (done["outcome"], done["line"]) == ("done", f"2 pallets of list {task['id']} at bay S-1.")
    assert {floor.picker.ok("GET", f"/v1/units/{sscc}")["bay_code"] for sscc in done["ssccs"]} == {"S-1"}
    assert floor.total() == 78


def test_the_lead_takes_a_dead_devices_list_over_and_what_it_picked_stays(
    floor: Floor, clock: Clock, database: Database
) -> None:
    with database.transaction() as session:
        session.execute(text("UPDATE site SET time_zone = 'Europe/Prague'"))
    task = floor.taken(60)
    first, second = task["picks"]
    floor.picker.made(f"/v1/picks/{first['id']}/confirm", floor.right(first))
    spare = floor.device("spare")
    lead = floor.api.as_("lead")
    path = f"/v1/pick-lists/{task['id']}/take-over"
    spare_id = floor.api.callers["spare"].id
    body = {"device_id": spare_id, "reason": "battery is dead"}
    lead.refused(path, {**body, "device_id": floor.api.callers["gateway"].id}, 409, "not-a-picker")
    lead.refused(path, {**body, "device_id": 987654}, 404, "person-or-device-not-found")
    clock.now += timedelta(minutes=1)
    taken = lead.made(path, body)
    assert (taken["device_id"], taken["state"]) == (spare_id, "taken")
    assert [pick["state"] for pick in taken["picks"]] == ["done", "open"]
    lead.refused(path, body, 409, "list-has-it")
    # Whatever the dead device still says is told one thing.
    for call, said in (
        (f"/v1/picks/{second['id']}/confirm", floor.right(second)),
        (f"/v1/pick-lists/{task['id']}/heartbeat", None),
        (f"/v1/pick-lists/{task['id']}/hand-back", None),
    ):
        problem = floor.picker.refused(call, said, 409, "list-taken-over")
        assert problem["detail"].startswith(f"The lead took pick list {task['id']} over at 07:01.")
    assert floor.picker.made("/v1/pick-lists/next") is None
    assert spare.made("/v1/pick-lists/next")["id"] == task["id"]
    assert spare.made(f"/v1/picks/{second['id']}/confirm", floor.right(second))["is_order_picked"] is True
    lead.refused(path, body, 409, "list-done")
    [event] = events(floor, "pick_list.taken_over")
    assert (event.reason, event.data["picked"], event.data["open_stops"]) == (
        "battery is dead",
        first["cases"],
        [2],
    )
    assert floor.total() == 78


def test_a_list_taken_over_for_nobody_goes_to_whoever_asks_next(floor: Floor) -> None:
    task = floor.taken(12)
    lead, spare = floor.api.as_("lead"), floor.device("spare")
    path = f"/v1/pick-lists/{task['id']}"
    taken = lead.made(f"{path}/take-over", {"reason": "device lost"})
    assert (taken["state"], taken["device_id"]) == ("ready", None)
    lead.refused(f"{path}/take-over", {"reason": "device lost"}, 409, "list-not-taken")
    [pick] = task["picks"]
    floor.picker.refused(f"/v1/picks/{pick['id']}/confirm", floor.right(pick), 409, "list-taken-over")
    assert spare.made(f"{path}/take")["device_id"] == floor.api.callers["spare"].id
    floor.picker.refused(f"{path}/take", None, 409, "list-taken-over")
    spare.made(f"{path}/hand-back")
    # Taken again by hand, it is the device's own again.
    assert floor.picker.made(f"{path}/take")["device_id"] == floor.api.callers["picker"].id
    assert floor.picker.made(f"/v1/picks/{pick['id']}/confirm", floor.right(pick))["is_order_picked"] is True
