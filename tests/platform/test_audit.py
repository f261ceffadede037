"""The audit trail: what was changed, by whom, from where and why, whoever wrote the use case."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import String, cast, event, select, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

import rimekeep.main  # noqa: F401 - every feature's tables
from builders.api import Api
from builders.grounds import Clock
from builders.store import product_body
from rimekeep.access.tables import AccessToken, Principal
from rimekeep.access.usecases import open_new_site
from rimekeep.platform import audit
from rimekeep.platform.database import Database


def entries(api: Api, **asked: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.ok("GET", "/v1/audit", params={"limit": 1000, **asked})["items"]
    return found


def customer(api: Api) -> Any:
    return api.made("/v1/customers", {"code": "INN", "name": "The inn (invented)"})


def test_an_edit_tells_who_when_from_where_before_after_and_why(api: Api, clock: Clock) -> None:
    """21 CFR 11.10(e): time-stamped, entries that create, modify or delete; earlier values stay readable."""
    made = customer(api)
    clock.now += timedelta(minutes=5)
    path, lead = f"/v1/customers/{made['id']}", api.as_("lead")
    change = {"name": "The new inn (invented)", "max_lots_per_line": 2, "reason": "bought by its neighbour"}
    changed = lead.request("PATCH", path, json=change, headers={"If-Match": "*", "X-Request-Id": "r-7"})
    assert changed.status_code == 200
    api.request("DELETE", path, params={"reason": "closed for good"}, headers={"If-Match": "*"})
    told = entries(api, object_kind="customer", object_id=str(made["id"]))
    assert [one["action"] for one in told] == ["added", "changed", "removed"]
    added, edit, removed = told
    assert (added["after"]["name"], added["before"]) == ("The inn (invented)", {})
    assert edit["before"] == {"name": "The inn (invented)", "max_lots_per_line": None}
    assert edit["after"] == {"name": "The new inn (invented)", "max_lots_per_line": 2}
    assert (edit["actor"], edit["reason"], edit["request_id"]) == (
        "the lead",
        "bought by its neighbour",
        "r-7",
    )
    assert (edit["at"], edit["address"]) == ("2026-03-16T06:05:00Z", "testclient")
    assert edit["via"].startswith("token ")
    assert (removed["before"]["name"], removed["after"]) == ("The new inn (invented)", {})
    assert removed["reason"] == "closed for good"


def test_what_goes_with_a_customer_is_told_too(api: Api) -> None:
    path = f"/v1/customers/{customer(api)['id']}"
    api.made(f"{path}/drops", {"code": "YARD", "name": "The yard"})
    api.request("DELETE", path, params={"reason": "closed for good"}, headers={"If-Match": "*"})
    assert [one["action"] for one in entries(api, object_kind="customer_drop")] == ["added", "removed"]


def test_a_header_may_say_why(api: Api) -> None:
    api.made("/v1/products", product_body("X"), headers={"Change-Reason": "new in the range"})
    assert [one["reason"] for one in entries(api, object_kind="product")] == ["new in the range"]


def test_a_refused_or_repeated_change_leaves_no_entry(api: Api) -> None:
    made = customer(api)
    before = entries(api)
    repeated = api.post("/v1/customers", {"code": "INN", "name": "Again"})
    assert repeated.status_code == 409
    stale = {"If-Match": '"another"'}
    path = f"/v1/customers/{made['id']}"
    assert (
        api.request("PATCH", path, json={"name": "B", "reason": "why not"}, headers=stale).status_code == 412
    )
    same = {"name": made["name"], "reason": "nothing new"}
    assert api.request("PATCH", path, json=same, headers={"If-Match": "*"}).status_code == 200
    assert entries(api) == before


def test_no_secret_is_in_the_trail(api: Api, database: Database) -> None:
    token = api.made("/v1/people", {"name": "N. New", "roles": ["qa"]})["token"]
    code = api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"]})["code"]
    hook = api.made("/v1/subscriptions", {"url": "http://127.0.0.1:9/services/kept-here?k=opensesame"})
    with database.transaction(readonly=True) as session:
        kept = " ".join(str(row) for row in session.execute(text("SELECT * FROM audit_entry")))
        hashes = [*session.scalars(text("SELECT token_hash FROM access_token"))]
        hashes += session.scalars(text("SELECT code_hash FROM invitation"))
    assert "access_token" in kept
    assert "subscription" in kept
    assert audit.WITHHELD in kept
    secrets = [token, code, *hashes, *(str(value) for name, value in hook.items() if "secret" in name)]
    assert [secret for secret in secrets if secret in kept] == []
    assert "http://127.0.0.1:9/" in kept
    assert "kept-here" not in kept
    assert "opensesame" not in kept


@pytest.mark.parametrize("statement", ["UPDATE audit_entry SET reason = 'x'", "DELETE FROM audit_entry"])
def test_the_database_lets_nobody_change_or_remove_an_entry(
    api: Api, database: Database, statement: str
) -> None:
    customer(api)
    before = entries(api)
    with pytest.raises(DBAPIError, match="append-only"), database.engine.begin() as connection:
        connection.execute(text(statement))
    if database.settings.is_sqlite:
        again = "INSERT OR REPLACE INTO audit_entry SELECT * FROM audit_entry"
        with pytest.raises(DBAPIError, match="append-only"), database.engine.begin() as connection:
            connection.execute(text(again))
    assert before
    assert entries(api) == before


def test_the_trail_is_searched_paged_and_written_as_a_table(api: Api, clock: Clock) -> None:
    for number in range(3):
        clock.now += timedelta(hours=1)
        api.as_("lead").made("/v1/customers", {"code": f"C{number}", "name": "=1+1"})
    found = entries(api, object_kind="customer")
    lead = found[0]["actor_id"]
    assert len(entries(api, actor_id=lead)) == 3
    window = {"from_at": "2026-03-16T08:00:00Z", "until_at": "2026-03-16T09:00:00Z"}
    assert [one["id"] for one in entries(api, **window)] == [found[1]["id"]]
    first = api.ok("GET", "/v1/audit", params={"limit": 2, "object_kind": "customer"})
    rest = api.ok(
        "GET", "/v1/audit", params={"limit": 2, "object_kind": "customer", "cursor": first["next_cursor"]}
    )
    assert [*first["items"], *rest["items"]] == found
    response = api.as_("auditor").get("/v1/audit.csv", params={"object_kind": "customer"})
    rows = list(csv.DictReader(io.StringIO(response.text)))
    assert [json.loads(row["after"]) for row in rows] == [one["after"] for one in found]
    assert [row["at"] for row in rows] == [one["at"] for one in found]


def test_a_change_by_the_command_line_is_told_with_its_site(database: Database, clock: Clock) -> None:
    with database.transaction() as session:
        site, _ = open_new_site(session, clock.now, code="N", name="North (invented)")
    with database.transaction(readonly=True) as session:
        asked = "SELECT object_kind, site_id, reason FROM audit_entry ORDER BY id"
        rows = [tuple(row) for row in session.execute(text(asked))]
    assert rows == [("site", site.id, None), ("principal", site.id, None), ("access_token", site.id, None)]


def test_what_the_trail_leaves_out_is_there() -> None:
    """A table that is renamed must not fall out of the trail, or into it, unseen."""
    assert set(SQLModel.metadata.tables) >= audit.ELSEWHERE
    audited = set(SQLModel.metadata.tables) - audit.ELSEWHERE
    assert audited >= {
        "product",
        "ageing_profile",
        "customer",
        "vehicle",
        "principal",
        "zone",
        "excursion_rule",
        "site",
    }


def test_the_sites_of_many_changed_rows_are_read_in_a_few_statements(api: Api, database: Database) -> None:
    """A row that names no site is told under the site of what it points to, however many there are."""
    other = api.made("/v1/sites", {"code": "SOUTH", "name": "South (invented)"})["site"]["id"]
    north = api.ok("GET", "/v1/me")["site"]["id"]
    many, at, asked = 1500, datetime(2026, 3, 16, 6, tzinfo=UTC), []
    with database.transaction() as session:
        people = [
            Principal(
                site_id=(north, other)[n % 2], kind="person", name=f"n{n}", roles=["picker"], created_at=at
            )
            for n in range(many)
        ]
        session.add_all(people)
        session.flush()
        sites = {person.id: person.site_id for person in people}
        session.expunge_all()
        for number in sites:
            session.add(AccessToken(principal_id=number, token_hash=f"h{number}", created_at=at))
        event.listen(session.connection(), "before_cursor_execute", lambda *told: asked.append(told[2]))
        session.flush()
    assert 1 <= len([one for one in asked if one.startswith("SELECT principal.id")]) <= 2
    with database.transaction(readonly=True) as session:
        entry = SQLModel.metadata.tables["audit_entry"].c
        token = SQLModel.metadata.tables["access_token"].c
        told = dict(
            session.execute(
                select(token.principal_id, entry.site_id).where(
                    entry.object_kind == "access_token",
                    entry.object_id == cast(token.id, String),
                    token.principal_id.in_(list(sites)),
                )
            ).all()
        )
    assert told == sites
