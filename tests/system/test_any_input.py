"""
Whatever is sent, the service answers: never with a failure of its own, and every refusal as a problem.

Requests are made by Schemathesis from the committed OpenAPI document, fitting it and breaking it, and beside
them one by one from bodies that would do, each field in turn replaced by something nobody should send.
"""

from __future__ import annotations

import gzip
import itertools
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import schemathesis
from httpx2 import Response
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from builders.api import Api
from builders.store import EDITED, bodies, furnish
from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.main import create_app
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi" / "rimekeep.json").read_text(encoding="utf-8"))
# A stream that is admitted never ends; what it does with a bad header is asked below.
ENDLESS = "/v1/stream"
OPERATIONS = {
    found.ok().label: found.ok()
    for found in schemathesis.openapi.from_dict(DOCUMENT).get_all_operations()
    if found.ok().path != ENDLESS
}
NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
MARK = "FUZZ"


@dataclass
class Store:
    """An application with one of everything in it."""

    api: Api
    made: dict[str, Any]

    def bodies(self) -> dict[str, Any]:
        """A good body for every POST that takes one."""
        return bodies(self.made, NOW, MARK)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store that what is sent here may turn upside down."""
    if request.param == "sqlite":
        file = tmp_path_factory.mktemp("fuzz") / "fuzz.sqlite3"
        shutil.copy(request.getfixturevalue("sqlite_template"), file)
        url = f"sqlite:///{file}"
    else:
        server = request.getfixturevalue("postgres")
        name = server.create(request.getfixturevalue("postgres_template"))
        url = server.url(name)
    database = Database(load_settings(database_url=url, compute_workers=0, webhook_allow_private=True))
    app = create_app(database.settings, database=database)
    app.state.clock = lambda: NOW
    with database.transaction() as session:
        site, _ = open_new_site(
            session, NOW, code="NORTH", name="North store (invented)", company_prefix="9521234"
        )
        # Small ids get shut out and have their tokens rotated by what is sent here; the caller's is not small.
        for number in range(40):
            admin, token = add_principal(
                session, NOW, site.id, kind=PrincipalKind.PERSON, name=f"admin {number}", roles=[Role.ADMIN]
            )
    api = Api(app, {"admin": token}, {})
    yield Store(api, furnish(api, NOW, MARK, "9521234"))
    # Had the caller been shut out on the way, every later answer would have been 401 and proven nothing.
    assert api.get("/v1/me").json()["id"] == admin.id
    app.state.compute.close()
    database.dispose()
    if request.param == "postgresql":
        server.drop(name)


def judge(response: Response, asked: object) -> None:
    """An answer is a success, or a problem (RFC 9457) that says what, where and what to do."""
    status = response.status_code
    shown = f"{asked!r:.2000}: {status} {response.text:.500}"
    assert status < 500, shown
    if status < 400:
        return
    assert response.headers["content-type"] == "application/problem+json", shown
    told = response.json()
    assert told["status"] == status, shown
    assert re.fullmatch(r"/problems/[a-z0-9-]+", told["type"]), shown
    assert told["detail"], shown
    assert "Traceback" not in response.text, shown
    assert "sqlalchemy" not in response.text.lower(), shown
    if status == 422:
        assert told["errors"], shown
    for fault in told["errors"]:
        # A field whose very name is empty has no better one.
        assert fault["field"] or "'': " in shown, shown
        assert fault["detail"], shown
        assert fault["mend"], shown


def fuzz(store: Store, label: str, mode: GenerationMode, examples: int) -> None:
    """Send ``examples`` requests to one operation, half of them to things that are there."""
    operation = OPERATIONS[label]
    place = re.compile("/".join(r"([^/]+)" if "{" in p else re.escape(p) for p in operation.path.split("/")))
    names = re.findall(r"\{(\w+)\}", operation.path)
    known = operation.path.format(**{name: store.made[name] for name in names})

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate],
    )
    @given(case=operation.as_strategy(generation_mode=mode), is_known=st.booleans())
    def send(case: schemathesis.Case, is_known: bool) -> None:
        sent = case.as_transport_kwargs(base_url="http://testserver")
        url = sent["url"]
        if names and is_known and mode is GenerationMode.POSITIVE:
            url = place.sub(known, url, count=1)
        kept = {"content-type", "accept"}
        headers = {name: value for name, value in sent["headers"].items() if name.lower() in kept}
        body = {name: sent[name] for name in ("json", "data", "content") if name in sent}
        if isinstance(body.get("data"), (bytes, str)):
            body = {"content": body["data"]}
        response = store.api.request(
            sent["method"], url, params=sent.get("params") or None, headers=headers, **body
        )
        judge(response, (sent["method"], url, sent.get("params"), body))

    send()


# What can be broken at all: an operation that takes nothing cannot be sent anything wrong.
BREAKABLE = [
    label
    for label, operation in OPERATIONS.items()
    if "{" in operation.path or DOCUMENT["paths"][operation.path][operation.method].get("requestBody")
    or any(p["in"] == "query" for p in DOCUMENT["paths"][operation.path][operation.method].get("parameters", ()))
]  # fmt: skip


@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
@pytest.mark.parametrize("label", OPERATIONS)
def test_a_request_that_fits_the_description_never_fails_here(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.POSITIVE, 2)


@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
@pytest.mark.parametrize("label", BREAKABLE)
def test_a_request_that_breaks_the_description_is_a_problem(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.NEGATIVE, 2)


# The database that is stricter about what it takes gets all of it, the other a fifth of the operations. They are
# told apart as tests, not by pairs of parameters: those would make a new store for each.
MANY = 6
STRICTER = pytest.mark.parametrize("store", ["postgresql"], indirect=True)
OTHER = pytest.mark.parametrize("store", ["sqlite"], indirect=True)


@pytest.mark.slow
@STRICTER
@pytest.mark.parametrize("label", OPERATIONS)
def test_many_requests_that_fit_never_fail_here(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.POSITIVE, MANY)


@pytest.mark.slow
@OTHER
@pytest.mark.parametrize("label", [*OPERATIONS][::5])
def test_many_requests_that_fit_never_fail_on_the_other_either(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.POSITIVE, MANY)


@pytest.mark.slow
@STRICTER
@pytest.mark.parametrize("label", BREAKABLE)
def test_many_requests_that_do_not_fit_are_problems(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.NEGATIVE, MANY)


@pytest.mark.slow
@OTHER
@pytest.mark.parametrize("label", BREAKABLE[::5])
def test_many_requests_that_do_not_fit_are_problems_on_the_other_too(store: Store, label: str) -> None:
    fuzz(store, label, GenerationMode.NEGATIVE, MANY)


# As written into the body, so that what JSON has no right to hold is sent too.
NASTY = [
    "null", "true", "-1", "0", "0.5", "1e400", "-1e400", "NaN", "Infinity", "1e-400", "2147483648", "9223372036854775807",
    "9223372036854775808", "-9223372036854775809", "1" + "0" * 400, '""', '" "', '"1"', r'"\u0000"', r'"a\u0000b"', r'"\ud800"',
    f'"{"x" * 100_000}"', f'"{"9" * 5_000}"', '"2026-02-30"', '"0001-01-01"', '"9999-12-31"', '"0001-01-01T00:00:00+14:00"',
    '"9999-12-31T23:59:59-14:00"', '"2026-03-16T06:00:00"', '"\u202e\u0007"', '"\'; DROP TABLE lot; --"',
    "[]", "{}", "[null]", '[{"a": [{}]}]', "[" * 150 + "]" * 150, '{"a":' * 150 + "1" + "}" * 150,
]  # fmt: skip


def leaves(body: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where the values of a body stand, containers too; a truck's many rows count once."""
    if way:
        yield way
    if isinstance(body, dict):
        for name, inner in body.items():
            yield from leaves(inner, (*way, name))
    elif isinstance(body, list) and body:
        yield from leaves(body[0], (*way, 0))


