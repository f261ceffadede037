"""Many handhelds that ask for their next list at once: the same answers as if they came one by one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi import Request, Response
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from builders.api import Api
from builders.orders import make_order
from builders.stock import make_bay, make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.errors import RimekeepError
from rimekeep.main import endpoints
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import Replay
from rimekeep.platform.problems import Unauthenticated
from rimekeep.platform.straight_routes import Asked, GatheringRoute

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
PATH = "/v1/pick-lists/next"
LISTS = 6


@pytest.fixture
def tokens(api: Api, database: Database) -> list[str]:
    """A store with lists that wait, and handhelds; the last one is a gateway, which may not pick."""
    lead = api.callers["lead"]
    with database.transaction() as session:
        if database.settings.is_sqlite:
            pytest.skip("a file's writers share a transaction another way")
        product = make_product(session, NOW, lead)
        bay = make_bay(session, NOW, lead, make_zone(session, NOW, lead), check_code="7")
        lot = make_lot(session, NOW, lead, product)
        make_unit(session, NOW, lead, lot, bay=bay, cases=48)
        order_ids = [make_order(session, NOW, lead, {product.id: 4}).id for _ in range(LISTS)]
        made = [
            add_principal(session, NOW, lead.site_id, kind=PrincipalKind.DEVICE, name=f"h{k}", roles=[role])[
                1
            ]
            for k, role in enumerate([*[Role.PICKER] * 8, Role.GATEWAY])
        ]
    office = api.as_("dispatcher")
    office.made("/v1/allocations", {"order_ids": order_ids})
    for order_id in order_ids:
        office.made("/v1/pick-lists", {"order_ids": [order_id]})
    return made


def ask(api: Api, asked: Sequence[tuple[str | None, str | None]], *, at: datetime = NOW) -> list[Any]:
    """Answer requests, each with token and key, as those that gathered are answered."""
    route = next(one for one in endpoints() if isinstance(one, GatheringRoute) and one.path == PATH)
    requests = []
    for token, key in asked:
        headers = [] if token is None else [(b"authorization", f"Bearer {token}".encode())]
        if key is not None:
            headers.append((b"idempotency-key", key.encode()))
        scope = {
            "type": "http", "method": "POST", "path": PATH, "query_string": b"", "headers": headers,
            "app": api.app, "state": {},
        }  # fmt: skip
        requests.append(Asked(Request(scope), b"", at))
    return [
        json.loads(bytes(one.body)) if isinstance(one, Response) else one for one in route.answers(requests)
    ]


def test_each_gets_another_list_and_whoever_comes_too_late_none(
    api: Api, tokens: list[str], database: Database
) -> None:
    told = ask(api, [(token, f"k{n}") for n, token in enumerate(tokens[:8])])
    given = [one["id"] for one in told if one is not None]
    assert len(given) == len(set(given)) == LISTS
    assert told[LISTS:] == [None, None]
    # The same as the service says of them afterwards, one by one.
    for one in told[:LISTS]:
        assert one == api.ok("GET", f"/v1/pick-lists/{one['id']}")
        assert one["device_id"]
        assert one["state"] == "taken"
        assert datetime.fromisoformat(one["leased_until"]) == NOW + timedelta(
            seconds=database.settings.lease_s
        )
    with database.transaction() as session:
        assert session.scalar(text("SELECT count(*) FROM stored_answer WHERE key IN ('k0', 'k7')")) == 2


def test_no_plain_cases_among_them_are_told_what_is_their_own(api: Api, tokens: list[str]) -> None:
    [first] = ask(api, [(tokens[0], "first")])
    told = ask(
        api,
        [
            (tokens[1], "a"),
            (tokens[0], "again"),
            (tokens[0], "first"),
            (tokens[1], "b"),
            (tokens[8], "c"),
            ("nobody", "d"),
            (None, "e"),
            (tokens[2], None),
            (tokens[3], "x" * 201),
            (tokens[4], "f"),
        ],
    )
    # Who has a list gets it again, whether it asks anew, again, or twice.
    assert told[1]["id"] == first["id"]
    assert isinstance(told[2], Replay)
    assert json.loads(told[2].body) == first
    assert told[3]["id"] == told[0]["id"]
    assert len({first["id"], told[0]["id"], told[9]["id"]}) == 3
    assert isinstance(told[4], RimekeepError)
    assert told[4].code == "role-missing"
    assert isinstance(told[5], Unauthenticated)
    assert isinstance(told[6], Unauthenticated)
    assert [told[7].code, told[8].code] == ["idempotency-key-missing", "idempotency-key-too-long"]


def test_what_silent_devices_lost_is_given_out_first(api: Api, tokens: list[str], database: Database) -> None:
    lost = ask(api, [(tokens[0], "a"), (tokens[1], "b")])
    later = NOW + timedelta(seconds=database.settings.lease_s + 1)
    told = ask(api, [(token, f"l{n}") for n, token in enumerate(tokens[2:5])], at=later)
    assert [one["id"] for one in told[:2]] == [one["id"] for one in lost]
    assert told[2]["id"] not in {one["id"] for one in lost}


def test_a_list_another_is_at_is_passed_over(api: Api, tokens: list[str], database: Database) -> None:
    with database.transaction() as session:
        held = session.scalar(text("SELECT min(id) FROM pick_list"))
        session.execute(text("SELECT 1 FROM pick_list WHERE id = :id FOR UPDATE"), {"id": held})
        told = ask(api, [(token, f"k{n}") for n, token in enumerate(tokens[:3])])
    assert held not in {one["id"] for one in told}
    assert len({one["id"] for one in told}) == 3


def test_while_the_database_is_away_it_is_asked_once_for_all(
    api: Api, tokens: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def gone(*_: object, **__: object) -> None:
        tried.append("a transaction")
        raise OperationalError(None, None, ConnectionError("the server closed the connection"))

    monkeypatch.setattr(Database, "transaction", gone)
    told = ask(api, [(token, f"k{n}") for n, token in enumerate(tokens[:5])])
    assert [type(one) for one in told] == [OperationalError] * 5
    assert tried == ["a transaction"]


def test_what_fails_for_all_is_asked_for_each(
    api: Api, tokens: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ArithmeticError("the common way is barred")

    route = next(one for one in endpoints() if isinstance(one, GatheringRoute) and one.path == PATH)
    monkeypatch.setattr(type(route), "together", fails)
    told = ask(api, [(token, f"k{n}") for n, token in enumerate(tokens[:3])])
    assert len({one["id"] for one in told}) == 3
