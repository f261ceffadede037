"""A page of EPCIS events by type and action is found without reading the others, however many there are."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Select, insert, text
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from builders.api import Api
from builders.grounds import Clock
from rimekeep.platform.database import Database
from rimekeep.tracing.epcis.core.asked import read_query
from rimekeep.tracing.epcis.queries.pages import page, page_statement

MANY, FEW, RARE, PER_PAGE = 4_000, 400, 5, 30
# As long as a real one, so that the table is as wide: what it costs to read all of it decides how it is read.
BODY = json.dumps({"note": "x" * 1_200})
_EVENTS = SQLModel.metadata.tables["epcis_event"]


def long_record(api: Api, database: Database, clock: Clock) -> int:
    """Plain events, one a second; long before all of them some without an action, and rare ones; returns the site."""
    site_id = api.callers["lead"].site_id
    rows = [
        {
            "event_type": "ObjectEvent",
            "action": ("ADD", "OBSERVE")[n % 2],
            "at": clock.now + timedelta(seconds=n),
        }
        for n in range(MANY)
    ]
    rows += [
        {"event_type": kind, "action": action, "at": clock.now - timedelta(days=n + 1)}
        for kind, action, times in (
            ("TransformationEvent", None, FEW),
            ("ObjectEvent", "DELETE", RARE),
            ("ex:poured", None, RARE),
        )
        for n in range(times)
    ]
    with database.transaction() as session:
        session.execute(
            insert(_EVENTS),
            [
                {
                    "site_id": site_id, "event_uid": f"urn:x:{n}", "declared": "", "digest": "", "body": BODY,
                    "event_type": row["event_type"], "action": row["action"],
                    # In turns, so that neither order is that of the rows.
                    "event_at": row["at"], "record_at": row["at"] + timedelta(seconds=n % 7),
                }
                for n, row in enumerate(rows)
            ],
        )  # fmt: skip
        session.execute(text("ANALYZE"))
    return site_id


GROUNDS = {"site_id": long_record}
WAYS = [(order, way) for order in ("eventTime", "recordTime") for way in ("ASC", "DESC")]


@pytest.fixture
def site_id(api: Api, ground: Any) -> int:
    found: int = ground
    return found


def test_what_is_asked_for_by_type_or_action_alone_is_all_that_is_read(
    database: Database, site_id: int
) -> None:
    for asked, walks in (
        ({"eventType": "TransformationEvent"}, 4),
        ({"eventType": "ex:poured"}, 4),
        ({"EQ_action": "DELETE"}, 1),
        ({"eventType": "ObjectEvent", "EQ_action": "DELETE"}, 1),
        ({"eventType": "TransformationEvent,ex:poured"}, 8),
        ({"EQ_action": "DELETE,ADD"}, 2),
        ({"eventType": "ObjectEvent"}, 4),
    ):
        for order, way in WAYS:
            query = read_query([*asked.items(), ("orderBy", order), ("orderDirection", way)])
            statement = page_statement(site_id, query)
            if database.settings.is_sqlite:
                assert_walked(sqlite_plan(database, statement), asked, order, walks)
            else:
                read = postgresql_rows_read(database, statement)
                # Each walk takes a page and one more; what is found is had by key.
                assert 0 < read <= walks * (PER_PAGE + 1), (asked, order, way)


def test_pages_hold_each_event_once_in_order(database: Database, site_id: int) -> None:
    """Against the same asked of all rows in memory."""
    with database.transaction(readonly=True) as session:
        rows = session.execute(_EVENTS.select()).all()
        for asked in (
            {"eventType": "TransformationEvent,ex:poured"},
            {"EQ_action": "DELETE,ADD"},
            {"eventType": "ObjectEvent", "EQ_action": "OBSERVE,DELETE"},
        ):
            for order, way in WAYS:
                given = [*asked.items(), ("orderBy", order), ("orderDirection", way), ("perPage", "700")]
                time = {"eventTime": "event_at", "recordTime": "record_at"}[order]
                types, actions = (asked.get(name, "").split(",") for name in ("eventType", "EQ_action"))
                wanted = sorted(
                    (getattr(row, time), row.id)
                    for row in rows
                    if (types == [""] or row.event_type in types)
                    and (actions == [""] or row.action in actions)
                )
                found = list(all_pages(session, site_id, given))
                assert found == [key for _, key in (wanted if way == "ASC" else reversed(wanted))]


def all_pages(session: Session, site_id: int, given: list[tuple[str, str]]) -> Iterator[int]:
    token: list[tuple[str, str]] = []
    while True:
        rows, following = page(session, site_id, read_query([*given, *token]))
        yield from (row.id for row in rows)
        if following is None:
            return
        token = [("nextPageToken", following)]


def sqlite_plan(database: Database, statement: Select[Any]) -> list[tuple[int, str]]:
    """The steps, each with the number of the step it is part of."""
    with database.transaction(readonly=True) as session:
        connection = session.connection()
        compiled = statement.compile(dialect=connection.dialect, compile_kwargs={"render_postcompile": True})
        values = tuple(str(compiled.params[name]) for name in compiled.positiontup or ())
        rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {compiled}", values)
        return [(within, step) for _, within, _, step in rows]


def assert_walked(plan: list[tuple[int, str]], asked: dict[str, str], order: str, walks: int) -> None:
    """Every stretch begins where its words say in an index that has it in order; the rows are then had by key."""
    name = f"ix_epcis_event__{'type' if 'eventType' in asked else 'action'}_{order.replace('Time', '_at')}"
    words = "site_id=? AND event_type=? AND action=?" if "eventType" in asked else "site_id=? AND action=?"
    reads = [(within, step) for within, step in plan if "epcis_event" in step]
    stretches = [(within, step) for within, step in reads if name in step]
    assert len(stretches) == walks, plan
    assert all(step.startswith("SEARCH") and f"({words})" in step for _, step in stretches), plan
    others = [step for _, step in reads if name not in step]
    assert all("INTEGER PRIMARY KEY (rowid=?)" in step for step in others), plan
    # No stretch is sorted before its first rows are taken, only what was taken.
    sorted_within = {within for within, step in plan if "TEMP B-TREE" in step}
    assert sorted_within.isdisjoint(within for within, _ in stretches), plan


def postgresql_rows_read(database: Database, statement: Select[Any]) -> int:
    """How many rows of the table the walks looked at, those put aside included, as the server counts them."""
    with database.transaction(readonly=True) as session:
        connection = session.connection()
        compiled = statement.compile(dialect=connection.dialect, compile_kwargs={"render_postcompile": True})
        asked = f"EXPLAIN (ANALYZE, FORMAT JSON) {compiled}"
        (found,) = connection.exec_driver_sql(asked, compiled.params).one()
    told = json.loads(found) if isinstance(found, str) else found

    def read(node: dict[str, Any]) -> int:
        own = 0
        if node.get("Relation Name") == "epcis_event" and node.get("Index Name") != "pk_epcis_event":
            own = (node["Actual Rows"] + node.get("Rows Removed by Filter", 0)) * node["Actual Loops"]
        return own + sum(read(one) for one in node.get("Plans", ()))

    return read(told[0]["Plan"])