def put(body: Any, way: tuple[Any, ...], text: str) -> str:
    """The body as JSON text with one value replaced by a piece of text."""
    mark = "@@here@@"
    copy = json.loads(json.dumps(body))
    inner = copy
    for step in way[:-1]:
        inner = inner[step]
    inner[way[-1]] = mark
    return json.dumps(copy).replace(f'"{mark}"', text)


def every_field(store: Store, one_in: int) -> int:
    """Send one in so many of all fields with all nasty values; return how many."""
    sent = 0
    places = [(path, body, way) for path, body in store.bodies().items() for way in leaves(body)]
    for number, ((path, body, way), text) in enumerate(itertools.product(places, NASTY)):
        if number % one_in:
            continue
        content = put(body, way, text).encode()
        url = path.format(**store.made)
        response = store.api.request(
            "PATCH" if path in EDITED else "POST",
            url,
            content=content,
            headers={"Content-Type": "application/json", "If-Match": "*"},
        )
        judge(response, (url, way, text[:60]))
        sent += 1
    return sent


# 17 has no factor in common with the number of values, so that each field and each value comes up.
@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
def test_no_field_takes_the_service_down(store: Store) -> None:
    assert len(NASTY) % 17
    assert every_field(store, 17) > 250


@pytest.mark.slow
@pytest.mark.parametrize(("store", "one_in"), [("sqlite", 23), ("postgresql", 5)], indirect=["store"])
def test_no_field_with_any_value_takes_the_service_down(store: Store, one_in: int) -> None:
    assert len(NASTY) % one_in
    assert every_field(store, one_in) > 4000 / one_in


