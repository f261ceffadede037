"""A site is changed on condition that it is still as it was read (RFC 9110, RFC 6585), and it stays on record."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from httpx2 import Response
from sqlalchemy import select

from builders.api import Api
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, broken_links

CAUTIOUS = {"promises_by": "cautious", "reason": "dealers complained of stale beer (invented)"}
MEDIAN = {"promises_by": "median", "reason": "the profile was calibrated anew (invented)"}


@pytest.fixture
def path(api: Api) -> str:
    return f"/v1/sites/{api.ok('GET', '/v1/me')['site']['id']}"


def change(api: Api, path: str, body: Any, *if_match: str) -> Response:
    """PATCH with as many If-Match lines."""
    headers = [("Authorization", f"Bearer {api.tokens[api.role]}"), *(("If-Match", one) for one in if_match)]
    return api.client.request("PATCH", path, json=body, headers=headers)


def changes(database: Database) -> list[LedgerEvent]:
    with database.transaction(readonly=True) as session:
        found = list(session.scalars(select(LedgerEvent).where(LedgerEvent.kind == "site.changed")))  # type: ignore[arg-type]
        assert all(list(broken_links(session, event.site_id)) == [] for event in found)
        session.expunge_all()
    return found


def test_a_site_promises_by_the_median_until_qa_says_otherwise(
    api: Api, path: str, database: Database
) -> None:
    read = api.as_("picker").get(path)
    assert read.json()["promises_by"] == "median"
    done = change(api.as_("qa"), path, CAUTIOUS, read.headers["ETag"])
    assert (done.status_code, done.json()) == (200, {**read.json(), "promises_by": "cautious"})
    again = api.as_("picker").get(path)
    assert again.json() == done.json() == api.ok("GET", "/v1/me")["site"]
    assert again.headers["ETag"] == done.headers["ETag"] != read.headers["ETag"]
    (event,) = changes(database)
    assert event.data == {"before": {"promises_by": "median"}, "after": {"promises_by": "cautious"}}
    assert (event.reason, event.actor_id) == (CAUTIOUS["reason"], api.callers["qa"].id)


def test_saying_the_same_again_changes_nothing_and_leaves_no_mark(
    api: Api, path: str, database: Database
) -> None:
    read = api.get(path)
    done = change(api, path, MEDIAN, read.headers["ETag"])
    assert (done.status_code, done.headers["ETag"]) == (200, read.headers["ETag"])
    assert changes(database) == []


def test_an_edit_of_what_was_changed_meanwhile_is_refused(api: Api, path: str, database: Database) -> None:
    """RFC 9110, 13.1.1 and 15.5.13: the condition is false, so nothing is done: 412."""
    read = api.get(path).headers["ETag"]
    assert change(api, path, CAUTIOUS, read).status_code == 200
    late = change(api.as_("qa"), path, MEDIAN, read)
    assert (late.status_code, late.json()["type"]) == (412, "/problems/changed-meanwhile")
    assert late.headers["content-type"] == "application/problem+json"
    assert api.get(path).json()["promises_by"] == "cautious"
    assert len(changes(database)) == 1


def test_an_edit_that_names_no_state_is_asked_for_one(api: Api, path: str, database: Database) -> None:
    """RFC 6585, 3: 428, and the answer says how to ask again."""
    for if_match in ((), ("",), (" \t",)):
        told = change(api, path, CAUTIOUS, *if_match)
        assert (told.status_code, told.json()["type"]) == (428, "/problems/precondition-required")
        assert "ETag" in told.json()["errors"][0]["mend"]
    assert changes(database) == []


@pytest.mark.parametrize(
    ("if_match", "status"),
    [
        (["{etag}"], 200),
        (["*"], 200),
        (['"other", {etag}'], 200),
        (['"with,comma",,\t{etag} ,'], 200),
        (['"other"', "{etag}"], 200),
        (['"other"'], 412),
        (["W/{etag}"], 412),
        (['""'], 412),
        (["nonsense"], 422),
        (['"a blank"'], 422),
        (["*, {etag}"], 422),
        ([","], 422),
        (['"open'], 422),
        (['w/"small"'], 422),
        (['"' + "x" * 10_000 + '"'], 412),
        (["," * 10_000], 422),
    ],
)
def test_if_match_is_read_as_the_standard_has_it(
    api: Api, path: str, if_match: list[str], status: int
) -> None:
    """RFC 9110, 13.1.1, 8.8.3 and 5.6.1: a list of tags in quotes, weak ones never equal, or a star alone."""
    etag = api.get(path).headers["ETag"]
    assert etag.startswith('"')
    told = change(api, path, CAUTIOUS, *(one.replace("{etag}", etag) for one in if_match))
    assert told.status_code == status, told.text
    if status == 422:
        assert told.json()["errors"][0]["field"] == "If-Match"


def test_a_tag_with_bytes_beyond_ascii_is_only_another_tag(api: Api, path: str) -> None:
    headers = {
        "Authorization": f"Bearer {api.tokens['admin']}".encode(),
        "If-Match": b'"\xff\xe9"',
    }
    assert api.client.request("PATCH", path, json=CAUTIOUS, headers=headers).status_code == 412


@pytest.mark.parametrize(
    "body",
    [
        {**CAUTIOUS, "promises_by": "hopeful"},
        {**CAUTIOUS, "promises_by": None},
        {"promises_by": "cautious"},
        {**CAUTIOUS, "reason": "x"},
        {**CAUTIOUS, "time_zone": "Europe/Prague"},
        [],
    ],
)
def test_what_cannot_be_meant_changes_nothing(api: Api, path: str, database: Database, body: Any) -> None:
    told = change(api, path, body, "*")
    assert (told.status_code, told.json()["type"]) == (422, "/problems/invalid-input")
    assert changes(database) == []


def test_an_edit_larger_than_a_body_may_be_is_not_read(api: Api, path: str) -> None:
    told = change(api, path, {**CAUTIOUS, "reason": "x" * 9_000_000}, "*")
    assert told.status_code == 413


@pytest.mark.parametrize("role", ["picker", "dispatcher", "lead", "gateway", "auditor"])
def test_only_qa_and_admin_say_what_is_promised(api: Api, path: str, role: str) -> None:
    assert change(api.as_(role), path, CAUTIOUS, "*").status_code == 403
    assert api.get(path).json()["promises_by"] == "median"


def test_another_site_is_neither_shown_nor_changed(api: Api, path: str) -> None:
    opened = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})
    theirs = f"/v1/sites/{opened['site']['id']}"
    assert api.get(theirs).status_code == 404
    assert change(api, theirs, CAUTIOUS, "*").status_code == 404
    assert change(api, theirs, CAUTIOUS).status_code == 404
    api.tokens["south"] = opened["token"]
    assert api.as_("south").ok("GET", theirs)["promises_by"] == "median"
    assert change(api, path, CAUTIOUS, "*").status_code == 200
    assert api.as_("south").ok("GET", theirs)["promises_by"] == "median"


def test_of_many_who_edit_one_state_one_succeeds(api: Api, path: str, database: Database) -> None:
    read = api.get(path).headers["ETag"]
    with ThreadPoolExecutor(4) as pool:
        told = list(pool.map(lambda _: change(api.as_("qa"), path, CAUTIOUS, read).status_code, range(8)))
    assert sorted(told) == [200] + [412] * 7
    assert len(changes(database)) == 1
