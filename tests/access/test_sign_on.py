"""
Single sign-on against a provider on loopback: who gets in, and every lie that must not.

What an ID token must say: OpenID Connect Core 1.0, 3.1.3.7; the attacks: RFC 9700, RFC 9207 and RFC 8725
(all from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from http.client import HTTPConnection
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from pydantic import SecretStr
from sqlalchemy import text

from builders.api import Api, one_loop
from builders.grounds import Clock
from builders.provider import CLIENT, SECRET, Provider, ec_key, providing, rsa_key
from rimekeep.access.usecases import accept_invitation, forget_old_sign_ins, open_new_site
from rimekeep.platform.database import Database

ONE_KIND = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
ADDRESS = "http://127.0.0.1"


@pytest.fixture
def provider(api: Api, clock: Clock) -> Iterator[Provider]:
    """A provider that the application under test is set up with."""
    with providing(clock) as running:
        state = api.app.state
        state.settings = state.settings.model_copy(
            update={
                "sign_on_issuer": running.url,
                "sign_on_client_id": CLIENT,
                "sign_on_client_secret": SecretStr(SECRET),
                "sign_on_address": ADDRESS,
            }
        )
        yield running


def browser(api: Api) -> TestClient:
    opened = TestClient(api.app, base_url=ADDRESS, follow_redirects=False, raise_server_exceptions=False)
    opened.portal = one_loop()
    return opened


def to_provider(at: TestClient) -> str:
    """Begin, sign on at the provider, and return where it sends the browser."""
    begun = at.get("/sign-on")
    assert begun.status_code == 303, begun.text
    way_in = urlsplit(begun.headers["location"])
    asked = HTTPConnection(way_in.netloc, timeout=30)
    asked.request("GET", f"{way_in.path}?{way_in.query}")
    sent = asked.getresponse().headers["location"]
    asked.close()
    assert sent.startswith(f"{ADDRESS}/sign-on/return?")
    return str(sent).removeprefix(ADDRESS)


def sign_on(at: TestClient) -> Response:
    return at.get(to_provider(at))


def invite(api: Api, name: str = "Nora", login: str = "Nora@example.com") -> Any:
    return api.made("/v1/invitations", {"name": name, "roles": ["qa"], "login": login})


def is_refused(at: TestClient, response: Response) -> bool:
    """Refused in one line, whatever the reason, and nobody is signed in."""
    assert at.get("/v1/me").status_code == 401
    assert "rimekeep_session" not in at.cookies
    return response.status_code == 403 and "This account does not sign anybody in here." in response.text


def rows(database: Database, table: str) -> list[Any]:
    with database.transaction(readonly=True) as session:
        return list(session.execute(text(f"SELECT * FROM {table}")).mappings())


def test_an_invited_person_signs_on_and_is_known_by_the_account_from_then_on(
    api: Api, database: Database, provider: Provider
) -> None:
    made, at = invite(api), browser(api)
    assert 'href="/sign-on"' in at.get("/sign-in").text
    response = sign_on(at)
    assert (response.status_code, response.headers["location"]) == (303, "/")
    assert "rimekeep_sign_on" not in at.cookies
    assert at.get("/v1/me").json()["id"] == made["principal_id"]
    assert {"rimekeep_session", "rimekeep_device"} <= set(at.cookies)
    assert (
        api.client.post(
            "/invitation",
            data={"code": made["code"], "password": "kept at two degrees", "again": "kept at two degrees"},
        ).status_code
        == 409
    )
    # The account counts, not the mail any more, whatever it says.
    provider.claims = {"sub": "u-1"}
    again = browser(api)
    assert sign_on(again).status_code == 303
    assert again.get("/v1/me").json()["id"] == made["principal_id"]
    assert [one["opened_by"] for one in again.get("/v1/sessions").json()["items"]] == ["sign-on", "sign-on"]
    (link,) = rows(database, "sign_on_link")
    assert (link["issuer"], link["subject"]) == (provider.url, "u-1")
    assert [one["object_kind"] for one in rows(database, "audit_entry")].count("sign_on_link") == 1
    # Discovery and keys were asked for once.
    assert [provider.asked.count(path) for path in ("/.well-known/openid-configuration", "/keys")] == [1, 1]


def test_an_answer_comes_back_once_and_to_the_browser_that_asked(
    api: Api, database: Database, provider: Provider, clock: Clock
) -> None:
    invite(api)
    at, thief = browser(api), browser(api)
    back = to_provider(at)
    cookie = at.cookies["rimekeep_sign_on"]
    # RFC 9700, 4.7: somebody else's answer is not taken in.
    to_provider(thief)
    assert is_refused(thief, thief.get(back))
    assert is_refused(browser(api), browser(api).get(back))
    assert at.get(back).status_code == 303
    asked = provider.asked.count("/token")
    again = browser(api)
    again.cookies.set("rimekeep_sign_on", cookie)
    assert is_refused(again, again.get(back))
    assert provider.asked.count("/token") == asked
    assert len(rows(database, "sign_on_used")) == 1
    with database.transaction() as session:
        forget_old_sign_ins(session, clock.now + timedelta(hours=1))
    assert rows(database, "sign_on_used") == []


@ONE_KIND
def test_a_code_serves_once_and_only_who_began(api: Api, provider: Provider) -> None:
    """RFC 7636: a stolen code is worth nothing to a browser with another verifier."""
    invite(api)
    at, thief = browser(api), browser(api)
    stolen, own = (parse_qs(urlsplit(to_provider(one)).query) for one in (at, thief))
    query = {"code": stolen["code"][0], "state": own["state"][0], "iss": provider.url}
    assert is_refused(thief, thief.get("/sign-on/return", params=query))


@ONE_KIND
def test_an_answer_that_comes_too_late_is_refused(api: Api, provider: Provider, clock: Clock) -> None:
    invite(api)
    at = browser(api)
    back = to_provider(at)
    clock.now += timedelta(minutes=10)
    assert is_refused(at, at.get(back))


LIES: dict[str, dict[str, Any]] = {
    "another nonce": {"bent": {"nonce": "another"}},
    "no nonce": {"bent": {"nonce": None}},
    "nonce in a list": {"bent": {"nonce": ["another"]}},
    "another audience": {"bent": {"aud": "another"}},
    "no audience": {"bent": {"aud": None}},
    "another party": {"bent": {"azp": "another"}},
    "several audiences without a party": {"bent": {"aud": [CLIENT, "another"]}},
    "another issuer": {"bent": {"iss": "https://elsewhere.example"}},
    "issuer but for a slash": {"bent": {"iss": "URL/"}},
    "expired": {"bent": {"exp": -61}},
    "never expires": {"bent": {"exp": None}},
    "expires at a word": {"bent": {"exp": "tomorrow"}},
    "issued long ago": {"bent": {"iat": -700}},
    "issued in the future": {"bent": {"iat": 120}},
    "no subject": {"bent": {"sub": None}},
    "empty subject": {"bent": {"sub": ""}},
    "subject no database takes": {"bent": {"sub": "\ud800\x00"}},
    "not signed": {"alg": "none"},
    "signed by the public key as a secret": {"alg": "HS256"},
    "signed by nobody's key": {"signing_key": rsa_key(1)},
    "key not announced": {"signing_key": rsa_key(1), "signs_with": "two"},
    "algorithm not announced": {"alg": "RS256", "announces": {"id_token_signing_alg_values_supported": ["ES256"]}},
    "nothing but secrets announced": {"alg": "HS256", "announces": {"id_token_signing_alg_values_supported": ["HS256", "none"]}},
    "key too short": {"keys": {"one": rsa_key(0, 1024)}},
    "several keys and none named": {"keys": {"one": rsa_key(), "two": rsa_key(1)}, "signs_with": None},
    "answer of another provider": {"extra": {"iss": "https://elsewhere.example"}},
    "refused at the provider": {"extra": {"error": "access_denied"}},
    "mail not verified": {"bent": {"email_verified": False}},
    "mail verified by a word": {"bent": {"email_verified": "true"}},
    "mail said to be nothing": {"bent": {"email_verified": None}},
    "mail of nobody here": {"bent": {"email": "olga@example.com"}},
    "mail that only looks alike": {"bent": {"email": "nora@example.\u0441om"}},
    "mail that folds to it": {"bent": {"email": "mar\u212a@example.com"}},
}  # fmt: skip


@pytest.fixture
def lied_to(api: Api, provider: Provider) -> Api:
    invite(api)
    invite(api, "Mark", "mark@example.com")
    return api


@ONE_KIND
def test_no_lie_gets_in(lied_to: Api, database: Database, provider: Provider) -> None:
    true = {name: getattr(provider, name) for name in Provider.__dataclass_fields__}
    now = int(provider.clock().timestamp())
    let_in = []
    for lie, how in LIES.items():
        for name, value in {**true, **how}.items():
            setattr(provider, name, value)
        for name, value in provider.bent.items():
            if name in {"exp", "iat"} and isinstance(value, int):
                provider.bent = {name: now + value}
            elif value == "URL/":
                provider.bent = {name: f"{provider.url}/"}
        # What it announces is asked for again after an hour.
        provider.clock.now += timedelta(hours=1)  # type: ignore[attr-defined]
        now += 3600
        if any(isinstance(provider.bent.get(name), int) for name in ("exp", "iat")):
            provider.bent = {name: value + 3600 for name, value in provider.bent.items()}
        at = browser(lied_to)
        if not is_refused(at, sign_on(at)):
            let_in.append(lie)
    assert let_in == []
    assert rows(database, "sign_on_link") == []
    # And the truth does: what was refused was the lie.
    for name, value in true.items():
        setattr(provider, name, value)
    provider.clock.now += timedelta(hours=1)  # type: ignore[attr-defined]
    assert sign_on(browser(lied_to)).status_code == 303


@ONE_KIND
def test_new_keys_are_fetched_and_other_curves_verified(api: Api, provider: Provider) -> None:
    invite(api)
    assert sign_on(browser(api)).status_code == 303
    provider.keys, provider.signs_with, provider.alg = {"two": ec_key()}, "two", "ES256"
    assert sign_on(browser(api)).status_code == 303
    assert sign_on(browser(api)).status_code == 303
    assert provider.asked.count("/keys") == 2
    # The withdrawn key serves nobody any more.
    provider.signing_key, provider.signs_with, provider.alg = rsa_key(), "one", "RS256"
    at = browser(api)
    assert is_refused(at, sign_on(at))


def test_who_is_shut_out_stays_out_and_who_is_not_clear_is_nobody(
    api: Api, database: Database, provider: Provider, clock: Clock
) -> None:
    tied, at = invite(api), browser(api)
    assert sign_on(at).status_code == 303
    api.made(f"/v1/principals/{tied['principal_id']}/deactivate")
    at = browser(api)
    assert is_refused(at, sign_on(at))
    # Somebody invited, but no longer.
    provider.claims = {"sub": "u-2", "email": "olga@example.com", "email_verified": True}
    made = invite(api, "Olga", "olga@example.com")
    assert api.post(f"/v1/invitations/{made['id']}/withdraw").status_code == 204
    at = browser(api)
    assert is_refused(at, sign_on(at))
    api.made(f"/v1/principals/{made['principal_id']}/invitation", {})
    # The same login at a second site: nobody knows which is meant.
    with database.transaction() as session:
        _, token = open_new_site(session, clock.now, code="SOUTH", name="South store (invented)")
    other = Api(api.app, {**api.tokens, "admin": token}, api.callers)
    second = invite(other, "Olga", "olga@example.com")
    assert is_refused(at, sign_on(at))
    assert other.post(f"/v1/invitations/{second['id']}/withdraw").status_code == 204
    assert sign_on(at).status_code == 303


@ONE_KIND
def test_a_mail_address_given_to_somebody_else_opens_nothing_without_an_invitation(
    api: Api, database: Database, provider: Provider, clock: Clock
) -> None:
    made, first = invite(api), browser(api)
    with database.transaction() as session:
        accept_invitation(session, clock.now, code=made["code"], password="kept at two degrees")
    # Known by a password: tied without an invitation.
    assert sign_on(first).status_code == 303
    provider.claims = {**provider.claims, "sub": "u-2"}
    at = browser(api)
    assert is_refused(at, sign_on(at))
    api.made(f"/v1/principals/{made['principal_id']}/invitation", {})
    assert sign_on(at).status_code == 303
    # Invited anew, the account before is out, with its session.
    assert first.get("/v1/me").status_code == 401
    provider.claims = {**provider.claims, "sub": "u-1"}
    at = browser(api)
    assert is_refused(at, sign_on(at))


@ONE_KIND
@pytest.mark.parametrize("how", ["fails", "calls itself another", "sends elsewhere unguarded"])
def test_while_the_provider_is_away_tokens_still_sign_in(api: Api, provider: Provider, how: str) -> None:
    provider.broken = how == "fails"
    if how == "calls itself another":
        provider.announces = {"issuer": "https://elsewhere.example"}
    elif how == "sends elsewhere unguarded":
        provider.announces = {"token_endpoint": "ftp://elsewhere.example/token"}
    at = browser(api)
    response = at.get("/sign-on")
    assert (response.status_code, "sign-on does not answer" in response.text) == (503, True)
    assert at.post("/sign-in", data={"token": api.tokens["lead"]}).status_code == 303


@ONE_KIND
def test_a_provider_that_is_gone_is_said_to_be(api: Api, clock: Clock, provider: Provider) -> None:
    invite(api)
    at = browser(api)
    with providing(clock) as gone:
        pass
    state = api.app.state
    state.settings = state.settings.model_copy(update={"sign_on_issuer": gone.url})
    assert at.get("/sign-on").status_code == 503
    state.settings = state.settings.model_copy(update={"sign_on_issuer": provider.url})
    back = to_provider(at)
    provider.broken = True
    response = at.get(back)
    assert (response.status_code, "sign-on does not answer" in response.text) == (503, True)


@ONE_KIND
def test_without_it_set_up_there_is_no_button_and_nothing_behind_it(api: Api) -> None:
    at = browser(api)
    assert "/sign-on" not in at.get("/sign-in").text
    assert at.get("/sign-on").status_code == 404
    assert at.get("/sign-on/return?code=1&state=1").status_code == 404


@ONE_KIND
def test_the_way_in_asks_for_what_the_standards_want(api: Api, provider: Provider) -> None:
    at = browser(api)
    begun = at.get("/sign-on", headers={"Host": "elsewhere.example"})
    asked = parse_qs(urlsplit(begun.headers["location"]).query)
    assert asked["tenant"] == ["north"]
    assert asked["redirect_uri"] == [f"{ADDRESS}/sign-on/return"]
    assert (asked["response_type"], asked["code_challenge_method"]) == (["code"], ["S256"])
    assert asked["scope"] == ["openid email"]
    cookie = begun.headers["set-cookie"]
    assert {"HttpOnly", "Secure", "SameSite=lax", "Path=/sign-on", "Max-Age=600"} <= set(cookie.split("; "))
    assert not [
        value for name in ("state", "nonce", "code_challenge") for value in asked[name] if value in cookie
    ]