JSON_TYPE = "application/json"
ODD_BODIES: list[tuple[str, bytes, str | None]] = [
    ("empty", b"", JSON_TYPE),
    ("empty, no type", b"", None),
    ("null", b"null", JSON_TYPE),
    ("a list", b"[]", JSON_TYPE),
    ("a string", b'"hello"', JSON_TYPE),
    ("a number", b"17", JSON_TYPE),
    ("a bare NaN", b"NaN", JSON_TYPE),
    ("half an object", b'{"reason": "x', JSON_TYPE),
    ("not UTF-8", b'{"reason": "\xff\xfe\xfa"}', JSON_TYPE),
    ("UTF-16", '{"reason": "abc"}'.encode("utf-16"), JSON_TYPE),
    ("a byte order mark", b'\xef\xbb\xbf{"reason": "abc"}', JSON_TYPE),
    ("gzip", gzip.compress(b'{"reason": "abc"}', mtime=0), JSON_TYPE),
    ("deep lists", b"[" * 100_000, JSON_TYPE),
    ("deep, closed", b"[" * 100_000 + b"]" * 100_000, JSON_TYPE),
    ("deep objects", b'{"a":' * 50_000 + b"1" + b"}" * 50_000, JSON_TYPE),
    ("doubled names", b'{"reason": "abc", "reason": 5}', JSON_TYPE),
    ("a number of 100,000 digits", b'{"cases": ' + b"9" * 100_000 + b"}", JSON_TYPE),
    ("plain text", b"reason=abc", "text/plain"),
    ("a form", b"reason=abc", "application/x-www-form-urlencoded"),
    ("a broken form of parts", b"--x\r\n\r\nabc", "multipart/form-data; boundary=x"),
    ("XML", b"<?xml version='1.0'?><reason/>", "application/xml"),
    ("no known type", b'{"reason": "abc"}', "nonsense"),
    ("an odd charset", b'{"reason": "abc"}', "application/json; charset=klingon"),
    ("SenML", b'[{"n":"x","v":1e999}]', "application/senml+json"),
    ("SenML of nothing", b"{}", "application/senml+json"),
    ("too large", b'{"reason": "' + b"x" * 9_000_000 + b'"}', JSON_TYPE),
]
POSTS = [path for path, operations in DOCUMENT["paths"].items() if "post" in operations]


ODD = [pytest.param(body, kind, id=name) for name, body, kind in ODD_BODIES]


def send_odd(store: Store, paths: list[str], body: bytes, kind: str | None) -> None:
    """Send one body everywhere."""
    for path in paths:
        headers = {"Content-Type": kind} if kind else {}
        response = store.api.request("POST", path.format(**store.made), content=body, headers=headers)
        judge(response, (path, body[:40], kind))
        if len(body) > 8_000_000:
            assert response.status_code == 413, path


@pytest.mark.parametrize("store", ["sqlite"], indirect=True)
@pytest.mark.parametrize(("body", "kind"), ODD)
def test_no_body_takes_the_service_down(store: Store, body: bytes, kind: str | None) -> None:
    send_odd(store, ["/v1/readings", "/v1/lots/{lot_id}/hold", *POSTS[::9]], body, kind)


