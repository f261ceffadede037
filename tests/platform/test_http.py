"""Problems, request ids, idempotency keys, paging: what every endpoint shares."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import func, select, text

from builders.api import Api
from rimekeep.access.dependencies import AdminDep
from rimekeep.access.tables import Principal
from rimekeep.main import create_app
from rimekeep.platform.database import Database
from rimekeep.platform.http import SessionDep, router
from rimekeep.platform.journal import LedgerEvent
from rimekeep.platform.settings import load_settings

PERSON = {"name": "R. Example", "roles": ["qa"]}


def count_people(database: Database) -> int:
    with database.transaction(readonly=True) as session:
        return session.scalar(select(func.count()).select_from(Principal)) or 0


def test_problem_follows_rfc_9457_and_names_field_and_mend(api: Api) -> None:
    """RFC 9457, section 3.1: type, title, status, detail, instance; media type application/problem+json."""
    response = api.post("/v1/people", {"name": "x", "roles": ["brewer"]})
    body = response.json()
    assert response.headers["content-type"] == "application/problem+json"
    assert body["status"] == response.status_code == 422
    assert body["type"] == "/problems/invalid-input"
    assert body["instance"] == f"urn:request:{response.headers['x-request-id']}"
    assert body["errors"][0]["field"] == "roles[0]"
    assert "picker" in body["errors"][0]["mend"]


def test_unknown_field_is_refused_not_ignored(api: Api) -> None:
    body = api.refused("/v1/people", {**PERSON, "rolse": []}, 422, "invalid-input")
    assert body["errors"][0]["field"] == "rolse"


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"null", b'"text"', b"\xff\xfe", b'{"name": NaN}'])
def test_malformed_bodies_are_problems_not_crashes(api: Api, content: bytes) -> None:
    response = api.request(
        "POST", "/v1/people", content=content, headers={"content-type": "application/json"}
    )
    assert response.status_code == 422
    assert response.json()["errors"]


def test_request_id_is_kept_if_sane_and_replaced_if_not(api: Api) -> None:
    assert api.get("/healthz", headers={"X-Request-ID": "shift-7.42"}).headers["x-request-id"] == "shift-7.42"
    assert api.get("/healthz", headers={"X-Request-ID": "a b\tc"}).headers["x-request-id"] != "a b\tc"


def test_unknown_address_and_wrong_method_are_problems(api: Api) -> None:
    assert api.get("/v1/nowhere").json()["type"] == "/problems/not-found"
    assert api.request("DELETE", "/v1/me").json()["type"] == "/problems/method-not-allowed"


def test_body_above_the_limit_is_refused_before_it_is_read_whole(api: Api) -> None:
    response = api.request("POST", "/v1/people", content=b"x" * (api.app.state.settings.max_body_bytes + 1))
    assert response.status_code == 413


def test_post_without_idempotency_key_changes_nothing(api: Api, database: Database) -> None:
    before = count_people(database)
    response = api.client.post(
        "/v1/people", json=PERSON, headers={"Authorization": f"Bearer {api.tokens['admin']}"}
    )
    assert (response.status_code, response.json()["errors"][0]["field"]) == (400, "Idempotency-Key")
    assert count_people(database) == before


def test_a_key_used_for_another_body_is_refused(api: Api) -> None:
    assert api.post("/v1/people", PERSON, key="k-1").status_code == 201
    api.refused("/v1/people", {**PERSON, "name": "other"}, 422, "idempotency-key-reused", key="k-1")


def test_an_answer_that_held_a_token_is_never_stored(api: Api, database: Database) -> None:
    token = api.post("/v1/people", PERSON, key="k-1").json()["token"]
    api.refused("/v1/people", PERSON, 409, "answered-once", key="k-1")
    with database.transaction(readonly=True) as session:
        bodies = session.execute(text("SELECT body FROM stored_answer")).scalars().all()
    assert bodies
    assert all(token.encode() not in bytes(body) for body in bodies)


def test_keys_of_two_callers_do_not_meet(api: Api) -> None:
    api.made("/v1/people", PERSON, key="same")
    other = api.made("/v1/sites", {"code": "SOUTH", "name": "South"}, key="other")["token"]
    headers = {"Authorization": f"Bearer {other}", "Idempotency-Key": "same"}
    assert api.client.post("/v1/people", json=PERSON, headers=headers).status_code == 201


@pytest.fixture(scope="module")
def probed_app(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    """An application of its own, with endpoints that misbehave on purpose."""
    probes: APIRouter = router("/probe", "probe")

    @probes.post("/commit-fails", status_code=201)
    def commit_fails(session: SessionDep, caller: AdminDep) -> dict[str, str]:
        # A foreign key checked at commit only: everything up to the answer succeeds, the commit does not.
        if session.get_bind().dialect.name == "sqlite":
            session.execute(text("PRAGMA defer_foreign_keys = ON"))
        else:
            session.execute(
                text("ALTER TABLE bay ALTER CONSTRAINT fk_bay__zone_id DEFERRABLE INITIALLY DEFERRED")
            )
        session.execute(
            text(
                "INSERT INTO bay (site_id, zone_id, code, aisle, slot, level, check_code) "
                "VALUES (:site, 999999, 'X', 1, 1, 0, '7')"
            ),
            {"site": caller.site_id},
        )
        return {"status": "made"}

    @probes.post("/counted", status_code=201)
    def counted(session: SessionDep, caller: AdminDep) -> dict[str, int]:
        session.execute(
            text("UPDATE site SET next_serial = next_serial + 1 WHERE id = :id"), {"id": caller.site_id}
        )
        return {
            "serial": session.scalar(
                text("SELECT next_serial FROM site WHERE id = :id"), {"id": caller.site_id}
            )
        }

    @probes.get("/crash")
    def crash(caller: AdminDep) -> None:
        raise RuntimeError("a secret of the inside")

    unused = tmp_path_factory.mktemp("probed") / "unused.sqlite3"
    app = create_app(load_settings(database_url=f"sqlite:///{unused}", compute_workers=0))
    app.state.database.dispose()
    app.include_router(probes)
    return app


@pytest.fixture
def probing(api: Api, probed_app: FastAPI, database: Database) -> Api:
    """The same site through that application."""
    probed_app.state.database, probed_app.state.settings = database, database.settings
    return Api(probed_app, api.tokens, api.callers)


def test_a_failed_commit_never_answers_201(probing: Api, database: Database) -> None:
    response = probing.post("/v1/probe/commit-fails")
    assert response.status_code == 409
    assert response.json()["type"] == "/problems/conflicting-write"
    with database.transaction(readonly=True) as session:
        assert session.scalar(text("SELECT count(*) FROM bay")) == 0
        assert session.scalar(text("SELECT count(*) FROM stored_answer")) == 0


def test_a_repeated_key_acts_once_and_gets_the_same_answer(probing: Api) -> None:
    first = probing.post("/v1/probe/counted", key="once")
    second = probing.post("/v1/probe/counted", key="once")
    assert first.json() == second.json() == {"serial": 2}
    assert "idempotency-replayed" not in first.headers
    assert second.headers["idempotency-replayed"] == "true"
    assert probing.made("/v1/probe/counted") == {"serial": 3}


def test_the_same_key_sent_at_once_by_many_acts_once(probing: Api) -> None:
    """Every copy gets the one answer, or is told that the request is being worked on."""
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: probing.post("/v1/probe/counted", key="storm"), range(16)))
    assert {answer.status_code for answer in answers} <= {201, 409}
    assert {answer.json()["serial"] for answer in answers if answer.status_code == 201} == {2}
    assert {answer.json()["type"] for answer in answers if answer.status_code == 409} <= {
        "/problems/in-flight"
    }


def test_an_unexpected_error_tells_nothing_of_the_inside(probing: Api) -> None:
    response = probing.get("/v1/probe/crash")
    assert response.status_code == 500
    assert "secret" not in response.text
    assert response.json()["instance"].startswith("urn:request:")


def test_a_database_that_is_gone_answers_503_and_says_nothing_was_changed(api: Api, tmp_path: object) -> None:
    """The service keeps running and is ready again when the database is."""
    gone = load_settings(database_url="postgresql://nobody@127.0.0.1:9/none")
    app = create_app(gone)
    client = TestClient(app, raise_server_exceptions=False)
    response = client.get("/v1/me", headers={"Authorization": "Bearer x"})
    assert (response.status_code, response.headers["retry-after"]) == (503, "5")
    assert client.get("/readyz").status_code == 503
    assert client.get("/healthz").status_code == 200
    app.state.database.dispose()


def test_pages_join_to_the_whole_list_while_rows_come_in(api: Api) -> None:
    seen, cursor = [], ""
    for round_no in range(20):
        page = api.ok("GET", f"/v1/people?limit=2{cursor}")
        seen += [person["name"] for person in page["items"]]
        if page["next_cursor"] is None:
            break
        cursor = f"&cursor={page['next_cursor']}"
        api.made("/v1/people", {"name": f"late {round_no}", "roles": ["qa"]}) if round_no < 2 else None
    assert len(seen) == len(set(seen))
    assert {"late 0", "late 1"} <= set(seen)


@pytest.mark.parametrize("cursor", ["zzz", "WzFd!!", "W10", "WzEsMl0", "WyJ4Il0", "bnVsbA", "WzFlOTld"])
def test_a_made_up_cursor_is_refused_or_harmless(api: Api, cursor: str) -> None:
    response = api.get(f"/v1/people?cursor={cursor}")
    assert response.status_code in {200, 422}


def test_link_header_leads_to_the_next_page(api: Api) -> None:
    """RFC 8288: Link with rel="next"."""
    response = api.get("/v1/people?limit=1")
    target = response.headers["link"].split(">")[0].removeprefix("<")
    assert (
        api.client.get(target, headers={"Authorization": f"Bearer {api.tokens['admin']}"}).status_code == 200
    )


def test_what_was_done_stands_in_the_ledger(api: Api, database: Database) -> None:
    api.made("/v1/people", PERSON)
    with database.transaction(readonly=True) as session:
        kinds = session.scalars(select(LedgerEvent.kind)).all()
    assert kinds.count("person.added") >= 1
