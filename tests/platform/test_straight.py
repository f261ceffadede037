"""Statements straight on the driver: the same rows, the same errors, as through SQLAlchemy."""

from datetime import UTC, datetime

import psycopg
import pytest
from sqlalchemy import Table, bindparam, insert, select, text
from sqlalchemy.exc import DataError, IntegrityError
from sqlmodel import col

from builders.api import Api
from rimekeep.access.core.roles import Caller
from rimekeep.access.tables import AccessToken, Principal
from rimekeep.platform.database import Database, let_go
from rimekeep.platform.straight import Among, Prepared, Rows, ask, ask_all

PRINCIPALS: Table = Principal.__table__  # type: ignore[attr-defined]
COLUMNS = ("id", "name", "roles", "is_active", "created_at")
EVERYBODY = select(*(PRINCIPALS.c[name] for name in COLUMNS)).order_by(PRINCIPALS.c.id)
BY_NAME = Prepared(EVERYBODY.where(Among(PRINCIPALS.c.name, "names")))
BY_ID = Prepared(select(PRINCIPALS.c.name).where(Among(PRINCIPALS.c.id, "ids")).order_by(PRINCIPALS.c.id))
ADD = Prepared(
    insert(PRINCIPALS).values(
        {name: bindparam(name) for name in ("site_id", "kind", "name", "roles", "is_active", "created_at")}
    )
)
NOW = datetime(2026, 3, 16, 5, 50, tzinfo=UTC)


@pytest.fixture
def callers(api: Api) -> dict[str, Caller]:
    return api.callers


def device(caller: Caller, name: str) -> dict[str, object]:
    return {
        "site_id": caller.site_id,
        "kind": "device",
        "name": name,
        "roles": ["gateway", "qa"],
        "is_active": False,
        "created_at": NOW,
    }


def test_values_come_as_sqlalchemy_has_them(database: Database, callers: dict[str, Caller]) -> None:
    with database.transaction() as session:
        ask(session, ADD, device(callers["qa"], "g1"))
    with database.transaction(readonly=True) as session:
        whole = [tuple(row) for row in session.execute(EVERYBODY)]
        found = ask(session, BY_NAME, {"names": [row[1] for row in whole]})
    assert found == whole
    assert found[-1][1:] == ("g1", ["gateway", "qa"], False, NOW)


def test_a_list_may_be_of_any_length(database: Database, callers: dict[str, Caller]) -> None:
    with database.transaction(readonly=True) as session:
        ids = {name: one.id for name, one in callers.items()}
        assert ask(session, BY_ID, {"ids": []}) == []
        assert ask(session, BY_NAME, {"names": []}) == []
        for count in (1, 3, 2):
            asked = list(ids.values())[:count]
            assert len(ask(session, BY_ID, {"ids": asked})) == count


def test_each_statement_sees_what_those_before_it_did(database: Database, callers: dict[str, Caller]) -> None:
    with database.transaction() as session:
        _, found, again = ask_all(
            session,
            [
                (ADD, device(callers["qa"], "g1")),
                (BY_NAME, {"names": ["g1", "g2"]}),
                (BY_NAME, {"names": ["g2"]}),
            ],
        )
    assert ([row[1] for row in found], again) == (["g1"], [])


def test_a_constraint_is_the_same_error_and_nothing_of_it_stays(
    database: Database, callers: dict[str, Caller]
) -> None:
    twice = device(callers["qa"], "g1")
    with pytest.raises(IntegrityError, match=r"principal"), database.transaction() as session:
        ask_all(session, [(ADD, twice), (ADD, twice), (BY_NAME, {"names": ["g1"]})])
    with database.transaction() as session:
        assert ask(session, BY_NAME, {"names": ["g1"]}) == []


def test_a_value_no_column_takes_is_a_data_error(database: Database, callers: dict[str, Caller]) -> None:
    if database.settings.is_sqlite:
        pattern: type[Exception] = IntegrityError
        broken = {**device(callers["qa"], "g1"), "kind": "neither"}
    else:
        pattern, broken = DataError, {**device(callers["qa"], "g\0"), "kind": "device"}
    with pytest.raises(pattern), database.transaction() as session:
        ask(session, ADD, broken)


def test_rows_are_added_and_changed_by_their_key(database: Database, callers: dict[str, Caller]) -> None:
    tokens: Table = AccessToken.__table__  # type: ignore[attr-defined]
    with database.transaction() as session:
        ids = list(session.scalars(select(col(AccessToken.id)).order_by(col(AccessToken.id))))
        ask(session, Rows(tokens, ("id", "token_hash"), is_change=True), [(ids[0], "a"), (ids[1], "b")])
        hashes = list(session.scalars(select(col(AccessToken.token_hash)).order_by(col(AccessToken.id))))
    assert hashes[:2] == ["a", "b"]
    assert not {"a", "b"} & set(hashes[2:])


def test_a_write_that_fails_takes_the_whole_transaction_with_it(
    database: Database, callers: dict[str, Caller]
) -> None:
    def write() -> None:
        with database.transaction() as session:
            ask(session, ADD, device(callers["qa"], "g1"))
            ask(session, ADD, device(callers["qa"], "g2") | {"site_id": None})

    with pytest.raises(IntegrityError):
        write()
    with database.transaction(readonly=True) as session:
        assert ask(session, BY_NAME, {"names": ["g1", "g2"]}) == []


def test_a_session_goes_on_after_it_let_its_transaction_go(
    database: Database, callers: dict[str, Caller]
) -> None:
    """The connection the next transaction gets is looked for anew."""
    with database.transaction() as session:
        assert ask(session, BY_NAME, {"names": ["g1"]}) == []
        let_go(session)
        ask(session, ADD, device(callers["qa"], "g1"))
    with database.transaction(readonly=True) as session:
        assert len(ask(session, BY_NAME, {"names": ["g1"]})) == 1


def test_what_is_prepared_outlives_reading(database: Database, callers: dict[str, Caller]) -> None:
    """Or PostgreSQL would parse and plan each statement again after every request that only read."""
    if database.settings.is_sqlite:
        pytest.skip("a file keeps nothing prepared")
    kept = text("SELECT count(*) FROM pg_prepared_statements WHERE statement LIKE '%principal.is_active%'")
    with database.transaction(readonly=True) as session:
        ask(session, BY_NAME, {"names": ["g1"]})
        backend = session.scalar(text("SELECT pg_backend_pid()"))
    with database.transaction(readonly=True) as session:
        assert session.scalar(text("SELECT pg_backend_pid()")) == backend
        assert session.scalar(kept) >= 1


def test_connections_that_died_at_rest_are_made_anew(
    database: Database, callers: dict[str, Caller], monkeypatch: pytest.MonkeyPatch
) -> None:
    if database.settings.is_sqlite:
        pytest.skip("a file does not hang up")
    monkeypatch.setattr("rimekeep.platform.database.ASK_AFTER_REST_S", 0.0)
    with database.transaction() as first, database.transaction() as second:
        gone = [one.scalar(text("SELECT pg_backend_pid()")) for one in (first, second)]
    with psycopg.connect(database.settings.database_url.replace("+psycopg", ""), autocommit=True) as other:
        for pid in gone:
            other.execute("SELECT pg_terminate_backend(%s, 10000)", (pid,))
    with database.transaction() as first, database.transaction() as second:
        made = [one.scalar(text("SELECT pg_backend_pid()")) for one in (first, second)]
    assert not {*made} & {*gone}
