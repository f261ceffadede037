"""How long records are kept: by rules with a source, and removed only where nothing rests on them."""

from __future__ import annotations

import json
from datetime import timedelta
from importlib.resources import files
from typing import Any

import pytest
from sqlalchemy import text

from builders.api import Api
from builders.grounds import Clock
from rimekeep.access.core.retention import read_rules
from rimekeep.access.jobs import keep_records
from rimekeep.platform.database import Database

SHIPPED = (files("rimekeep.access") / "retention.json").read_text(encoding="utf-8")


def test_every_rule_that_is_shipped_names_its_source_and_how_sure_it_is() -> None:
    rules = read_rules(SHIPPED)
    assert all(rule.source and rule.certainty for rule in rules.values())
    # 21 CFR 11.10(e): the audit trail is kept at least as long as the records.
    for (place, record), rule in rules.items():
        if record == "audit":
            assert rule.keep_days >= rules[place, "ledger"].keep_days  # type: ignore[index]


@pytest.mark.parametrize("change", ["missing", "twice", "no days", "no source"])
def test_rules_that_are_none_are_refused(change: str) -> None:
    given = json.loads(SHIPPED)
    if change == "missing":
        given["rules"].pop()
    elif change == "twice":
        given["rules"].append(given["rules"][0])
    else:
        given["rules"][0]["keep_days" if change == "no days" else "source"] = 0 if change == "no days" else ""
    with pytest.raises(ValueError, match="rule"):
        read_rules(json.dumps(given))


def count(database: Database, table: str) -> int:
    with database.transaction(readonly=True) as session:
        return int(session.scalar(text(f"SELECT count(*) FROM {table}")))


def run(database: Database, clock: Clock, site_id: int) -> None:
    with database.transaction() as session:
        keep_records(session, clock.now, site_id)


def kinds(api: Api) -> dict[str, Any]:
    return {one["record"]: one for one in api.as_("auditor").ok("GET", "/v1/records")["kinds"]}


def test_only_what_may_go_goes_once_its_time_is_over(api: Api, database: Database, clock: Clock) -> None:
    site_id = api.callers["lead"].site_id
    api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"]})
    api.client.post("/sign-in", data={"token": api.tokens["lead"]}, follow_redirects=False)
    api.client.cookies.clear()
    clock.now += timedelta(days=2000)
    run(database, clock, site_id)
    assert (count(database, "browser_session"), count(database, "invitation")) == (1, 1), (
        "no rules chosen yet"
    )
    assert not any(one["is_past"] for one in kinds(api).values())
    change = {"records_under": "us", "reason": "as our adviser says"}
    assert (
        api.request("PATCH", f"/v1/sites/{site_id}", json=change, headers={"If-Match": "*"}).status_code
        == 200
    )
    told = kinds(api)
    assert {name for name, one in told.items() if one["is_past"]} == {
        "ledger",
        "audit",
        "sign_ins",
        "invitations",
    }
    assert "1.360" in told["ledger"]["source"]
    events, entries = count(database, "ledger_event"), count(database, "audit_entry")
    run(database, clock, site_id)
    assert (count(database, "browser_session"), count(database, "invitation")) == (0, 0)
    # What was removed is told in the ledger; ledger and trail only ever grow.
    assert (count(database, "ledger_event"), count(database, "audit_entry")) == (events + 2, entries)
    assert {name for name, one in kinds(api).items() if one["is_past"]} == {"ledger", "audit"}
    run(database, clock, site_id)
    assert count(database, "ledger_event") == events + 2


def test_what_is_still_in_its_time_stays(api: Api, database: Database, clock: Clock) -> None:
    site_id = api.callers["lead"].site_id
    change = {"records_under": "eu", "reason": "as our adviser says"}
    api.request("PATCH", f"/v1/sites/{site_id}", json=change, headers={"If-Match": "*"})
    api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"], "valid_hours": 24})
    clock.now += timedelta(days=401)
    run(database, clock, site_id)
    assert count(database, "invitation") == 1
    clock.now += timedelta(seconds=1)
    run(database, clock, site_id)
    assert count(database, "invitation") == 0
