"""Pick lists, leases, confirmations: exact and kind, and the stock agrees to the case."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select, text
from sqlmodel import SQLModel

from builders.floor import Floor
from builders.grounds import Clock
from builders.orders import make_order
from builders.stock import make_lot, make_product, make_unit, make_zone, new_gtin, new_sscc
from rimekeep.access.core.roles import Caller
from rimekeep.picking import jobs, usecases
from rimekeep.picking.queries import reservations_that_disagree

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)


def test_a_whole_order_is_picked_along_the_shortest_walk_and_agrees_to_the_case(floor: Floor) -> None:
    order_id = floor.order(60)
    [made] = floor.lists(order_id)
    assert floor.lists(order_id) == []
    task = floor.picker.made("/v1/pick-lists/next")
    assert (task["id"], task["state"]) == (made["id"], "taken")
    # By hand: aisles of 9 slots of 1 m with 1.5 m at both ends are 12 m long, 4 m apart. Around both aisles,
    # 2 × 12 + 2 × 4 = 32 m, is shorter than into each and back, 2 × 5 + 2 × 4 + 2 × 10 = 38 m.
    assert task["walk_m"] == pytest.approx(32.0)
    assert [pick["bay_code"] for pick in task["picks"]] in (list(floor.codes), list(floor.codes)[::-1])
    assert {(pick["cases"], pick["how"]) for pick in task["picks"]} == {(48, "pallet"), (12, "cases")}
    assert [pick["stop"] for pick in task["picks"]] == [1, 2]
    part = next(pick for pick in task["picks"] if pick["how"] == "cases")
    assert (part["layers"], part["loose_cases"]) == (1, 4)
    answers = [
        floor.picker.made(f"/v1/picks/{pick['id']}/confirm", floor.right(pick)) for pick in task["picks"]
    ]
    assert [answer["picks_left"] for answer in answers] == [1, 0]
    assert (answers[1]["is_list_done"], answers[1]["is_order_picked"]) == (True, True)
    by_pick = {answer["pick_id"]: answer for answer in answers}
    assert by_pick[part["id"]]["to_sscc"] not in floor.ssccs
    order = floor.picker.ok("GET", f"/v1/orders/{order_id}")
    assert order["state"] == "picked"
    assert {(one["cases"], one["state"], one["unit_state"], one["zone_id"]) for one in order["allocations"]} == {
        (48, "picked", "picked", floor.staging_id), (12, "picked", "picked", floor.staging_id),
    }  # fmt: skip
    assert floor.total() == 78
    with floor.database.transaction() as session:
        split = session.execute(
            text(
                "SELECT cases, reserved_cases FROM unit_content WHERE parent_id IS NOT NULL AND split_at IS NOT NULL"
            )
        ).all()
        kinds = list(session.scalars(select(SQLModel.metadata.tables["ledger_event"].c.kind)))
    assert [tuple(row) for row in split] == [(12, 12)]
    assert (kinds.count("pick.confirmed"), kinds.count("order.picked"), kinds.count("cases.picked")) == (
        2,
        1,
        1,
    )
    assert floor.picker.made("/v1/pick-lists/next") is None
    done = floor.picker.ok("GET", "/v1/pick-lists?state=done")["items"]
    assert [pick["picked_cases"] for pick in done[0]["picks"]] == [pick["cases"] for pick in task["picks"]]
    assert floor.picker.ok("GET", f"/v1/pick-lists?order_id={order_id}&state=ready")["items"] == []


def test_the_wrong_pallet_lot_or_product_is_refused_with_what_was_scanned_and_what_is_wanted(
    floor: Floor,
) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        other = make_unit(session, NOW, caller, make_lot(session, NOW, caller))
    [pick] = floor.taken(12)["picks"]
    path, lot, gtin = f"/v1/picks/{pick['id']}/confirm", floor.lot_code, floor.gtin
    same_lot = next(sscc for sscc in floor.ssccs if sscc != pick["sscc"])
    strange, strange_gtin = new_sscc(), new_gtin()
    for scan, code, words in (
        ("00" + same_lot, "wrong-unit", ["the same lot", same_lot, pick["sscc"]]),
        (other.sscc, "wrong-lot", [other.sscc, lot, pick["sscc"]]),
        (strange, "wrong-unit", [strange, "not known"]),
        (f"01{gtin}10XX-9", "wrong-lot", ["XX-9", lot]),
        (f"01{strange_gtin}10{lot}", "wrong-product", [strange_gtin, gtin]),
        (f"01{gtin}", "lot-not-scanned", ["lot is missing"]),
    ):
        problem = floor.picker.refused(path, floor.right(pick, scan=scan), 409, code)
        assert all(word in problem["detail"] for word in words), problem["detail"]
        assert problem["data"]["wanted"] == {"sscc": pick["sscc"], "gtin": gtin, "lot_code": lot}
    for scan in ("hello", "00" + pick["sscc"][:-1] + str((int(pick["sscc"][-1]) + 1) % 10), "10" + lot):
        problem = floor.picker.refused(path, floor.right(pick, scan=scan), 422, "scan-unreadable")
        assert problem["errors"][0]["field"] == "scan"
        assert problem["errors"][0]["mend"]
    # A case label is proof enough for cases off a pallet.
    assert floor.picker.made(path, floor.right(pick, scan=f"]C101{gtin}10{lot}"))["picked_cases"] == 12
    assert floor.total() == 78 + 48


def test_a_whole_pallet_needs_its_own_label(floor: Floor) -> None:
    [pick] = floor.taken(48)["picks"]
    assert pick["how"] == "pallet"
    problem = floor.picker.refused(
        f"/v1/picks/{pick['id']}/confirm",
        floor.right(pick, scan=f"01{floor.gtin}10{floor.lot_code}"),
        409,
        "scan-the-pallet",
    )
    assert pick["sscc"] in problem["detail"]


def test_bay_quantity_and_state_are_checked_before_anything_moves(floor: Floor) -> None:
    [pick] = floor.taken(12)["picks"]
    path = f"/v1/picks/{pick['id']}/confirm"
    assert (
        pick["bay_code"]
        in floor.picker.refused(path, floor.right(pick, bay_check_code="nope"), 409, "wrong-bay")["detail"]
    )
    floor.picker.refused(path, floor.right(pick, bay_check_code=None), 409, "bay-not-confirmed")
    assert (
        "Put 1 back"
        in floor.picker.refused(path, floor.right(pick, cases=13), 409, "too-many-cases")["detail"]
    )
    assert (
        "report the pick short"
        in floor.picker.refused(path, floor.right(pick, cases=11), 409, "too-few-cases")["detail"]
    )
    floor.picker.refused(path, floor.right(pick, cases=0), 422, "invalid-input")
    floor.picker.refused("/v1/picks/987654/confirm", floor.right(pick), 404, "pick-not-found")
    api = floor.api.as_("qa")
    lot_id = floor.picker.ok(
        "GET", f"/v1/orders/{floor.picker.ok('GET', '/v1/pick-lists')['items'][0]['order_id']}"
    )["allocations"][0]["lot_id"]
    api.made(f"/v1/lots/{lot_id}/hold", {"reason": "haze in the retained sample"})
    problem = floor.picker.refused(path, floor.right(pick), 409, "stock-held")
    assert "haze in the retained sample" in problem["detail"]
    api.made(f"/v1/lots/{lot_id}/release", {"reason": "second sample clear"})
    assert floor.total() == 78
    assert (
        floor.picker.made(path, floor.right(pick, bay_check_code=f" {floor.codes[pick['bay_code']]} "))[
            "state"
        ]
        == "done"
    )


def test_a_repeated_confirmation_replays_and_a_second_one_is_told_it_is_done(floor: Floor) -> None:
    [pick] = floor.taken(12)["picks"]
    path, body = f"/v1/picks/{pick['id']}/confirm", floor.right(pick)
    first = floor.picker.post(path, body, key="k-1")
    again = floor.picker.post(path, body, key="k-1")
    assert (first.status_code, again.json(), again.headers["Idempotency-Replayed"]) == (
        200,
        first.json(),
        "true",
    )
    problem = floor.picker.refused(path, body, 409, "pick-done", key="k-2")
    assert problem["data"] == {"pick_id": pick["id"], "state": "done", "picked_cases": 12}
    floor.picker.refused(
        f"/v1/picks/{pick['id']}/short", {"cases_found": 1, "reason": "late"}, 409, "pick-done"
    )
    assert floor.total() == 78


def test_a_list_belongs_to_one_device_until_it_falls_silent(floor: Floor, clock: Clock) -> None:
    task = floor.taken(12)
    [pick] = task["picks"]
    other = floor.device("the other handheld")
    assert other.made("/v1/pick-lists/next") is None
    confirm = f"/v1/picks/{pick['id']}/confirm"
    for path, body in (
        (confirm, floor.right(pick)),
        (f"/v1/pick-lists/{task['id']}/heartbeat", None),
        (f"/v1/pick-lists/{task['id']}/hand-back", None),
    ):
        problem = other.refused(path, body, 409, "list-leased")
        assert problem["data"]["device_id"] == floor.api.callers["picker"].id
    # The same device asks again: it gets its own list back.
    assert floor.picker.made("/v1/pick-lists/next")["id"] == task["id"]
    clock.now += timedelta(seconds=299)
    until = floor.picker.made(f"/v1/pick-lists/{task['id']}/heartbeat")["leased_until"]
    assert until == "2026-03-16T06:09:59Z"
    clock.now += timedelta(seconds=299)
    assert other.made("/v1/pick-lists/next") is None
    clock.now += timedelta(seconds=2)
    assert other.made("/v1/pick-lists/next")["id"] == task["id"]
    floor.picker.refused(confirm, floor.right(pick), 409, "list-leased")
    assert other.made(f"/v1/pick-lists/{task['id']}/hand-back")["state"] == "ready"
    other.refused(confirm, floor.right(pick), 409, "list-not-taken")
    assert floor.picker.made("/v1/pick-lists/next")["id"] == task["id"]
    assert floor.picker.made(confirm, floor.right(pick))["is_order_picked"] is True
    floor.picker.refused(f"/v1/pick-lists/{task['id']}/heartbeat", None, 409, "list-done")


def test_a_lost_list_is_handed_out_before_newer_work_and_the_job_returns_it(
    floor: Floor, clock: Clock
) -> None:
    first, second = floor.lists(floor.order(3), floor.order(4))
    assert floor.picker.made("/v1/pick-lists/next")["id"] == first["id"]
    clock.now += timedelta(seconds=301)
    other = floor.device("the other handheld")
    assert other.made("/v1/pick-lists/next")["id"] == first["id"]
    clock.now += timedelta(seconds=301)
    with floor.database.transaction() as session:
        jobs.return_leases(session, clock.now)
    states = [item["state"] for item in floor.picker.ok("GET", "/v1/pick-lists")["items"]]
    assert states == ["ready", "ready"]
    assert [device.made("/v1/pick-lists/next")["id"] for device in (other, floor.picker)] == [
        first["id"],
        second["id"],
    ]


def test_two_devices_never_get_the_same_list(floor: Floor) -> None:
    made = floor.lists(*(floor.order(1) for _ in range(12)))
    for number in range(16):
        floor.device(f"handheld {number}")

    def take(number: int) -> int | None:
        with floor.database.transaction() as session:
            task = usecases.take_next_list(session, NOW, floor.api.callers[f"handheld {number}"], lease_s=300)
            return None if task is None else task.id

    with ThreadPoolExecutor(16) as pool:
        got = list(pool.map(take, range(16)))
    assert sorted(list_id for list_id in got if list_id is not None) == sorted(one["id"] for one in made)
    assert got.count(None) == 4


def test_two_pickers_who_finish_an_order_together_do_finish_it(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        lot = make_lot(
            session,
            NOW,
            caller,
            product_id=floor.product_id,
            best_before_on=(NOW + timedelta(days=40)).date(),
        )
        for _ in range(4):
            make_unit(session, NOW, caller, lot, cases=10)
    order_id = floor.order(40)
    lists = floor.lists(order_id)
    assert len(lists) == 4
    work = []
    for number in range(4):
        device = floor.device(f"handheld {number}")
        work.append((floor.api.callers[f"handheld {number}"], device.made("/v1/pick-lists/next")["picks"][0]))

    def confirm(job: tuple[Caller, dict[str, Any]]) -> bool:
        caller, pick = job
        with floor.database.transaction() as session:
            done = usecases.confirm_pick(
                session,
                NOW,
                caller,
                pick_id=pick["id"],
                scan=pick["sscc"],
                bay_check_code=None,
                cases=10,
                lease_s=300,
            )
            return done.is_order_picked

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(confirm, work)) == [False, False, False, True]
    assert floor.picker.ok("GET", f"/v1/orders/{order_id}")["state"] == "picked"
    assert floor.total() == 118


def test_one_pick_confirmed_twice_at_once_moves_its_cases_once(floor: Floor) -> None:
    [pick] = floor.taken(12)["picks"]

    def confirm(key: int) -> int:
        return floor.picker.post(
            f"/v1/picks/{pick['id']}/confirm", floor.right(pick), key=f"same moment {key}"
        ).status_code

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(confirm, range(4))) == [200, 409, 409, 409]
    assert floor.total() == 78


def test_parts_of_one_list_share_a_pallet_until_it_is_full(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        zone = make_zone(session, NOW, caller)
        products = [make_product(session, NOW, caller) for _ in range(3)]
        for product in products:
            make_unit(session, NOW, caller, make_lot(session, NOW, caller, product), zone, cases=48)
        order_id = make_order(session, NOW, caller, {product.id: 20 for product in products}).id
    floor.lists(order_id)
    task = floor.picker.made("/v1/pick-lists/next")
    built = [
        floor.picker.made(f"/v1/picks/{pick['id']}/confirm", floor.right(pick))["to_sscc"]
        for pick in task["picks"]
    ]
    # 20 of 48 each: two share a pallet, the third would overfill it.
    assert built[0] == built[1] != built[2]
    zones = {one["zone_id"] for one in floor.picker.ok("GET", f"/v1/orders/{order_id}")["allocations"]}
    assert zones == {floor.staging_id}
    assert floor.total() == 78 + 144


def test_a_short_pick_takes_what_is_there_and_sends_somebody_to_count(floor: Floor) -> None:
    task = floor.taken(20)
    [pick] = task["picks"]
    path = f"/v1/picks/{pick['id']}/short"
    floor.picker.refused(path, {"cases_found": 20, "reason": "none missing"}, 409, "not-short")
    floor.picker.refused(path, {"cases_found": 5, "reason": "rest is broken"}, 422, "invalid-input")
    floor.picker.refused(path, {**floor.right(pick, scan=new_sscc()), "cases_found": 5}, 422, "invalid-input")
    body = {
        "cases_found": 5,
        "reason": "rest is broken",
        "scan": pick["sscc"],
        "bay_check_code": floor.codes[pick["bay_code"]],
    }
    done = floor.picker.made(path, body)
    assert (done["state"], done["picked_cases"], done["is_order_picked"]) == ("short", 5, False)
    office = floor.api.as_("dispatcher")
    order = office.ok("GET", f"/v1/orders/{task['order_id']}")
    # The rest comes from the other pallet at once, at the end of the same walk.
    assert (order["lines"][0]["short"], order["state"]) == (None, "allocated")
    assert [(one["cases"], one["state"]) for one in order["allocations"]] == [(5, "picked"), (15, "reserved")]
    assert floor.total() == 78
    unit = office.ok("GET", f"/v1/units/{pick['sscc']}")
    assert (unit["qa_state"], [one["reserved_cases"] for one in unit["contents"]]) == ("held", [0])
    with floor.database.transaction() as session:
        outbox = SQLModel.metadata.tables["outbox_message"]
        told = session.execute(select(outbox.c.data).where(outbox.c.kind == "count.wanted")).scalar_one()
    assert (told["sscc"], told["missing"], told["reason"]) == (pick["sscc"], 15, "rest is broken")
    [added] = done["added"]
    other = next(sscc for sscc in floor.ssccs if sscc != pick["sscc"])
    assert (added["list_id"], added["stop"], added["cases"], added["sscc"]) == (task["id"], 2, 15, other)
    assert done["line"] == (
        "Stop 1: 5 cases taken, the pallet is held for a count. The rest is at stop 2. 1 stop left."
    )
    again = floor.picker.made("/v1/pick-lists/next")
    assert (again["id"], again["picks"][1]["note"]) == (task["id"], "In place of what stop 1 did not give.")
    rest = floor.picker.made(f"/v1/picks/{added['pick_id']}/confirm", floor.right(again["picks"][1]))
    assert (rest["is_order_picked"], rest["to_sscc"]) == (True, done["to_sscc"])
    assert rest["line"].endswith("That was the last stop: bring it to staging.")
    assert floor.total() == 78


def test_a_pick_of_nothing_leaves_the_order_open_and_every_case_where_it_was(floor: Floor) -> None:
    task = floor.taken(12)
    [pick] = task["picks"]
    other = next(sscc for sscc in floor.ssccs if sscc != pick["sscc"])
    floor.api.as_("qa").made(f"/v1/units/{other}/hold", {"reason": "fell over"})
    done = floor.picker.made(
        f"/v1/picks/{pick['id']}/short", {"cases_found": 0, "reason": "the bay is empty"}
    )
    assert (done["picked_cases"], done["to_sscc"], done["is_list_done"], done["is_order_picked"]) == (
        0,
        None,
        True,
        False,
    )
    order = floor.picker.ok("GET", f"/v1/orders/{task['order_id']}")
    short = order["lines"][0]["short"]
    assert (order["state"], order["allocations"], short["cases"]) == ("open", [], 12)
    assert (short["reason"], "count" in short["text"]) == ("short_pick", True)
    assert floor.total() == 78


def test_cancelling_while_it_is_picked_frees_everything_and_closes_the_list(floor: Floor) -> None:
    task = floor.taken(60)
    first, second = task["picks"]
    floor.picker.made(f"/v1/picks/{first['id']}/confirm", floor.right(first))
    office = floor.api.as_("dispatcher")
    office.made(f"/v1/orders/{task['order_id']}/cancel", {"reason": "customer closed"})
    problem = floor.picker.refused(f"/v1/picks/{second['id']}/confirm", floor.right(second), 409, "pick-done")
    assert "customer closed" in problem["detail"]
    assert floor.picker.made("/v1/pick-lists/next") is None
    assert floor.total() == 78
    # What was picked already is ordinary stock again.
    answer = office.made("/v1/allocations/preview", {"order_ids": [floor.order(78)]})
    assert answer["served_cases"] == 78


def test_the_check_finds_books_that_disagree(floor: Floor) -> None:
    floor.lists(floor.order(12))
    changes = {
        "UPDATE unit_content SET reserved_cases = 3 WHERE reserved_cases > 0": "3 cases reserved, 12 allocated",
        "UPDATE order_line SET cases = 1": "12 cases serve the 1 asked for",
        "UPDATE sales_order SET state = 'cancelled'": "is cancelled but still holds 12 cases",
        "UPDATE pick SET state = 'done'": "its allocation reserved",
        "UPDATE pick_list SET state = 'done'": "its picks say otherwise",
    }
    with floor.database.transaction() as session:
        site_id = floor.api.callers["lead"].site_id
        for change, words in changes.items():
            assert list(reservations_that_disagree(session, site_id)) == []
            with session.begin_nested() as undone:
                session.execute(text(change))
                assert any(words in found for found in reservations_that_disagree(session, site_id))
                undone.rollback()


@pytest.mark.parametrize("path", ["not-found", "short", "damaged"])
def test_who_reports_a_pallet_locks_it_before_its_cases(floor: Floor, path: str) -> None:
    """Whoever takes cases locks the pallet first; the other way round two on one pallet wait in a circle."""
    if floor.database.settings.is_sqlite:
        pytest.skip("SQLite's writers take turns: there is nothing to wait for in a circle")
    [pick] = floor.taken(12)["picks"]
    right = floor.right(pick)
    body = {
        "not-found": {"bay_check_code": right["bay_check_code"], "reason": "gone"},
        "short": {"cases_found": 0, "reason": "gone"},
        "damaged": {
            "scan": right["scan"], "bay_check_code": right["bay_check_code"], "cases_taken": 5,
            "cases_damaged": 1, "reason": "wet",
        },
    }[path]  # fmt: skip
    answers: list[int] = []
    reporting = threading.Thread(
        target=lambda: answers.append(floor.picker.post(f"/v1/picks/{pick['id']}/{path}", body).status_code)
    )
    with floor.database.transaction() as session:
        unit_id = session.scalar(
            text("SELECT id FROM unit WHERE sscc = :sscc FOR UPDATE"), {"sscc": pick["sscc"]}
        )
        reporting.start()
        waiting = text(
            "SELECT count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        deadline = time.monotonic() + 60
        while not session.scalar(waiting) and time.monotonic() < deadline:
            session.execute(text("SELECT pg_stat_clear_snapshot()"))
            time.sleep(0.02)
        session.execute(text("SET LOCAL lock_timeout = '10s'"))
        session.execute(
            text("UPDATE unit_content SET cases = cases WHERE unit_id = :unit"), {"unit": unit_id}
        )
    reporting.join(60)
    assert answers == [200]
    assert floor.total() == 78
