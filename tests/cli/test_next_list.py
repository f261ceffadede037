"""The figure of the next pick list: what is done by hand in SQL is what the service does, on a store that agrees."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text

from builders.postgres import PostgresServer
from rimekeep.access.core.roles import Role
from rimekeep.cli.bench import by_hand, lists, stocked
from rimekeep.cli.bench.ground import Ground, ground
from rimekeep.cli.check import findings
from rimekeep.main import create_app
from rimekeep.picking.usecases import return_leases

ADDRESS = "/v1/pick-lists/next"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, postgres: PostgresServer) -> Iterator[str | None]:
    if request.param == "sqlite":
        yield None
        return
    name = postgres.create()
    yield postgres.url(name)
    postgres.drop(name)


def _stored(place: Ground) -> list[tuple[object, ...]]:
    with place.database.transaction() as session:
        return [
            tuple(row)
            for row in session.execute(
                text(
                    "SELECT principal_id, key, request_hash, status, media_type FROM stored_answer ORDER BY key"
                )
            )
        ]


def test_by_hand_is_done_what_the_service_does(url: str | None) -> None:
    with ground(url) as place, ExitStack() as calls:
        one, other = stocked.fill(place, units=100, lists=3, done=5, handhelds=2)
        with place.database.transaction(readonly=True) as session:
            assert list(findings(session)) == []
        hand = calls.enter_context(closing(by_hand.connect(place, place.database.settings.lease_s)))
        first = hand.take(one.token, "a")
        # Asked again, the device gets back the list it has; another one gets another.
        assert json.loads(hand.take(one.token, "b"))["id"] == json.loads(first)["id"]
        assert json.loads(hand.take(other.token, "c"))["id"] != json.loads(first)["id"]
        with TestClient(create_app(place.database.settings, database=place.database)) as client:

            def ask(token: str, key: str) -> dict[str, object]:
                headers = {"Authorization": f"Bearer {token}", "Idempotency-Key": key}
                answer = client.post(ADDRESS, headers=headers)
                assert answer.status_code == 200, answer.text
                return dict(answer.json())

            # The service takes what was kept by hand under a key for its own.
            assert ask(one.token, "a") == json.loads(first)
            with place.database.transaction() as session:
                assert return_leases(session, place.now + timedelta(days=1)) == 2
            served = ask(one.token, "d")
        told = json.loads(first)
        assert served.pop("leased_until") > told.pop("leased_until")  # type: ignore[operator]
        assert served == told
        assert len(told["picks"]) == stocked.STOPS
        # Who, status, kind, and the hash of what was asked: the same by hand ("a") and by the service ("d").
        a, _, _, d = _stored(place)
        assert (a[1], d[1]) == ("a", "d")
        assert (a[0], *a[2:]) == (d[0], *d[2:])
        for token in ("rk_nobody", place.tokens[Role.GATEWAY]):
            with pytest.raises(RuntimeError, match="not let in"):
                hand.take(token, "e")
        with pytest.raises(RuntimeError, match="used before"):
            hand.take(one.token, "a")


def test_a_list_that_was_given_twice_or_lacks_a_stop_is_seen() -> None:
    crowd = [stocked.Handheld(1, "a"), stocked.Handheld(2, "b")]

    def told(list_id: int, device_id: int, stops: int = stocked.STOPS) -> bytes:
        return json.dumps({"id": list_id, "device_id": device_id, "picks": [{}] * stops}).encode()

    lists._look_at([told(7, 1), told(8, 2)], crowd)
    with pytest.raises(RuntimeError, match="two handhelds"):
        lists._look_at([told(7, 1), told(7, 2)], crowd)
    with pytest.raises(RuntimeError, match="another handheld"):
        lists._look_at([told(7, 1), told(8, 3)], crowd)
    with pytest.raises(RuntimeError, match="stops"):
        lists._look_at([told(7, 1), told(8, 2, 3)], crowd)


@pytest.mark.slow
def test_a_crowd_of_clients_takes_every_list_once_either_way(url: str | None) -> None:
    with ground(url, is_served=True) as place:
        ratio, detail = lists.measure(place, units=100, taken=lists.CLIENTS)
        assert ratio > 0
        assert f"{lists.CLIENTS} clients" in detail
        assert "p99" in detail
        with place.database.transaction(readonly=True) as session:
            answers = session.scalar(text("SELECT count(*) FROM stored_answer"))
            assert list(findings(session)) == []
        # As many turns of either, each list answered for itself, under a key of its own.
        assert answers == 2 * (lists.WARM + lists.TURNS) * lists.CLIENTS
