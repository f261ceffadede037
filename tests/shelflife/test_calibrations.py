"""From a file of forced ageing to a signed profile version. All trials here are invented."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import select

from builders.api import Api
from builders.rows import table_counts
from builders.stock import make_product
from builders.trials import body, samples
from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal
from rimekeep.platform.database import Database
from rimekeep.platform.journal import LedgerEvent, broken_links
from rimekeep.shelflife import queries
from rimekeep.shelflife.core.forced_fit import fit_forced_ageing
from rimekeep.stock.tables import Product

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
HAZE = {
    "name": "haze",
    "reference_c": 20,
    "reference_life_days": 300,
    "activation_kj_mol": 60,
    "source": "common practice, no source",
}
STALING = {**HAZE, "name": "staling", "reference_life_days": 80, "source": "from memory"}
PROFILE: dict[str, Any] = {
    "tau_h": 17,
    "planned_c": 3,
    "freezing_minutes": 45,
    "routes": [STALING, HAZE],
    "oxygen_ref_ppb": 50,
    "oxygen_exponent": 0.3,
    "reason": "opening profile",
}


@pytest.fixture
def product(api: Api, database: Database) -> Product:
    with database.transaction() as session:
        return make_product(session, NOW, api.callers["qa"])


@pytest.fixture
def path(product: Product) -> str:
    return f"/v1/products/{product.id}/calibrations"


def profiles(product: Product) -> str:
    return f"/v1/products/{product.id}/profiles"


def signed(api: Api, reason: str = "fits the panel's notes") -> dict[str, str]:
    return {"reason": reason, "signature_token": api.tokens["qa"]}


# Proposing


def test_a_proposal_shows_the_fit_its_intervals_and_the_residuals(api: Api, path: str) -> None:
    made = api.as_("qa").made(path, body())
    same = fit_forced_ageing(samples(), direction="falls", limit=4, reference_c=20)
    fit = made["fit"]
    assert (made["state"], made["is_thin"], made["profile_version"]) == ("proposed", False, None)
    assert fit["life_days"]["value"] == pytest.approx(same.life_days.value)
    assert fit["life_days"]["low"] < 90 < fit["life_days"]["high"]
    assert fit["parameter_name"] == "activation_kj_mol"
    assert fit["parameter"]["low"] < 95 < fit["parameter"]["high"]
    assert fit["start_score"]["value"] == pytest.approx(8, abs=0.1)
    assert -1 < fit["correlation"] < 1
    assert len(fit["points"]) == 40
    assert fit["points"][3] == pytest.approx(
        {
            "temp_c": 4.0,
            "day": same.points[3].day,
            "score": samples()[3][2],
            "fitted": same.points[3].fitted,
            "residual": same.points[3].residual,
            "standardised": same.points[3].standardised,
        }
    )
    assert len(fit["alternatives"]) == 6
    assert fit["best"]["kinetics"] == "zero-order"
    assert [remark["code"] for remark in made["remarks"]] == ["extrapolated"]
    assert made["asked"]["limit"] == 4
    assert api.as_("auditor").ok("GET", f"/v1/calibrations/{made['id']}") == made
    listed = api.as_("picker").ok("GET", path)["items"]
    assert [(one["id"], one["route"], one["state"]) for one in listed] == [
        (made["id"], "staling", "proposed")
    ]


@pytest.mark.parametrize(
    ("changed", "status", "code"),
    [
        ({"data": samples((37.0,))}, 409, "one-temperature"),
        ({"data": samples()[:2]}, 409, "one-temperature"),
        ({"data": [(t, d, 12 - s) for t, d, s in samples()]}, 409, "score-improves"),
        ({"data": [(41 - t, d, s) for t, d, s in samples()]}, 409, "slower-when-warmer"),
        ({"data": [(t, d, 8.0) for t, d, _ in samples()]}, 409, "nothing-moved"),
        ({"direction": "rises"}, 409, "score-improves"),
        ({"limit": 9}, 409, "limit-behind-start"),
        ({"reference_c": -60}, 409, "endless-life"),
        ({"observations": None}, 422, "invalid-input"),
        ({"series": "T1"}, 422, "invalid-input"),
        ({"observations": None, "series": "T1"}, 404, "forced-ageing-series-not-found"),
        ({"form": "linear"}, 422, "invalid-input"),
        ({"route": "best before"}, 422, "invalid-input"),
        ({"source": ""}, 422, "invalid-input"),
    ],
)
def test_what_cannot_carry_a_fit_is_refused_and_nothing_is_kept(
    api: Api, path: str, database: Database, changed: dict[str, Any], status: int, code: str
) -> None:
    before = table_counts(database)
    problem = api.as_("qa").refused(path, body(**changed), status, code)
    if status != 404:
        assert problem["errors"][0]["mend"]
    assert table_counts(database) == before


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_no_number_is_taken_that_is_none(api: Api, path: str, number: str) -> None:
    text = json.dumps(body()).replace('"score": ', f'"score": {number}, "was": ', 1)
    text = text.replace('"was": ', '"day": ', 1)
    headers = {"Content-Type": "application/json"}
    assert api.as_("qa").post(path, content=text, headers=headers).status_code == 422


def test_thin_data_are_taken_marked_and_said_again_in_the_profile(
    api: Api, path: str, product: Product
) -> None:
    api.as_("qa").made(profiles(product), PROFILE)
    made = api.as_("qa").made(path, body(samples((34.0, 36.0))))
    thin = [remark["text"] for remark in made["remarks"] if remark["is_thin"]]
    assert made["is_thin"]
    assert {"narrow-span", "two-temperatures"} <= {remark["code"] for remark in made["remarks"]}
    version = api.as_("qa").made(f"/v1/calibrations/{made['id']}/approve", signed(api))
    assert version["routes"][0]["remarks"] == thin
    assert {f"staling: {text}" for text in thin} <= set(version["remarks"])


# Deciding


def test_approval_makes_the_next_version_with_the_other_routes_kept(
    api: Api, path: str, product: Product
) -> None:
    api.as_("qa").made(profiles(product), PROFILE)
    calibration = api.as_("qa").made(path, body())
    version = api.as_("qa").made(f"/v1/calibrations/{calibration['id']}/approve", signed(api))
    fit = calibration["fit"]
    assert (version["version"], version["calibration_id"]) == (2, calibration["id"])
    assert version["reason"] == "fits the panel's notes"
    staling, haze = version["routes"]
    assert (staling["name"], staling["form"], staling["source"]) == (
        "staling",
        "arrhenius",
        calibration["source"],
    )
    assert (staling["reference_life_days"], staling["life_sd_days"]) == (
        fit["life_days"]["value"],
        fit["life_days"]["sd"],
    )
    assert (staling["activation_kj_mol"], staling["parameter_sd"], staling["correlation"]) == (
        fit["parameter"]["value"],
        fit["parameter"]["sd"],
        fit["correlation"],
    )
    assert haze == api.ok("GET", f"{profiles(product)}/1")["routes"][1]
    for kept in ("tau_h", "planned_c", "freezing_minutes", "oxygen_ref_ppb", "oxygen_exponent"):
        assert version[kept] == PROFILE[kept]
    shown = api.ok("GET", f"/v1/calibrations/{calibration['id']}")
    assert (shown["state"], shown["profile_version"], shown["decided_by"]) == (
        "approved",
        2,
        api.callers["qa"].id,
    )
    first = api.ok("GET", f"{profiles(product)}/1")
    assert [route["reference_life_days"] for route in first["routes"]] == [80, 300]


@pytest.mark.parametrize(("form", "field"), [("q10", "q10"), ("square root", "t_min_c")])
def test_a_route_of_another_form_or_a_new_name_is_added(
    api: Api, path: str, product: Product, form: str, field: str
) -> None:
    api.as_("qa").made(profiles(product), {**PROFILE, "routes": [HAZE]})
    made = api.as_("qa").made(path, body(form=form, start_score=8))
    version = api.as_("qa").made(f"/v1/calibrations/{made['id']}/approve", signed(api))
    assert [route["name"] for route in version["routes"]] == ["haze", "staling"]
    assert (version["routes"][1]["form"], version["routes"][1][field]) == (
        form,
        made["fit"]["parameter"]["value"],
    )


def test_what_was_signed_can_be_checked_from_what_is_shown(
    api: Api, path: str, product: Product, database: Database
) -> None:
    """SHA-256 over canonical JSON, put together here from the table and the API's own answers."""
    api.as_("qa").made(profiles(product), PROFILE)
    made = api.as_("qa").made(path, body())
    api.as_("qa").made(f"/v1/calibrations/{made['id']}/approve", signed(api))
    shown = api.ok("GET", f"/v1/calibrations/{made['id']}")
    with database.transaction(readonly=True) as session:
        row = queries.calibration(session, product.site_id, made["id"])
        events = {
            one.kind: one
            for one in session.scalars(select(LedgerEvent).where(LedgerEvent.kind.like("calibration.%")))
        }
        assert list(broken_links(session, product.site_id)) == []
    facts = {
        "calibration_id": shown["id"],
        "sku": product.sku,
        "route": shown["route"],
        "series": None,
        "observations": [[point["temp_c"], point["day"], point["score"]] for point in shown["fit"]["points"]],
        "asked": shown["asked"],
        "source": shown["source"],
        "fit": row.fit,
        "remarks": shown["remarks"],
        "decision": "approve",
        "reason": "fits the panel's notes",
        "signer_id": shown["decided_by"],
        "at_us": round(datetime.fromisoformat(shown["decided_at"]).timestamp() * 1_000_000),
    }
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert shown["signed_sha256"] == hashlib.sha256(text.encode()).hexdigest()
    approved = events["calibration.approved"]
    assert (approved.data["signed_sha256"], approved.actor_id) == (
        shown["signed_sha256"],
        api.callers["qa"].id,
    )
    assert (approved.reason, approved.data["version"]) == ("fits the panel's notes", 2)
    assert events["calibration.proposed"].data["route"]["source"] == shown["source"]
    facts["observations"][0][2] += 0.001
    changed = json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(changed.encode()).hexdigest() != shown["signed_sha256"]


