"""People with passwords: invited, signed in, slowed down when guessing, shut out."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from sqlalchemy import text

from builders.api import Api, one_loop
from builders.grounds import Clock
from rimekeep.access.queries import caller_signed_in
from rimekeep.access.usecases import (
    Visitor,
    accept_invitation,
    begin_attempt,
    confirm_identity,
    forget_old_sign_ins,
    token_hash,
)
from rimekeep.errors import Forbidden
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import request_hash

GOOD, OTHER = "kept at two degrees", "walks the shortest way"


# Hashing a password takes long on purpose; what is told of it is not the database's.
ONE_KIND = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
OTHER_KIND = pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)


def browser(api: Api, address: str = "192.0.2.7") -> TestClient:
    """A browser of its own at an address."""
    opened = TestClient(
        api.app, base_url="http://127.0.0.1", client=(address, 50_000), raise_server_exceptions=False
    )
    opened.portal = one_loop()
    return opened


def try_password(at: TestClient, login: str, password: str) -> Response:
    """Send the sign-in form."""
    return at.post("/sign-in", data={"login": login, "password": password}, follow_redirects=False)


def invite(api: Api, name: str = "Nora", **more: Any) -> Any:
    return api.made("/v1/invitations", {"name": name, "roles": ["qa"], **more})


def accept(at: TestClient, code: str, password: str = GOOD) -> Response:
    form = {"code": code, "password": password, "again": password}
    return at.post("/invitation", data=form, follow_redirects=False)


def nora(api: Api, database: Database) -> int:
    """A person with the password GOOD, set without a browser; return their id."""
    made = api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"], "login": "nora@example.com"})
    with database.transaction() as session:
        accept_invitation(session, api.app.state.clock(), code=made["code"], password=GOOD)
    return int(made["principal_id"])


@ONE_KIND
def test_an_invitation_serves_once_and_opens_a_session(api: Api, database: Database) -> None:
    made, at = invite(api, login="Nora@example.com"), browser(api)
    assert "token" not in made
    assert made["code"] in at.get(made["path"]).text
    assert accept(at, made["code"], "short").status_code == 422
    assert accept(at, made["code"], "I am nora@example.com").status_code == 422
    assert accept(at, made["code"]).status_code == 303
    assert "Needs a decision" in at.get("/").text
    assert "not valid" in accept(browser(api), made["code"], OTHER).text
    listed = [one for one in api.ok("GET", "/v1/invitations")["items"] if one["id"] == made["id"]]
    assert (listed[0]["login"], listed[0]["used_at"] is not None) == ("nora@example.com", True)
    kept = str(
        _rows(database, "credential") + _rows(database, "invitation") + _rows(database, "browser_session")
    )
    assert not [secret for secret in (GOOD, made["code"], at.cookies["rimekeep_session"]) if secret in kept]


@ONE_KIND
def test_a_password_set_anew_by_invitation_ends_the_sessions_before(api: Api, database: Database) -> None:
    """Whoever knew the forgotten one must not stay signed in (OWASP Forgot Password Cheat Sheet; from memory)."""
    principal_id = nora(api, database)
    before, after = browser(api), browser(api)
    assert try_password(before, "nora@example.com", GOOD).status_code == 303
    assert before.get("/v1/me").status_code == 200
    again = api.made(f"/v1/principals/{principal_id}/invitation", {})
    assert accept(after, again["code"], OTHER).status_code == 303
    assert before.get("/v1/me").status_code == 401
    assert after.get("/v1/me").status_code == 200


def _rows(database: Database, table: str) -> list[Any]:
    with database.transaction(readonly=True) as session:
        return list(session.execute(text(f"SELECT * FROM {table}")))


@ONE_KIND
@pytest.mark.parametrize("ending", ["expires", "is withdrawn", "is replaced", "person is shut out"])
def test_an_invitation_that_ended_opens_nothing(api: Api, clock: Clock, ending: str) -> None:
    made = invite(api, valid_hours=2)
    if ending == "expires":
        clock.now += timedelta(hours=2)
    elif ending == "is withdrawn":
        assert api.post(f"/v1/invitations/{made['id']}/withdraw").status_code == 204
    elif ending == "is replaced":
        api.made(f"/v1/principals/{made['principal_id']}/invitation", {})
    else:
        api.made(f"/v1/principals/{made['principal_id']}/deactivate")
    response = accept(browser(api), made["code"])
    assert response.status_code == 409
    assert "set-cookie" not in response.headers


def test_logins_are_one_of_a_kind_at_a_site_whatever_the_capitals(api: Api) -> None:
    invite(api, "Nora", login="Office@example.com")
    api.refused(
        "/v1/invitations",
        {"name": "Olga", "roles": ["qa"], "login": "office@EXAMPLE.com"},
        409,
        "login-taken",
    )
    device = api.made("/v1/devices", {"name": "robot", "roles": ["qa"]})["principal"]["id"]
    api.refused(f"/v1/principals/{device}/invitation", {}, 409, "device-has-no-password")


def test_a_session_asks_like_its_person_and_changes_only_with_its_csrf_token(
    api: Api, database: Database
) -> None:
    person, at = nora(api, database), browser(api)
    assert try_password(at, " NORA@example.com", GOOD).status_code == 303
    me = at.get("/v1/me").json()
    assert (me["id"], me["roles"]) == (person, ["qa"])
    body = {"name": "a", "side": "above", "limit_c": 8, "allowed_s": 60, "zone_id": 2**40}
    key = {"Idempotency-Key": "one"}
    for csrf in ({}, {"X-CSRF-Token": "0" * 64}, {"X-CSRF-Token": "é".encode("latin-1")}):
        response = at.post("/v1/excursion-rules", json=body, headers={**key, **csrf})
        assert (response.status_code, response.json()["type"]) == (403, "/problems/csrf-token-missing")
    ours = {**key, "X-CSRF-Token": me["csrf_token"]}
    assert (
        at.post("/v1/excursion-rules", json=body, headers=ours).json()["type"] == "/problems/zone-not-found"
    )
    # A key belongs to the person, by whichever way they come.
    end = f"/v1/sessions/{at.get('/v1/sessions').json()['items'][0]['id']}/end"
    other = browser(api)
    try_password(other, "nora@example.com", GOOD)
    theirs = {"Idempotency-Key": "two", "X-CSRF-Token": other.get("/v1/me").json()["csrf_token"]}
    assert other.post(end, headers=theirs).status_code == 200
    assert at.get("/v1/me").status_code == 401
    assert other.post(end, headers=theirs).headers["idempotency-replayed"] == "true"
    # The picker's own calls take another way through the server.
    assert (
        other.post("/v1/readings", json={"readings": []}, headers={"Idempotency-Key": "3"}).status_code == 403
    )


@ONE_KIND
def test_another_site_s_page_can_send_no_form(api: Api, database: Database) -> None:
    nora(api, database)
    for header in ({"Origin": "http://elsewhere.example.com"}, {"Sec-Fetch-Site": "cross-site"}):
        at = browser(api)
        form = {"login": "nora@example.com", "password": GOOD}
        response = at.post("/sign-in", data=form, headers=header, follow_redirects=False)
        assert response.status_code == 403
        assert "set-cookie" not in response.headers


@OTHER_KIND
def test_deactivating_ends_tokens_and_sessions_at_once(api: Api, database: Database) -> None:
    person, at = nora(api, database), browser(api)
    try_password(at, "nora@example.com", GOOD)
    token = {"Authorization": "Bearer " + api.made(f"/v1/principals/{person}/token")["token"]}
    assert at.get("/v1/me").status_code == 401, "rotating at once ends sessions too"
    try_password(at, "nora@example.com", GOOD)
    assert (at.get("/v1/me").status_code, api.client.get("/v1/me", headers=token).status_code) == (200, 200)
    api.made(f"/v1/principals/{person}/deactivate")
    assert (at.get("/v1/me").status_code, api.client.get("/v1/me", headers=token).status_code) == (401, 401)
    assert try_password(at, "nora@example.com", GOOD).status_code == 401
    assert [
        one["ended_at"] is not None for one in api.ok("GET", f"/v1/principals/{person}/sessions")["items"]
    ] == [True, True]
    api.refused(f"/v1/principals/{person}/token", None, 409, "not-active")


def test_an_old_token_holds_for_the_overlap_and_no_longer(api: Api, clock: Clock) -> None:
    made = api.made("/v1/devices", {"name": "gateway 9", "roles": ["picker"]})
    fresh = api.made(f"/v1/principals/{made['principal']['id']}/token", {"overlap_s": 600})["token"]
    old, new = ({"Authorization": f"Bearer {token}"} for token in (made["token"], fresh))
    clock.now += timedelta(seconds=599)
    assert [api.client.get("/v1/me", headers=one).status_code for one in (old, new)] == [200, 200]
    clock.now += timedelta(seconds=1)
    assert [api.client.get("/v1/me", headers=one).status_code for one in (old, new)] == [401, 200]


def test_a_session_ends_after_half_a_day(api: Api, clock: Clock) -> None:
    at = browser(api)
    at.post("/sign-in", data={"token": api.tokens["lead"]})
    clock.now += timedelta(hours=11, minutes=59)
    assert at.get("/v1/me").status_code == 200
    clock.now += timedelta(minutes=1)
    assert at.get("/v1/me").status_code == 401


def test_roles_change_with_the_next_request(api: Api) -> None:
    made = api.made("/v1/people", {"name": "N. New", "roles": ["qa"]})
    path, headers = f"/v1/principals/{made['principal']['id']}", {"Authorization": f"Bearer {made['token']}"}
    tag = {"If-Match": api.get(path).headers["etag"]}
    body = {"roles": ["lead", "qa"], "reason": "covers the mornings"}
    assert api.request("PATCH", path, json=body, headers=tag).json()["roles"] == ["lead", "qa"]
    assert api.client.get("/v1/me", headers=headers).json()["roles"] == ["lead", "qa"]
    assert api.request("PATCH", path, json=body, headers=tag).status_code == 412
    mine = f"/v1/principals/{api.ok('GET', '/v1/me')['id']}"
    own = api.request(
        "PATCH", mine, json={"roles": ["lead"], "reason": "by mistake"}, headers={"If-Match": "*"}
    )
    assert (own.status_code, own.json()["type"]) == (409, "/problems/own-account")


@OTHER_KIND
def test_guessing_slows_the_guesser_down_and_nobody_else(api: Api, database: Database, clock: Clock) -> None:
    """Counted before the password is looked at, so the sixth try is refused whether it is right or not."""
    nora(api, database)
    own = browser(api, "192.0.2.7")
    assert try_password(own, "nora@example.com", GOOD).status_code == 303
    # The guesser sits at the same address, behind the same router.
    guesser = browser(api, "192.0.2.7")
    answers = [try_password(guesser, "nora@example.com", f"wrong guess {number}") for number in range(5)]
    assert [answer.status_code for answer in answers] == [401] * 5
    assert [re.findall(r"r=(\d+)", answer.headers["ratelimit"]) for answer in answers][-2:] == [["1"], ["0"]]
    refused = try_password(guesser, "nora@example.com", GOOD)
    assert (refused.status_code, refused.headers["retry-after"]) == (429, "2")
    assert try_password(own, "nora@example.com", GOOD).status_code == 303, "her own browser is not in the way"
    elsewhere = browser(api, "198.51.100.9")
    assert try_password(elsewhere, "nora@example.com", GOOD).status_code == 303, "nor is another address"
    clock.now += timedelta(seconds=2)
    assert try_password(guesser, "nora@example.com", GOOD).status_code == 303, "whoever waits is looked at"


@OTHER_KIND
def test_an_unknown_login_is_answered_word_for_word_like_a_wrong_password(
    api: Api, database: Database
) -> None:
    nora(api, database)
    known, unknown = (
        try_password(browser(api), login, "wrong guess") for login in ("nora@example.com", "nobody")
    )
    assert (known.status_code, known.text) == (unknown.status_code, unknown.text)
    assert known.headers["ratelimit"] == unknown.headers["ratelimit"]


def test_one_address_trying_many_names_is_slowed_down_too(api: Api, database: Database, clock: Clock) -> None:
    for number in range(60):
        with database.transaction() as session:
            # 2^64 addresses of one network are one.
            who = Visitor(f"2001:db8::{number:x}")
            assert begin_attempt(session, clock.now, who, login=f"name {number}", site_code=None).wait_s == 0
    with database.transaction() as session:
        waits = [
            begin_attempt(session, clock.now, Visitor(address), login="fresh", site_code=None).wait_s
            for address in ("2001:db8::ffff", "2001:db8:0:1::1")
        ]
    assert waits == [2, 0]
    with database.transaction() as session:
        forget_old_sign_ins(session, clock.now + timedelta(days=2))
    assert _rows(database, "sign_in_pace") == []


@ONE_KIND
def test_a_password_is_changed_by_who_knows_it_and_signs_like_a_token(
    api: Api, database: Database, clock: Clock
) -> None:
    nora(api, database)
    at, other = browser(api), browser(api)
    for one in (at, other):
        try_password(one, "nora@example.com", GOOD)
    headers = {"X-CSRF-Token": at.get("/v1/me").json()["csrf_token"]}
    for key, proof, status in (("1", "not it at all", 403), ("2", GOOD, 204)):
        sent = {"proof": proof, "password": OTHER}
        response = at.post("/v1/me/password", json=sent, headers={**headers, "Idempotency-Key": key})
        assert response.status_code == status
    # What is kept of the request must not be a quick way to guess the passwords in it by.
    content = response.request.content
    assert at.post("/v1/me/password", json=sent, headers=dict(response.request.headers)).status_code == 204
    kept = {row.request_hash for row in _rows(database, "stored_answer")}
    assert kept
    assert request_hash("POST", "/v1/me/password", content) not in kept
    assert (at.get("/v1/me").status_code, other.get("/v1/me").status_code) == (200, 401)
    with database.transaction() as session:
        caller = caller_signed_in(session, token_hash(at.cookies["rimekeep_session"]), clock.now)
        assert caller is not None
        assert confirm_identity(session, clock.now, caller, OTHER) == clock.now
        with pytest.raises(Forbidden):
            confirm_identity(session, clock.now, caller, GOOD)


@OTHER_KIND
def test_passwords_guessed_by_signing_are_slowed_down_where_they_are_guessed(
    api: Api, database: Database, clock: Clock
) -> None:
    """RFC 6585, 4: 429 with Retry-After. What failed is counted though the request it was in is undone."""
    nora(api, database)
    at, elsewhere = browser(api), browser(api, "198.51.100.9")
    for one in (at, elsewhere):
        try_password(one, "nora@example.com", GOOD)

    def change(one: TestClient, proof: str, key: str) -> Response:
        csrf = one.get("/v1/me").json()["csrf_token"]
        sent = {"proof": proof, "password": OTHER}
        headers = {"X-CSRF-Token": csrf, "Idempotency-Key": key}
        return one.post("/v1/me/password", json=sent, headers=headers)

    answers = [change(at, f"wrong guess {number}", f"k{number}") for number in range(5)]
    assert [answer.status_code for answer in answers] == [403] * 5
    assert [answer.headers["ratelimit"] for answer in answers][-2:] == [
        '"signature";r=1;t=0',
        '"signature";r=0;t=2',
    ]
    refused = change(at, GOOD, "k6")
    assert (refused.status_code, refused.headers["retry-after"]) == (429, "2")
    assert refused.json()["type"] == "/problems/too-many-tries"
    assert change(elsewhere, "wrong guess", "k7").status_code == 403, "another address is not slowed down"
    clock.now += timedelta(seconds=2)
    assert change(at, GOOD, "k8").status_code == 204, "whoever waits is looked at"
