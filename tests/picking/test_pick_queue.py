"""A handheld's offline queue: any order, any clock, twice; what stands against a call is told in one line."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlmodel import col

from builders.api import Api
from builders.databases import NOW
from builders.floor import Floor
from builders.grounds import Clock
from builders.stock import make_bay, make_lot, make_unit, make_zone, new_gtin, new_sscc
from rimekeep.picking import jobs
from rimekeep.picking.core.outcomes import Outcome, line_clock
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.queries import zone_by_code

ONE_LINE = 240  # characters; the longest a small screen shows without scrolling, own convention


def confirm(
    floor: Floor, pick: dict[str, Any], key: str, at: datetime = NOW, **changed: Any
) -> dict[str, Any]:
    """The call that confirms a pick as asked, with changes."""
    return {
        "key": key,
        "at": at.isoformat(),
        "call": "confirm",
        "pick_id": pick["id"],
        **floor.right(pick),
        **changed,
    }


def send(device: Api, calls: Sequence[dict[str, Any]], **facts: Any) -> list[dict[str, Any]]:
    """Send a queue; every answer has an outcome and one line."""
    body = device.made("/v1/pick-queue", {"calls": list(calls), **facts})
    assert [one["key"] for one in body["calls"]] == [call["key"] for call in calls]
    for one in body["calls"]:
        assert one["outcome"] in set(Outcome)
        assert one["line"]
        assert "\n" not in one["line"]
        assert len(one["line"]) <= ONE_LINE, one["line"]
    return body["calls"]  # type: ignore[no-any-return]


def test_a_queue_sent_shuffled_and_twice_ends_like_the_queue_as_it_was_made(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        staging = zone_by_code(session, caller.site_id, "STAGE")
        make_bay(session, NOW, caller, staging, code="S-1", check_code="71")
    [task] = floor.lists(floor.order(60))
    first, second = task["picks"]
    at = [NOW + timedelta(minutes=n) for n in range(5)]
    calls = [
        {"key": "k0", "at": at[0].isoformat(), "call": "take", "list_id": task["id"]},
        confirm(floor, first, "k1", at[1]),
        confirm(floor, second, "k2", at[2]),
        {
            "key": "k3",
            "at": at[3].isoformat(),
            "call": "bring",
            "list_id": task["id"],
            "bay": "S-1",
            "bay_check_code": "71",
        },
    ]
    # A clock set back in the middle: by the device, bringing comes before picking and taking comes last.
    calls[3]["at"] = (NOW - timedelta(days=3)).isoformat()
    calls[0]["at"] = (NOW + timedelta(days=400)).isoformat()
    shuffled = [*calls, *calls]
    random.Random(5).shuffle(shuffled)
    answers = send(floor.picker, shuffled)
    outcomes = sorted((one["key"], one["outcome"]) for one in answers)
    assert outcomes == [(f"k{n}", outcome) for n in range(4) for outcome in ("done", "repeated")]
    again = send(floor.picker, calls[::-1])
    assert [(one["outcome"], one["first"]) for one in again] == [("repeated", "done")] * 4
    assert all(one["line"].startswith("Known already, not counted again: ") for one in again)
    assert again[1]["result"]["picked_cases"] == second["cases"]
    assert floor.picker.ok("GET", f"/v1/orders/{task['order_id']}")["state"] == "picked"
    with floor.database.transaction(readonly=True) as session:
        kinds = list(session.scalars(select(col(LedgerEvent.kind))))
        said = session.scalars(
            select(LedgerEvent).where(col(LedgerEvent.kind).in_(("pick.confirmed", "pick_list.brought")))
        ).all()
    assert (kinds.count("pick.confirmed"), kinds.count("pick_list.brought")) == (2, 1)
    # As it was said, and beside it the time of the service.
    assert {event.data["device_at"] for event in said} == {
        at[1].isoformat(), at[2].isoformat(), (NOW - timedelta(days=3)).isoformat(),
    }  # fmt: skip
    assert {event.at for event in said} == {NOW}
    assert floor.total() == 78


def test_a_clock_that_is_wrong_is_told_and_changes_nothing(floor: Floor) -> None:
    [pick] = floor.taken(12)["picks"]
    wrong = NOW - timedelta(days=2, hours=5)
    body = {"calls": [confirm(floor, pick, "k", wrong)], "sent_at": wrong.isoformat()}
    answer = floor.picker.made("/v1/pick-queue", body)
    assert answer["clock_off_s"] == 53 * 3600
    assert answer["clock_line"] == "This device's clock is 2 d 5 h behind: set it. Nothing is lost by it."
    assert answer["calls"][0]["outcome"] == "done"
    assert (
        line_clock(-3 * 3600 - 120)
        == "This device's clock is 3 h 2 min ahead: set it. Nothing is lost by it."
    )
    assert line_clock(250) is None
    assert floor.total() == 78


@pytest.mark.parametrize("call", ["confirm", "short", "damaged", "not_found", "substitute", "bring"])
def test_a_call_that_lacks_what_it_needs_is_refused_alone(floor: Floor, call: str) -> None:
    task = floor.taken(12)
    bare = {"key": "k", "at": NOW.isoformat(), "call": call}
    named = {**bare, "key": "k2", "pick_id": task["picks"][0]["id"], "list_id": task["id"]}
    good = confirm(floor, task["picks"][0], "k3")
    answers = send(floor.picker, [bare, named, good] if call != "not_found" else [bare, good])
    assert {one["outcome"] for one in answers[:-1]} == {"refused"}
    assert answers[-1]["outcome"] == "done"
    assert floor.total() == 78


def test_what_cannot_be_scanned_right_is_refused_in_one_line(floor: Floor) -> None:
    with floor.database.transaction() as session:
        caller = floor.api.callers["lead"]
        zone = make_zone(session, NOW, caller, code="KEGS")
        bay = make_bay(session, NOW, caller, zone, code="K-7")
        elsewhere = make_unit(session, NOW, caller, make_lot(session, NOW, caller), bay=bay)
    [pick] = floor.taken(12)["picks"]
    lot = floor.lot_code
    for scan, code, words in (
        ("4006381333931", "lot-not-scanned", "lot is missing"),  # somebody else's article
        ("https://inn.example/menu?table=4", "scan-unreadable", ""),  # a menu
        ("WIFI:T:WPA;S:inn;P:guest;;", "scan-unreadable", ""),
        (f"01{new_gtin()}10{lot}", "wrong-product", lot),
        (f"01{floor.gtin}10OTHER", "wrong-lot", "OTHER"),
        (new_sscc(), "wrong-unit", "not known"),
        (elsewhere.sscc, "wrong-lot", "zone KEGS, bay K-7"),
    ):
        [answer] = send(floor.picker, [confirm(floor, pick, f"k {scan}", scan=scan)])
        assert (answer["outcome"], answer["code"]) == ("refused", code), answer
        assert words in answer["line"], answer["line"]
    [answer] = send(floor.picker, [confirm(floor, pick, "more", cases=13)])
    assert (answer["code"], answer["line"]) == (
        "too-many-cases", "13 cases are confirmed, 12 are asked for. Put 1 back.",
    )  # fmt: skip
    # Nothing of all this is remembered: with the right scan the same key does it.
    [answer] = send(floor.picker, [confirm(floor, pick, "more")])
    assert answer["outcome"] == "done"
    assert floor.total() == 78 + 48


def test_what_is_picked_held_or_over_meanwhile_is_told_and_stays_where_it_is(
    floor: Floor, clock: Clock
) -> None:
    whole, part = floor.taken(60)["picks"]
    if whole["how"] != "pallet":
        whole, part = part, whole
    send(floor.picker, [confirm(floor, whole, "k1")])
    [answer] = send(floor.picker, [confirm(floor, part, "k2", scan=whole["sscc"])])
    assert answer["code"] == "wrong-unit"
    assert "On record it is picked already." in answer["line"]
    qa = floor.api.as_("qa")
    qa.made(f"/v1/units/{part['sscc']}/hold", {"reason": "haze"})
    [answer] = send(floor.picker, [confirm(floor, part, "k3")])
    assert (answer["outcome"], answer["code"]) == ("refused", "stock-held")
    assert answer["line"] == (
        f"Pallet {part['sscc']} is held by QA: haze. Leave it, and report the pick short or ask QA."
    )
    qa.made(f"/v1/units/{part['sscc']}/release", {"reason": "clear"})
    # The beer is over before the queue comes in, whatever the device's clock said when it was picked.
    clock.now += timedelta(days=200)
    [answer] = send(floor.picker, [confirm(floor, part, "k4", NOW)])
    assert (answer["outcome"], answer["code"]) == ("refused", "over-at-delivery")
    assert "it is delivered on" in answer["line"]
    # The first was said under another key as well.
    answers = send(floor.picker, [confirm(floor, whole, "k1"), confirm(floor, whole, "k5")])
    assert [one["outcome"] for one in answers] == ["repeated", "repeated"]
    assert floor.total() == 78


def test_a_list_taken_over_is_over_for_the_device_before_whatever_it_sends(floor: Floor) -> None:
    task = floor.taken(60)
    first, second = task["picks"]
    spare = floor.device("spare")
    floor.api.as_("lead").made(f"/v1/pick-lists/{task['id']}/take-over", {"reason": "no answer for an hour"})
    take = {"key": "t", "at": NOW.isoformat(), "call": "take", "list_id": task["id"]}
    late = [take, confirm(floor, first, "k1"), confirm(floor, second, "k2")]
    answers = send(floor.picker, late)
    assert [(one["outcome"], one["code"]) for one in answers] == [("over", "list-taken-over")] * 3
    assert answers[1]["line"].endswith("Put down what you hold of it, and take the next list.")
    spare.made("/v1/pick-lists/next")
    assert send(spare, [confirm(floor, first, "k1")])[0]["outcome"] == "done"
    answers = send(floor.picker, late)
    assert [one["outcome"] for one in answers] == ["over"] * 3
    assert answers[1]["line"].endswith(f"Put your {first['cases']} cases back.")
    other = send(floor.device("third"), [confirm(floor, second, "k")])
    assert (other[0]["outcome"], other[0]["code"]) == ("over", "list-leased")
    assert floor.total() == 78


def test_a_queue_after_the_order_was_cancelled_is_over_and_everything_is_free_again(floor: Floor) -> None:
    task = floor.taken(60)
    calls = [confirm(floor, pick, f"k{pick['id']}") for pick in task["picks"]]
    send(floor.picker, calls[:1])
    floor.api.as_("dispatcher").made(f"/v1/orders/{task['order_id']}/cancel", {"reason": "inn burnt down"})
    answers = send(floor.picker, calls)
    assert [one["outcome"] for one in answers] == ["repeated", "over"]
    assert "order cancelled: inn burnt down" in answers[1]["line"]
    back = {"key": "b", "at": NOW.isoformat(), "call": "hand_back", "list_id": task["id"]}
    assert send(floor.picker, [back])[0]["outcome"] == "over"
    assert floor.total() == 78
    preview = floor.api.as_("dispatcher").made("/v1/allocations/preview", {"order_ids": [floor.order(78)]})
    assert preview["served_cases"] == 78


def test_a_device_that_was_silent_for_long_loses_no_work_while_nobody_else_took_it(
    floor: Floor, clock: Clock
) -> None:
    task = floor.taken(60)
    clock.now += timedelta(hours=3)
    with floor.database.transaction() as session:
        jobs.return_leases(session, clock.now)
    calls = [confirm(floor, pick, f"k{pick['id']}", clock.now) for pick in task["picks"]]
    assert [one["outcome"] for one in send(floor.picker, calls)] == ["done", "done"]
    assert floor.picker.ok("GET", f"/v1/orders/{task['order_id']}")["state"] == "picked"
    assert floor.total() == 78


def test_what_was_answered_but_never_heard_is_known_in_the_queue(floor: Floor) -> None:
    first, second = floor.taken(60)["picks"]
    floor.picker.post(f"/v1/picks/{first['id']}/confirm", floor.right(first), key="lost answer")
    answers = send(
        floor.picker,
        [
            confirm(floor, first, "lost answer"),
            confirm(floor, second, "lost answer"),
            confirm(floor, second, "own"),
        ],
    )
    assert [(one["outcome"], one["code"]) for one in answers] == [
        ("repeated", None), ("refused", "idempotency-key-reused"), ("done", None),
    ]  # fmt: skip
    assert answers[0]["result"]["pick_id"] == first["id"]
    # The other way round: known to the queue, the key is nobody else's.
    floor.picker.refused(
        f"/v1/picks/{second['id']}/confirm", floor.right(second), 422, "idempotency-key-reused", key="own"
    )
    answers = send(floor.picker, [confirm(floor, second, "own", cases=1)])
    assert answers[0]["code"] == "idempotency-key-reused"
    assert floor.total() == 78


def test_all_a_picker_can_report_comes_through_the_queue(floor: Floor) -> None:
    task = floor.taken(28)
    [pick] = task["picks"]
    right = floor.right(pick)
    common = {"at": NOW.isoformat(), "pick_id": pick["id"], "bay_check_code": right["bay_check_code"]}
    scan = {"scan": right["scan"]}
    damaged = {
        **common,
        **scan,
        "key": "1",
        "call": "damaged",
        "cases": 5,
        "cases_damaged": 2,
        "reason": "wet",
    }
    [answer] = send(floor.picker, [damaged])
    assert answer["outcome"] == "damaged"
    added = answer["result"]["added"][0]
    short = {
        **damaged,
        "key": "2",
        "call": "short",
        "pick_id": added["pick_id"],
        "cases": 4,
        "reason": "gone",
    }
    del short["cases_damaged"]
    [answer] = send(floor.picker, [short])
    assert answer["outcome"] == "short"
    added = answer["result"]["added"][0]
    gone = {"key": "3", "at": NOW.isoformat(), "call": "not_found", "pick_id": added["pick_id"]}
    gone["bay_check_code"] = floor.codes[added["bay_code"]]
    beat = {"key": "4", "at": NOW.isoformat(), "call": "heartbeat", "list_id": task["id"]}
    answers = send(floor.picker, [beat, gone])
    assert [one["outcome"] for one in answers] == ["done", "not_found"]
    replayed = send(floor.picker, [gone, short, damaged, beat])
    assert [one["first"] for one in replayed] == ["not_found", "short", "damaged", "done"]
    order = floor.picker.ok("GET", f"/v1/orders/{task['order_id']}")
    assert (order["state"], order["lines"][0]["short"]["cases"]) == ("picked", 19)
    assert floor.total() == 78


def test_a_list_is_handed_back_after_all_the_queue_says_of_it_whatever_the_clock_said(floor: Floor) -> None:
    task = floor.taken(60)
    back = {
        "key": "b", "at": (NOW - timedelta(days=1)).isoformat(), "call": "hand_back", "list_id": task["id"],
    }  # fmt: skip
    answers = send(floor.picker, [back, confirm(floor, task["picks"][0], "k")])
    assert [one["outcome"] for one in answers] == ["done", "done"]
    shown = floor.picker.ok("GET", f"/v1/pick-lists/{task['id']}")
    assert (shown["state"], shown["device_id"]) == ("ready", None)
    assert floor.total() == 78


def test_a_device_that_gets_its_list_again_after_it_was_taken_from_it_holds_it_like_any_other(
    floor: Floor, clock: Clock
) -> None:
    task = floor.taken(60)
    floor.api.as_("lead").made(f"/v1/pick-lists/{task['id']}/take-over", {"reason": "battery"})
    again = floor.picker.made("/v1/pick-lists/next")
    assert again["id"] == task["id"]
    # Silent for long after that: its work counts, as it does for any device.
    clock.now += timedelta(hours=3)
    with floor.database.transaction() as session:
        jobs.return_leases(session, clock.now)
    calls = [confirm(floor, pick, f"k{pick['id']}", clock.now) for pick in again["picks"]]
    assert [one["outcome"] for one in send(floor.picker, calls)] == ["done", "done"]
    assert floor.total() == 78


def test_however_long_a_reason_is_the_picker_reads_one_line(floor: Floor) -> None:
    task = floor.taken(60)
    first, second = task["picks"]
    reason = "the seal of the pallet is torn and nobody can say since when " * 7
    floor.api.as_("qa").made(f"/v1/units/{first['sscc']}/hold", {"reason": reason})
    [answer] = send(floor.picker, [confirm(floor, first, "k1")])
    assert answer["code"] == "stock-held"
    assert answer["line"].endswith("Leave it, and report the pick short or ask QA.")
    floor.api.as_("dispatcher").made(f"/v1/orders/{task['order_id']}/cancel", {"reason": reason})
    [answer] = send(floor.picker, [confirm(floor, second, "k2")])
    assert answer["line"].startswith(f"Stop {second['stop']} is off (order cancelled: the seal")
    assert "put them back" in answer["line"]
    assert floor.total() == 78


def test_a_key_of_a_stop_is_not_that_of_a_list_with_the_same_number(floor: Floor) -> None:
    """What was answered under the key named a pick; a list has the same number by chance."""
    task = floor.taken(60)
    pick = task["picks"][0]
    floor.picker.post(f"/v1/picks/{pick['id']}/confirm", floor.right(pick), key="one")
    beat = {"key": "one", "at": NOW.isoformat(), "call": "heartbeat", "list_id": pick["id"]}
    [answer] = send(floor.picker, [beat])
    assert (answer["outcome"], answer["code"]) == ("refused", "idempotency-key-reused")


def test_a_picker_reads_every_outcome_in_the_language_of_the_phone(floor: Floor) -> None:
    """Live and from the queue, and what is repeated in whichever language it is asked for again."""
    german = {"Accept-Language": "de"}
    first, second = floor.taken(60)["picks"]
    body = floor.right(first) | {"bay_check_code": "no"}
    wrong = floor.picker.request("POST", f"/v1/picks/{first['id']}/confirm", json=body, headers=german).json()
    assert wrong["type"] == "/problems/wrong-bay"
    assert wrong["detail"].startswith("Der Prüfcode no ist nicht der von Platz ")
    queue = {"calls": [confirm(floor, first, "k1"), confirm(floor, second, "k2", bay_check_code="no")]}
    told = floor.picker.request("POST", "/v1/pick-queue", json=queue, headers=german)
    assert told.headers["content-language"] == "de-DE"
    done, refused = told.json()["calls"]
    end = done["result"]["to_sscc"][-6:]
    assert done["line"] == f"Halt {first['stop']}: {first['cases']} Kisten auf Palette {end}. Noch 1 Halt."
    assert done["result"]["line"] == done["line"]
    assert refused["line"].startswith("Der Prüfcode no ist nicht der von Platz ")
    [again] = floor.picker.request(
        "POST", "/v1/pick-queue", json={"calls": queue["calls"][:1]}, headers=german
    ).json()["calls"]
    assert again["line"] == f"Schon bekannt, nicht noch einmal gezählt: {done['line']}"
    [english] = send(floor.picker, queue["calls"][:1])
    assert english["line"] == (
        f"Known already, not counted again: Stop {first['stop']}: {first['cases']} cases on pallet {end}. 1 stop left."
    )