def test_only_the_signer_s_own_token_signs(api: Api, path: str, product: Product, database: Database) -> None:
    api.as_("qa").made(profiles(product), PROFILE)
    made = api.as_("qa").made(path, body())
    with database.transaction() as session:
        _, robot_token = add_principal(
            session, NOW, product.site_id, kind=PrincipalKind.DEVICE, name="QA's robot", roles=[Role.QA]
        )
        _, other_token = add_principal(
            session, NOW, product.site_id, kind=PrincipalKind.PERSON, name="another QA", roles=[Role.QA]
        )
    api.tokens |= {"robot": robot_token, "other": other_token}
    approve = f"/v1/calibrations/{made['id']}/approve"
    before = table_counts(database)
    for role, token in (
        ("qa", "nonsense"),
        ("qa", other_token),
        ("qa", api.tokens["admin"]),
        ("robot", robot_token),
    ):
        problem = api.as_(role).refused(
            approve, {"reason": "as agreed", "signature_token": token}, 403, "signature-not-confirmed"
        )
        assert problem["errors"][0]["field"] == "signature_token"
        assert token not in json.dumps(problem)
    api.as_("qa").refused(approve, {"reason": "as agreed"}, 422, "invalid-input")
    api.as_("lead").refused(approve, signed(api), 403, "role-missing")
    assert table_counts(database) == before
    assert api.ok("GET", f"/v1/calibrations/{made['id']}")["state"] == "proposed"
    assert (
        api.as_("other").made(approve, {"reason": "as agreed", "signature_token": other_token})["version"]
        == 2
    )