# A body that cannot be read does not get as far as the database: one kind of them will do for all endpoints.
@pytest.mark.slow
@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
@pytest.mark.parametrize(("body", "kind"), ODD)
def test_no_body_takes_any_endpoint_down(store: Store, body: bytes, kind: str | None) -> None:
    send_odd(store, POSTS, body, kind)


QUERY = [
    "", " ", "-1", "0", "1", "9223372036854775808", "1" + "0" * 400, "NaN", "inf", "1e400", "null", "true", "[]", "\x00", "a\x00b",
    "\u202e", "x" * 5_000, "2026-02-30", "0001-01-01", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "2026-03-16T06:00:00",
    "eyJh", "W10", "W251bGxd", "WyJhIl0", "Wy0xXQ", "WzFlNDAwXQ", "'; DROP TABLE lot; --", "\x1d", "]C1", "00" + "0" * 18, "(01)1",
]  # fmt: skip


IN_PATHS = ["0", "-1", "1.5", "9223372036854775808", "9" * 400, "x", "%00", "%FF", "%2F", "..%2f", "٣"]


def every_query(store: Store, one_in: int) -> int:
    """Ask one in so many of all parameters with all odd values; return how many."""
    asked: list[tuple[str, dict[str, str]]] = []
    for path, operations in DOCUMENT["paths"].items():
        if "get" not in operations:
            continue
        needed = {"air_c": "12", "relative_humidity_pct": "70"} if path == "/v1/dew-point" else {}
        for one in operations["get"].get("parameters", ()):
            if one["in"] == "query":
                asked += [(path.format(**store.made), needed | {one["name"]: value}) for value in QUERY]
        for part in re.findall(r"\{\w+\}", path):
            asked += [(path.replace(part, value), {}) for value in IN_PATHS]
    for url, query in asked[::one_in]:
        # A number no stream can go on from: it is refused whatever else is asked, for one admitted has no end.
        headers = {"Last-Event-ID": "x"} if url == ENDLESS else {}
        judge(store.api.request("GET", url, params=query, headers=headers), (url, query))
    return len(asked[::one_in])


@pytest.mark.parametrize("store", ["postgresql"], indirect=True)
def test_no_query_takes_the_service_down(store: Store) -> None:
    assert every_query(store, 7) > 200


@pytest.mark.slow
def test_no_query_with_any_value_takes_the_service_down(store: Store) -> None:
    assert every_query(store, 1) > 1400


@pytest.mark.parametrize(
    "headers",
    [
        {"Idempotency-Key": "k" * 201},
        {"Idempotency-Key": ""},
        {"Idempotency-Key": "\xff\xfe"},
        {"Idempotency-Key": "'; --"},
        {"Authorization": "Bearer \xff"},
        {"Authorization": "Bearer " + "x" * 60_000},
        {"Last-Event-ID": "x"},
        {"Last-Event-ID": "-1"},
        {"Last-Event-ID": "9223372036854775808"},
        {"X-Request-Id": "\xff" * 500},
    ],
    ids=lambda headers: f"{headers!r:.40}",
)
def test_no_header_takes_the_service_down(store: Store, headers: dict[str, str]) -> None:
    raw = {name: value.encode("latin-1") for name, value in headers.items()}
    sent: Any = {"Authorization": f"Bearer {store.api.tokens['admin']}".encode(), **raw}
    if "Last-Event-ID" in headers:
        response = store.api.client.get(ENDLESS, headers=sent)
        assert response.status_code == 422
        judge(response, headers)
        return
    judge(store.api.client.get("/v1/me", headers=sent), headers)
    sent = {"Idempotency-Key": str(uuid4()).encode(), **sent}
    judge(store.api.client.post("/v1/excursions/check", headers=sent), headers)


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "OPTIONS", "HEAD", "TRACE", "BREW"])
def test_a_method_nobody_offers_is_a_problem(store: Store, method: str) -> None:
    response = store.api.request(method, "/v1/products")
    assert response.status_code == 405
    if method != "HEAD":
        judge(response, method)


@pytest.mark.parametrize(
    "path", ["/v1", "/v1/", "/v2/lots", "/v1/lots/", "/v1/%00", "/v1/lots/1/none", "//v1/lots"]
)
def test_an_address_nobody_has_is_a_problem(store: Store, path: str) -> None:
    response = store.api.client.get(path, follow_redirects=False)
    assert response.status_code in (307, 404), response.text
    if response.status_code == 404:
        judge(response, path)
