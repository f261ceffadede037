"""Customers' rules and places through HTTP: told, changed on condition, removed where nothing rests on them."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import text

from builders.api import Api
from builders.store import product_body
from rimekeep.orders import queries
from rimekeep.orders.core.rules import Rules
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, broken_links

WHY = {"reason": "agreed by letter (invented)"}


@pytest.fixture
def office(api: Api) -> Api:
    return api.as_("dispatcher")


@pytest.fixture
def product_id(api: Api) -> int:
    return int(api.as_("lead").made("/v1/products", product_body("X"))["id"])


def customer(office: Api, **facts: Any) -> dict[str, Any]:
    body = {"code": "INN", "name": "The inn (invented)", "contact": "desk", **facts}
    return office.made("/v1/customers", body)  # type: ignore[no-any-return]


def tag(office: Api, path: str) -> dict[str, str]:
    return {"If-Match": office.get(path).headers["etag"]}


def order(office: Api, customer_id: int, product_id: int, code: str = "SO-1", **facts: Any) -> dict[str, Any]:
    lines = [{"product_id": product_id, "cases": 4}]
    day = "2026-03-17"
    body = {
        "code": code,
        "customer_id": customer_id,
        "ship_on": day,
        "deliver_on": day,
        "lines": lines,
        **facts,
    }
    return office.made("/v1/orders", body)  # type: ignore[no-any-return]


def events(database: Database, kind: str) -> list[tuple[str, dict[str, Any]]]:
    with database.transaction() as session:
        site_id = session.scalar(text("SELECT min(id) FROM site"))
        assert list(broken_links(session, site_id)) == []
        rows = session.query(LedgerEvent).filter_by(kind=kind).all()
        return [(row.reason or "", row.data) for row in rows]


def test_a_customer_is_changed_on_condition_and_both_states_stay_on_record(
    office: Api, database: Database
) -> None:
    path = f"/v1/customers/{customer(office, min_life_days=30)['id']}"
    seen = tag(office, path)
    body = {"min_life_days": 45, "min_life_fraction": 0.5, "contact": "gate", "max_lots_per_line": 2, **WHY}
    assert office.request("PATCH", path, json=body).status_code == 428
    changed = office.ok("PATCH", path, body, headers=seen)
    assert (changed["min_life_days"], changed["min_life_fraction"], changed["contact"]) == (45, 0.5, "gate")
    # Somebody who read it before is told, and the way back is open to who read it after.
    assert office.request("PATCH", path, json={"min_life_days": 1, **WHY}, headers=seen).status_code == 412
    assert office.get(path).json() == changed
    office.ok(
        "PATCH",
        path,
        {"max_lots_per_line": None, "min_life_fraction": None, **WHY},
        headers=tag(office, path),
    )
    # The same again changes nothing and leaves nothing on record.
    office.ok("PATCH", path, {"min_life_days": 45, **WHY}, headers=tag(office, path))
    told = events(database, "customer.changed")
    assert [reason for reason, _ in told] == [WHY["reason"]] * 2
    assert told[0][1]["before"] == {"min_life_days": 30, "min_life_fraction": None, "max_lots_per_line": None}
    assert told[0][1]["after"] == {"min_life_days": 45, "min_life_fraction": 0.5, "max_lots_per_line": 2}
    assert sorted(told[0][1]["fields"]) == sorted(body.keys() - {"reason"})
    assert "gate" not in str(told), "whom to call stays out of the ledger"
    for bad in (
        WHY,
        {"min_life_days": None, **WHY},
        {"min_life_days": 45},
        {"min_life_fraction": 1.01, **WHY},
        {"min_life_fraction": "0,5", **WHY},
        {"code": "NEW", **WHY},
    ):
        answer = office.request("PATCH", path, json=bad, headers={"If-Match": "*"})
        assert answer.status_code == 422, bad
        assert all(fault["mend"] for fault in answer.json()["errors"])


def test_each_rule_of_a_line_is_its_own_else_the_product_s_else_the_customer_s(
    office: Api, database: Database, product_id: int
) -> None:
    mine = customer(
        office, min_life_days=30, min_life_fraction=0.5, max_lots_per_line=3, no_backward_date=True
    )
    other = customer(office, code="SHOP")
    rules = f"/v1/customers/{mine['id']}/rules"
    made = office.made(rules, {"product_id": product_id, "min_life_days": 60, "no_backward_date": False})
    office.refused(rules, {"product_id": product_id, "min_life_days": 1}, 409, "customer-rule-exists")
    office.refused(rules, {"product_id": product_id}, 422, "invalid-input")
    office.refused(rules, {"product_id": 4711, "min_life_days": 1}, 422, "invalid-input")
    office.refused(
        "/v1/customers/4711/rules", {"product_id": product_id, "min_life_days": 1}, 404, "customer-not-found"
    )
    lines = [
        {"product_id": product_id, "cases": 1},
        {"product_id": product_id, "cases": 1, "min_life_days": 5, "min_life_fraction": 0.9},
    ]
    placed = order(office, mine["id"], product_id, lines=lines)
    elsewhere = order(office, other["id"], product_id, "SO-2")
    plain, own = (line["id"] for line in placed["lines"])
    site_id = office.callers["lead"].site_id

    def resolved() -> list[Rules]:
        with database.transaction() as session:
            found = queries.line_rules(session, site_id, [plain, own, elsewhere["lines"][0]["id"]])
            opened = {one.line_id: one for one in queries.open_lines(session, site_id)}
            for line_id, rule in found.items():
                one = opened[line_id]
                assert (one.min_life_days, one.min_life_fraction, one.no_backward_date, one.max_lots) == (
                    rule.min_life_days, rule.min_life_fraction, rule.no_backward_date, rule.max_lots,
                )  # fmt: skip
            return list(found.values())

    assert resolved() == [Rules(60, 0.5, False, 3), Rules(5, 0.9, False, 3), Rules()]
    path = f"/v1/customer-rules/{made['id']}"
    office.ok(
        "PATCH", path, {"min_life_days": None, "max_lots_per_line": 1, **WHY}, headers=tag(office, path)
    )
    assert resolved()[0] == Rules(30, 0.5, False, 1)
    nothing = {"no_backward_date": None, "max_lots_per_line": None, **WHY}
    assert office.request("PATCH", path, json=nothing, headers=tag(office, path)).status_code == 422
    assert office.ok("GET", rules)["items"] == [office.ok("GET", path)]
    assert office.request("DELETE", path, headers=tag(office, path)).status_code == 422
    gone = office.request("DELETE", path, params=WHY, headers=tag(office, path))
    assert (gone.status_code, gone.content, office.get(path).status_code) == (204, b"", 404)
    assert resolved()[0] == Rules(30, 0.5, True, 3)
    [(reason, data)] = events(database, "customer-rule.removed")
    assert (reason, data["before"]["max_lots_per_line"], data["after"]) == (WHY["reason"], 1, None)


def test_places_have_a_position_and_a_window_that_can_be_meant(
    office: Api, database: Database, product_id: int
) -> None:
    mine, other = customer(office), customer(office, code="SHOP")
    drops = f"/v1/customers/{mine['id']}/drops"
    yard = {
        "code": "YARD", "name": "The yard (invented)", "contact": "gate", "latitude": 49.7475, "longitude": 13.3776,
        "opens_at": "06:00", "closes_at": "11:30",
    }  # fmt: skip
    made = office.made(drops, yard)
    assert {name: made[name] for name in yard} == yard
    for bad, field in (
        ({"latitude": 91}, "latitude"),
        ({"longitude": None}, "longitude"),
        ({"opens_at": None}, "opens_at"),
        ({"closes_at": "05:59"}, "closes_at"),
        ({"closes_at": "06:00"}, "closes_at"),
        ({"closes_at": "12:00:00Z"}, "closes_at"),
        ({"opens_at": "25:00"}, "opens_at"),
    ):
        problem = office.refused(drops, {**yard, "code": "B", **bad}, 422, "invalid-input")
        assert [fault["field"] for fault in problem["errors"]] == [field], bad
        assert problem["errors"][0]["mend"]
    office.refused(drops, yard, 409, "customer-drop-exists")
    office.made(f"/v1/customers/{other['id']}/drops", yard)
    path = f"/v1/drops/{made['id']}"
    moved = office.ok("PATCH", path, {"latitude": None, "longitude": None, **WHY}, headers=tag(office, path))
    assert (moved["latitude"], moved["opens_at"]) == (None, "06:00")
    half = office.request("PATCH", path, json={"opens_at": None, **WHY}, headers=tag(office, path))
    assert (half.status_code, half.json()["errors"][0]["field"]) == (422, "opens_at")
    placed = order(office, mine["id"], product_id, drop_id=made["id"], external_reference="4500-1")
    assert (placed["drop_id"], placed["external_reference"]) == (made["id"], "4500-1")
    strange = {"code": "SO-2", "customer_id": other["id"], "ship_on": "2026-03-17", "deliver_on": "2026-03-17",
               "drop_id": made["id"], "lines": [{"product_id": product_id, "cases": 1}]}  # fmt: skip
    problem = office.refused("/v1/orders", strange, 422, "invalid-input")
    assert problem["errors"][0]["field"] == "drop_id"

    def remove(where: str) -> tuple[int, str]:
        answer = office.request("DELETE", where, params=WHY, headers=tag(office, where))
        return answer.status_code, answer.json()["type"] if answer.content else ""

    assert remove(path) == (409, "/problems/customer-drop-in-use")
    assert remove(f"/v1/customers/{mine['id']}") == (409, "/problems/customer-in-use")
    # Nothing was ever placed for the other: they go with all that is theirs.
    assert remove(f"/v1/customers/{other['id']}") == (204, "")
    assert office.ok("GET", "/v1/customers")["items"] == [office.ok("GET", f"/v1/customers/{mine['id']}")]
    assert [data["before"]["code"] for _, data in events(database, "customer.removed")] == ["SHOP"]


def test_a_batch_of_orders_is_told_one_by_one(office: Api, product_id: int) -> None:
    mine = customer(office)
    day = "2026-03-17"

    def one(code: str, **facts: Any) -> dict[str, Any]:
        lines = [{"product_id": product_id, "cases": 4}]
        return {
            "code": code,
            "customer_id": mine["id"],
            "ship_on": day,
            "deliver_on": day,
            "lines": lines,
            **facts,
        }

    line = {"product_id": product_id, "cases": 4}
    batch = [
        one("A"),
        one("B", customer_id=4711),
        one("A"),
        one("A", priority=3),
        one("C", lines=[{**line, "cases": 0}]),
        one("D", lines=[{**line, "cases": 10**9}]),
        one("E", lines=[{**line, "line_no": 1}, {**line, "line_no": 1}]),
        one("F", deliver_on="2026-03-16"),
        one("G", ship_on="17.03.2026"),
        "nonsense",
        one("H", lines=[{"product_id": 4711, "cases": -3}]),
        one("I", drop_id=4711),
        one("J"),
    ]
    said = office.ok("POST", "/v1/orders/batch", {"orders": batch})
    assert [(item["code"], item["outcome"]) for item in said["items"]] == [
        ("A", "placed"), ("B", "invalid"), ("A", "unchanged"), ("A", "conflict"), ("C", "invalid"), ("D", "invalid"),
        ("E", "invalid"), ("F", "invalid"), ("G", "invalid"), (None, "invalid"), ("H", "invalid"), ("I", "invalid"),
        ("J", "placed"),
    ]  # fmt: skip
    assert (said["placed"], said["unchanged"], said["conflict"], said["invalid"]) == (2, 1, 1, 9)
    fields = {item["index"]: [fault["field"] for fault in item["errors"]] for item in said["items"]}
    assert fields[1] == ["customer_id"]
    assert fields[4] == fields[5] == ["lines[0].cases"]
    assert (fields[6], fields[7], fields[8], fields[11]) == (
        ["lines[1].line_no"], ["deliver_on"], ["ship_on"], ["drop_id"],
    )  # fmt: skip
    assert all(fault["mend"] for item in said["items"] for fault in item["errors"])
    again = office.ok("POST", "/v1/orders/batch", {"orders": [one("A"), one("J")]})
    assert [item["outcome"] for item in again["items"]] == ["unchanged", "unchanged"]
    assert [row["code"] for row in office.ok("GET", "/v1/orders")["items"]] == ["A", "J"]
    assert again["items"][0]["order_id"] == said["items"][0]["order_id"]
    office.refused("/v1/orders/batch", {"orders": []}, 422, "invalid-input")


def test_a_customer_goes_with_what_was_forecast_of_them(
    office: Api, database: Database, product_id: int
) -> None:
    mine = customer(office)
    rows = [
        {"product_id": product_id, "customer_id": whose, "day": "2026-03-20", "cases": 7}
        for whose in (mine["id"], None)
    ]
    office.made("/v1/forecasts", {"forecasts": rows})
    path = f"/v1/customers/{mine['id']}"
    gone = office.request("DELETE", path, params=WHY, headers=tag(office, path))
    assert gone.status_code == 204, gone.text
    assert [one["customer_id"] for one in office.ok("GET", "/v1/forecasts")["items"]] == [None]


def test_what_was_made_is_told_with_its_tag(office: Api, product_id: int) -> None:
    """So that whoever made it may change it without reading it first."""
    made = office.post("/v1/customers", {"code": "INN", "name": "The inn (invented)"})
    path = f"/v1/customers/{made.json()['id']}"
    told = [(path, made, {"contact": "gate"})]
    rule = office.post(f"{path}/rules", {"product_id": product_id, "min_life_days": 1})
    told.append((f"/v1/customer-rules/{rule.json()['id']}", rule, {"min_life_days": 2}))
    drop = office.post(f"{path}/drops", {"code": "YARD", "name": "The yard (invented)"})
    told.append((f"/v1/drops/{drop.json()['id']}", drop, {"contact": "gate"}))
    for where, answer, change in told:
        assert answer.status_code == 201
        assert answer.headers["etag"] == office.get(where).headers["etag"]
        office.ok("PATCH", where, {**change, **WHY}, headers={"If-Match": answer.headers["etag"]})


def test_whoever_is_told_of_a_conflict_is_told_the_way_out(office: Api, product_id: int) -> None:
    mine = customer(office)
    yard = {"code": "YARD", "name": "The yard (invented)"}
    path = f"/v1/customers/{mine['id']}"
    drop = office.made(f"{path}/drops", yard)
    order(office, mine["id"], product_id, drop_id=drop["id"])
    placed = {"code": "SO-1", "customer_id": mine["id"], "ship_on": "2026-03-17", "deliver_on": "2026-03-17"}
    line = {"product_id": product_id, "cases": 1}
    for answer, code, name in (
        (
            office.post("/v1/customers", {"code": "INN", "name": "Another (invented)"}),
            "customer-exists",
            "INN",
        ),
        (office.post(f"{path}/drops", yard), "customer-drop-exists", "YARD"),
        (office.post("/v1/orders", {**placed, "lines": [line]}), "order-exists", "SO-1"),
        (office.request("DELETE", path, params=WHY, headers={"If-Match": "*"}), "customer-in-use", "INN"),
        (
            office.request("DELETE", f"/v1/drops/{drop['id']}", params=WHY, headers={"If-Match": "*"}),
            "customer-drop-in-use",
            "YARD",
        ),
    ):
        problem = answer.json()
        assert (answer.status_code, problem["type"]) == (409, f"/problems/{code}")
        [fault] = problem["errors"]
        assert name in fault["detail"]
        assert fault["field"]
        assert fault["mend"]