def test_a_calibration_is_decided_once(api: Api, path: str, product: Product) -> None:
    api.as_("qa").made(profiles(product), PROFILE)
    one, two = (api.as_("qa").made(path, body())["id"] for _ in range(2))
    refused = api.as_("qa").made(f"/v1/calibrations/{one}/refuse", {"reason": "the chamber failed"})
    assert (refused["state"], refused["decision_reason"], refused["signed_sha256"]) == (
        "refused",
        "the chamber failed",
        None,
    )
    api.as_("qa").made(f"/v1/calibrations/{two}/approve", signed(api))
    for number in (one, two):
        for word in ("approve", "refuse"):
            sent = signed(api) if word == "approve" else {"reason": "second thoughts"}
            api.as_("qa").refused(f"/v1/calibrations/{number}/{word}", sent, 409, "calibration-decided")
    assert [row["version"] for row in api.ok("GET", profiles(product))["items"]] == [1, 2]


def test_who_signs_at_the_same_moment_makes_one_version(api: Api, path: str, product: Product) -> None:
    api.as_("qa").made(profiles(product), PROFILE)
    one, two = (api.as_("qa").made(path, body())["id"] for _ in range(2))

    def approve(number: int) -> int:
        return api.as_("qa").post(f"/v1/calibrations/{number}/approve", signed(api)).status_code

    with ThreadPoolExecutor(4) as pool:
        statuses = list(pool.map(approve, [one, one, one, two]))
    # Two calibrations at one moment may both want the next number: the later one is told to repeat.
    assert sorted(statuses[:3]).count(409) == 2 or (statuses[:3] == [409] * 3 and statuses[3] == 200)
    assert set(statuses) == {200, 409}
    versions = [row["version"] for row in api.ok("GET", profiles(product))["items"]]
    assert versions == list(range(1, statuses.count(200) + 2))


def test_without_a_profile_nobody_knows_the_pack(api: Api, path: str, product: Product) -> None:
    made = api.as_("qa").made(path, body())
    problem = api.as_("qa").refused(f"/v1/calibrations/{made['id']}/approve", signed(api), 409, "no-profile")
    assert "first profile" in problem["detail"]
    assert api.ok("GET", f"/v1/calibrations/{made['id']}")["state"] == "proposed"


def test_another_site_sees_nothing_of_it(api: Api, path: str) -> None:
    made = api.as_("qa").made(path, body())
    api.tokens["other"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    other = api.as_("other")
    for where in (f"/v1/calibrations/{made['id']}", path, path.replace("calibrations", "forced-ageing")):
        assert other.get(where).status_code == 404
    sent = {"reason": "as agreed", "signature_token": api.tokens["other"]}
    other.refused(f"/v1/calibrations/{made['id']}/approve", sent, 404, "calibration-not-found")
    other.refused(
        f"/v1/calibrations/{made['id']}/refuse", {"reason": "as agreed"}, 404, "calibration-not-found"
    )
    other.refused(path, body(), 404, "product-not-found")
