"""Who may: tokens, roles, sites."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from builders.api import Api
from rimekeep.access.core.roles import Caller
from rimekeep.access.tables import AccessToken
from rimekeep.access.usecases import confirm_identity
from rimekeep.errors import Forbidden
from rimekeep.platform.database import Database


def test_a_token_tells_who_and_where(api: Api) -> None:
    me = api.as_("qa").ok("GET", "/v1/me")
    assert (me["name"], me["roles"], me["site"]["code"]) == ("the qa", ["qa"], "NORTH")


@pytest.mark.parametrize("header", [None, "Bearer nonsense", "Basic abc", "Bearer ", "bearer"])
def test_without_a_known_token_nothing_is_answered(api: Api, header: str | None) -> None:
    response = api.client.get("/v1/me", headers={"Authorization": header} if header else {})
    assert response.status_code == 401
    assert response.headers["www-authenticate"] == "Bearer"


def test_tokens_are_stored_hashed_only(api: Api, database: Database) -> None:
    with database.transaction(readonly=True) as session:
        stored = set(session.scalars(select(AccessToken.token_hash)))
    assert stored
    assert stored.isdisjoint(api.tokens.values())


def test_a_role_that_is_not_admitted_is_told_which_is(api: Api) -> None:
    body = api.as_("picker").refused("/v1/people", {"name": "x", "roles": ["qa"]}, 403, "role-missing")
    assert "admin" in body["detail"]


def test_a_new_person_can_sign_in_until_shut_out(api: Api) -> None:
    made = api.made("/v1/people", {"name": "N. New", "roles": ["dispatcher", "lead"]})
    headers = {"Authorization": f"Bearer {made['token']}"}
    assert api.client.get("/v1/me", headers=headers).json()["roles"] == ["dispatcher", "lead"]
    api.made(f"/v1/principals/{made['principal']['id']}/deactivate")
    assert api.client.get("/v1/me", headers=headers).status_code == 401


def test_a_rotated_token_ends_the_old_one(api: Api) -> None:
    made = api.made("/v1/devices", {"name": "handheld 9", "roles": ["picker"]})
    fresh = api.made(f"/v1/principals/{made['principal']['id']}/token")["token"]
    old, new = ({"Authorization": f"Bearer {token}"} for token in (made["token"], fresh))
    assert api.client.get("/v1/me", headers=old).status_code == 401
    assert api.client.get("/v1/me", headers=new).status_code == 200


def test_an_admin_cannot_lock_the_door_from_outside(api: Api) -> None:
    mine = api.ok("GET", "/v1/me")["id"]
    api.refused(f"/v1/principals/{mine}/deactivate", None, 409, "own-account")


def test_two_people_of_one_name_are_refused(api: Api) -> None:
    api.made("/v1/people", {"name": "Same", "roles": ["qa"]})
    api.refused("/v1/people", {"name": "Same", "roles": ["qa"]}, 409, "name-taken")


def test_another_site_s_people_are_not_found(api: Api) -> None:
    other = api.made("/v1/sites", {"code": "SOUTH", "name": "South store", "time_zone": "Europe/Prague"})
    headers = {"Authorization": f"Bearer {other['token']}", "Idempotency-Key": "a"}
    someone = api.ok("GET", "/v1/people")["items"][0]["id"]
    response = api.client.post(f"/v1/principals/{someone}/deactivate", headers=headers)
    assert response.status_code == 404
    assert [p["name"] for p in api.client.get("/v1/people", headers=headers).json()["items"]] == [
        "first admin"
    ]


def test_a_site_in_an_unknown_time_zone_is_refused_with_the_mend(api: Api) -> None:
    body = api.refused(
        "/v1/sites", {"code": "X", "name": "X", "time_zone": "Mars/Base"}, 422, "invalid-input"
    )
    assert body["errors"][0]["field"] == "time_zone"


@pytest.mark.parametrize("key", [0, -1, 2**63, 10**30, "abc"])
def test_an_impossible_id_is_a_problem_not_a_crash(api: Api, key: object) -> None:
    assert api.post(f"/v1/principals/{key}/deactivate").status_code in {404, 422}


def test_who_signs_is_who_sends_their_own_living_token_again(api: Api, database: Database) -> None:
    now, qa = datetime(2026, 3, 16, 6, 0, tzinfo=UTC), api.callers["qa"]
    robot = api.made("/v1/devices", {"name": "robot", "roles": ["qa"]})
    south = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    as_robot = Caller(robot["principal"]["id"], qa.site_id, "robot", qa.roles)
    with database.transaction() as session:
        assert confirm_identity(session, now, qa, api.tokens["qa"]) == now
        for caller, token in (
            (qa, "nonsense"),
            (qa, ""),
            (qa, api.tokens["lead"]),
            (qa, south),
            (api.callers["lead"], api.tokens["qa"]),
            (as_robot, robot["token"]),
        ):
            with pytest.raises(Forbidden) as caught:
                confirm_identity(session, now, caller, token)
            assert caught.value.code == "signature-not-confirmed"
            assert caught.value.faults[0].field == "signature_token"
    api.made(f"/v1/principals/{qa.id}/token")
    with database.transaction() as session, pytest.raises(Forbidden):
        confirm_identity(session, now, qa, api.tokens["qa"])
