"""
Who may: every role at every endpoint, and nothing of one site at another.

The table is written down here, not read from the code, so that a role let in somewhere new is noticed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest
from httpx2 import Response
from sqlalchemy import select

from builders.api import Api
from builders.grounds import Clock
from builders.rows import table_counts
from builders.store import EDITED, bodies, furnish
from rimekeep.access.tables import Principal
from rimekeep.loading.tables import CustomerReturn
from rimekeep.main import endpoints
from rimekeep.platform.database import Database
from rimekeep.stock.tables import Lot, UnitContent

# P picker, D dispatcher, Q qa, L lead, G gateway, A auditor; admin may everywhere.
LETTERS = {"P": "picker", "D": "dispatcher", "Q": "qa", "L": "lead", "G": "gateway", "A": "auditor"}
TABLE = """
GET    PDQL.A /v1/me
POST   ...... /v1/sites
GET    PDQL.A /v1/sites/{site_id}
PATCH  ..Q... /v1/sites/{site_id}
POST   ...... /v1/people
POST   ...... /v1/devices
GET    ...L.. /v1/people
GET    ...L.. /v1/devices
GET    ...L.. /v1/principals/{principal_id}
PATCH  ...... /v1/principals/{principal_id}
POST   ...... /v1/principals/{principal_id}/token
POST   ...... /v1/principals/{principal_id}/deactivate
POST   ...... /v1/principals/{principal_id}/invitation
GET    ...... /v1/principals/{principal_id}/sessions
POST   ...... /v1/invitations
GET    ...L.. /v1/invitations
POST   ...... /v1/invitations/{invitation_id}/withdraw
POST   PDQL.A /v1/me/password
GET    ...L.A /v1/records
GET    ...L.A /v1/audit
GET    ...L.A /v1/audit.csv
GET    PDQL.A /v1/sessions
POST   PDQL.A /v1/sessions/{session_id}/end
POST   ...L.. /v1/products
GET    PDQL.A /v1/products
GET    PDQL.A /v1/products/{product_id}
PATCH  ...L.. /v1/products/{product_id}
POST   ...L.. /v1/zones
GET    PDQL.A /v1/zones
GET    PDQL.A /v1/zones/{zone_id}
PATCH  ...L.. /v1/zones/{zone_id}
POST   ...L.. /v1/bays
GET    PDQL.A /v1/bays
GET    PDQL.A /v1/bays/{bay_id}
PATCH  ...L.. /v1/bays/{bay_id}
POST   ...L.. /v1/bays/range
POST   ..QL.. /v1/lots
GET    PDQL.A /v1/lots
GET    PDQL.A /v1/lots/{lot_id}
POST   ..QL.. /v1/lots/{lot_id}/hold
POST   ..Q... /v1/lots/{lot_id}/release
POST   ..Q... /v1/lots/{lot_id}/reject
POST   P..L.. /v1/units
GET    PDQL.A /v1/units
GET    PDQL.A /v1/units/{sscc}
POST   PD.L.. /v1/units/{sscc}/move
POST   ..QL.. /v1/units/{sscc}/hold
POST   ..Q... /v1/units/{sscc}/release
POST   ..Q... /v1/units/{sscc}/reject
POST   ..QL.. /v1/units/{sscc}/adjust
POST   ..Q... /v1/units/{sscc}/destroy
GET    PDQL.A /v1/scan
POST   ..QL.. /v1/sensors
GET    PDQL.A /v1/sensors
GET    PDQL.A /v1/sensors/{sensor_id}/readings
POST   ..QL.. /v1/sensors/{sensor_id}/switch-off
POST   ..QL.. /v1/sensors/{sensor_id}/move
GET    PDQL.A /v1/sensors/{sensor_id}/places
POST   ..Q... /v1/sensors/{sensor_id}/calibrations
GET    PDQL.A /v1/sensors/{sensor_id}/calibrations
POST   ..Q.G. /v1/readings
POST   ..Q... /v1/readings/corrections
GET    PDQL.A /v1/readings/corrections
GET    PDQL.A /v1/readings/quarantine
POST   ..Q... /v1/readings/quarantine/settle
GET    PDQL.A /v1/air
GET    PDQL.A /v1/zones/{zone_id}/air
GET    PDQL.A /v1/zones/{zone_id}/air.csv
GET    PDQL.A /v1/dew-point
POST   ..Q... /v1/products/{product_id}/profiles
GET    PDQL.A /v1/products/{product_id}/profiles
GET    PDQL.A /v1/products/{product_id}/profiles/{version}
GET    PDQL.A /v1/products/{product_id}/profiles/{version}/rates
GET    PDQL.A /v1/products/{product_id}/forced-ageing
POST   ..Q... /v1/products/{product_id}/calibrations
GET    PDQL.A /v1/products/{product_id}/calibrations
GET    PDQL.A /v1/calibrations/{calibration_id}
POST   ..Q... /v1/calibrations/{calibration_id}/approve
POST   ..Q... /v1/calibrations/{calibration_id}/refuse
POST   ..QL.. /v1/life/refresh
POST   ..Q... /v1/products/{product_id}/re-ageing
POST   PDQL.A /v1/units/{sscc}/projection
GET    PDQL.A /v1/units/{sscc}/waiting
GET    PDQL.A /v1/units/{sscc}/life
GET    PDQL.A /v1/lots/{lot_id}/life
POST   ..Q... /v1/excursion-rules
GET    PDQL.A /v1/excursion-rules
POST   ..Q... /v1/excursion-rules/{rule_id}/restart-count
POST   ..Q... /v1/excursion-rules/{rule_id}/switch-off
GET    PDQL.A /v1/excursions
POST   ..QL.. /v1/excursions/check
GET    PDQL.A /v1/excursions/{excursion_id}
GET    PDQL.A /v1/excursions/{excursion_id}/touched
POST   ..QL.. /v1/excursions/{excursion_id}/acknowledge
POST   ..Q... /v1/excursions/{excursion_id}/decisions
GET    PDQL.A /v1/excursions/{excursion_id}/report
GET    PDQL.A /v1/excursions/{excursion_id}/report.json
POST   .D.L.. /v1/customers
GET    PDQL.A /v1/customers
GET    PDQL.A /v1/customers/{customer_id}
PATCH  .D.L.. /v1/customers/{customer_id}
DELETE .D.L.. /v1/customers/{customer_id}
POST   .D.L.. /v1/customers/{customer_id}/rules
GET    PDQL.A /v1/customers/{customer_id}/rules
GET    PDQL.A /v1/customer-rules/{customer_rule_id}
PATCH  .D.L.. /v1/customer-rules/{customer_rule_id}
DELETE .D.L.. /v1/customer-rules/{customer_rule_id}
POST   .D.L.. /v1/customers/{customer_id}/drops
GET    PDQL.A /v1/customers/{customer_id}/drops
GET    PDQL.A /v1/drops/{drop_id}
PATCH  .D.L.. /v1/drops/{drop_id}
DELETE .D.L.. /v1/drops/{drop_id}
POST   .D.L.. /v1/orders
POST   .D.L.. /v1/orders/batch
GET    PDQL.A /v1/orders
GET    PDQL.A /v1/orders/{order_id}
PATCH  .D.L.. /v1/orders/{order_id}
GET    PDQL.A /v1/put-backs
POST   P..L.. /v1/put-backs/{put_back_id}/confirm
POST   .D.L.. /v1/orders/{order_id}/cancel
POST   .D.L.. /v1/forecasts
GET    PDQL.A /v1/forecasts
GET    PDQL.A /v1/outlook
POST   PDQL.A /v1/allocations/preview
POST   .D.L.. /v1/allocations
POST   ...L.. /v1/allocations/recheck
POST   .D.L.. /v1/pick-lists
GET    PDQL.A /v1/pick-lists
POST   P..... /v1/pick-lists/next
GET    PDQL.A /v1/pick-lists/{list_id}
GET    PDQL.A /v1/pick-lists/{list_id}/labels
GET    PDQL.A /v1/pick-lists/{list_id}/labels.pdf
GET    PDQL.A /v1/units/{sscc}/label
GET    PDQL.A /v1/units/{sscc}/label.pdf
POST   P..... /v1/pick-lists/{list_id}/heartbeat
POST   P..... /v1/pick-lists/{list_id}/hand-back
POST   P..... /v1/picks/{pick_id}/confirm
POST   P..... /v1/picks/{pick_id}/short
POST   P..... /v1/pick-lists/{list_id}/take
POST   ...L.. /v1/pick-lists/{list_id}/take-over
POST   P..... /v1/pick-lists/{list_id}/bring
POST   P..... /v1/picks/{pick_id}/check
POST   P..... /v1/picks/{pick_id}/damaged
POST   P..... /v1/picks/{pick_id}/not-found
GET    PDQL.A /v1/picks/{pick_id}/substitutes
POST   P..... /v1/picks/{pick_id}/substitute
POST   P..... /v1/pick-queue
POST   ...L.. /v1/counts
GET    .DQL.A /v1/counts
POST   P..L.. /v1/counts/next
GET    .DQL.A /v1/counts/{count_id}
POST   P..L.. /v1/counts/{count_id}/answer
POST   P..L.. /v1/counts/{count_id}/hand-back
POST   ...L.. /v1/counts/{count_id}/approve
POST   ...L.. /v1/counts/{count_id}/dismiss
POST   ...L.. /v1/counts/{count_id}/again
POST   ...L.. /v1/pick-faces
GET    PDQL.A /v1/pick-faces
POST   .D.L.. /v1/replenishments
GET    PDQL.A /v1/replenishments
POST   P..L.. /v1/replenishments/next
POST   P..L.. /v1/replenishments/{replenishment_id}/confirm
POST   P..L.. /v1/replenishments/{replenishment_id}/hand-back
POST   P..L.. /v1/putaway
GET    PDQL.A /v1/buried-units
POST   .D.L.. /v1/vehicles
GET    PDQL.A /v1/vehicles
GET    PDQL.A /v1/vehicles/{vehicle_id}
PATCH  .D.L.. /v1/vehicles/{vehicle_id}
POST   .D.L.. /v1/vehicles/{vehicle_id}/deactivate
POST   .D.L.. /v1/load-plans
GET    PDQL.A /v1/planning-jobs
GET    PDQL.A /v1/planning-jobs/{job_id}
POST   .D.L.. /v1/planning-jobs/{job_id}/stop
GET    PDQL.A /v1/load-plans
GET    PDQL.A /v1/load-plans/{plan_id}
POST   .D.L.. /v1/load-plans/{plan_id}/confirm
POST   .D.L.. /v1/load-plans/{plan_id}/amend
POST   .D.L.. /v1/load-plans/{plan_id}/drop
GET    PDQL.A /v1/trips/{trip_id}
GET    PDQL.A /v1/trips/{trip_id}/next
GET    .D.L.. /v1/trips/{trip_id}/places
POST   PD.L.. /v1/trips/{trip_id}/load
POST   PD.L.. /v1/trips/{trip_id}/unload
GET    PDQL.A /v1/trips/{trip_id}/deviations
POST   .D.L.. /v1/trips/{trip_id}/give-up
POST   .D.L.. /v1/trips/{trip_id}/depart
POST   PD.L.. /v1/trips/{trip_id}/drops/{number}/deliver
POST   PD.L.. /v1/trips/{trip_id}/drops/{number}/empties
GET    PDQL.A /v1/trips/{trip_id}/drops
POST   P.QL.. /v1/returns
GET    PDQL.A /v1/returns
GET    PDQL.A /v1/return-rule
POST   ..Q... /v1/return-rule
POST   .D.L.. /v1/trips/{trip_id}/end
GET    PDQL.A /v1/trips/{trip_id}/temperature
POST   PDQL.. /v1/trips/{trip_id}/load-temperatures
GET    PDQL.A /v1/trips/{trip_id}/load-temperatures
POST   ..Q... /v1/trips/{trip_id}/load-temperatures/{temperature_id}/accept
GET    PDQL.A /v1/trips/{trip_id}/securing
GET    PDQL.A /v1/road-defaults
POST   .D.L.. /v1/road-defaults
POST   .D.L.. /v1/trips/{trip_id}/road
GET    PDQL.A /v1/trips/{trip_id}/forecast
POST   .D.L.. /v1/trips/{trip_id}/moves
POST   .D.L.. /v1/trips/{trip_id}/pins
GET    PDQL.A /v1/trips/{trip_id}/sheet
GET    PDQL.A /v1/trips/{trip_id}/sheet.pdf
GET    PDQL.A /v1/trips/{trip_id}/sheet.html
GET    PDQL.A /v1/trips/{trip_id}/delivery-notes.pdf
GET    PDQL.A /v1/trips/{trip_id}/delivery-notes.html
GET    PDQL.A /v1/lots/{lot_id}/trace
GET    PDQL.A /v1/units/{sscc}/trace
GET    PDQL.A /v1/customers/{customer_id}/trace
GET    PDQL.A /v1/lots/{lot_id}/events
GET    PDQL.A /v1/events
GET    PDQL.A /v1/events/export
POST   ..Q.G. /v1/capture
GET    PDQLGA /v1/capture/{capture_id}
GET    PDQL.A /v1/epcis
PATCH  ...L.. /v1/epcis
POST   ..QL.. /v1/recalls
POST   ..QL.. /v1/mock-recalls
GET    ..QL.A /v1/recalls
GET    ..QL.A /v1/recalls/{recall_id}
POST   ..QL.. /v1/recalls/{recall_id}/start
GET    ..QL.A /v1/recalls/{recall_id}/customers
GET    ..QL.A /v1/recalls/{recall_id}/customers.csv
POST   ..QL.. /v1/recalls/{recall_id}/customers/{customer_id}/notifications
POST   ..QL.. /v1/recalls/{recall_id}/customers/{customer_id}/answers
POST   ..Q... /v1/recalls/{recall_id}/close
GET    ..QL.A /v1/recalls/{recall_id}/report.pdf
POST   ...... /v1/subscriptions
GET    ..QL.A /v1/subscriptions
GET    ..QL.A /v1/subscriptions/{subscription_id}
GET    ..QL.A /v1/subscriptions/{subscription_id}/wanted
PATCH  ...... /v1/subscriptions/{subscription_id}/wanted
DELETE ...... /v1/subscriptions/{subscription_id}
POST   ...... /v1/subscriptions/{subscription_id}/resume
POST   ...... /v1/subscriptions/{subscription_id}/secret
POST   ...... /v1/subscriptions/{subscription_id}/test
GET    ..QL.A /v1/subscriptions/{subscription_id}/letters
GET    ..QL.A /v1/subscriptions/{subscription_id}/attempts
GET    PDQL.A /v1/alerts
GET    PDQL.A /v1/alerts/{alert_id}
POST   ..QL.. /v1/alerts/{alert_id}/acknowledge
GET    PDQL.A /v1/alert-plan
POST   ..QL.. /v1/alert-plan
GET    PDQL.A /v1/outbox
GET    PDQL.A /v1/stream
POST   ...L.. /v1/imports/products
POST   ...L.. /v1/imports/zones
POST   ...L.. /v1/imports/bays
POST   ..QL.. /v1/imports/lots
POST   ...L.. /v1/imports/units
POST   ..QL.. /v1/imports/sensors
POST   ..Q... /v1/imports/readings
POST   ..Q... /v1/imports/forced-ageing
POST   .D.L.. /v1/imports/customers
POST   .D.L.. /v1/imports/customer-rules
POST   .D.L.. /v1/imports/drops
POST   .D.L.. /v1/imports/orders
POST   .D.L.. /v1/imports/vehicles
POST   .D.L.. /v1/imports/forecast
"""
WHO_MAY = {
    (method, path): {LETTERS[letter] for letter in admitted if letter != "."} | {"admin"}
    for method, admitted, path in map(str.split, TABLE.strip().splitlines())
}
NORTH, SOUTH = "NORTHMARK", "SOUTHMARK"
BROKEN_JSON = {"content": b'{"reason": ', "headers": {"Content-Type": "application/json"}}
CHANGING = ("POST", "PATCH")
# Answers for as long as the client listens; what it tells is tested in tests/alerts/test_stream.py.
ENDLESS = "/v1/stream"
# What some cannot be asked without.
NEEDED = {"/waiting": "?air_c=20&core_limit_c=8", "/trips/{trip_id}/places": "?sscc={sscc}"}
NO_JSON = {ENDLESS, "/v1/audit.csv"}


def address(path: str, made: dict[str, Any]) -> str:
    needed = next((asked for end, asked in NEEDED.items() if path.endswith(end)), "")
    return path.format(**made) + needed.format(**made)


def ways_to_ask(
    method: str, path: str, made: dict[str, Any], good: dict[str, Any]
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """One endpoint asked well, for something that is not there, with a bad body, with none, and without a key."""
    here = address(path, made)
    yield "well", here, {"json": good.get(path)} if method in CHANGING else {}
    nowhere = re.sub(r"\{sscc\}", "0" * 18, re.sub(r"\{\w+_id\}", str(2**62), path))
    yield "nowhere", nowhere, {"json": good.get(path)} if method in CHANGING else {}
    if method in CHANGING:
        yield "wrong body", here, {"json": {"nonsense": [None]}}
        yield "no body", here, {}
        yield "broken JSON", here, BROKEN_JSON


def is_unreadable(response: Response) -> bool:
    """A body that is no JSON may be told so first: the same words to everybody, and nothing is looked up."""
    told = response.json()
    return (response.status_code, told["type"], [f["detail"] for f in told["errors"]]) == (
        422,
        "/problems/invalid-input",
        ["JSON decode error"],
    )


# Who may is asked before any table is: one kind of database will do, most of the time.
MOSTLY_ONE_KIND = pytest.mark.parametrize(
    "database_url", ["postgresql", pytest.param("sqlite", marks=pytest.mark.slow)], indirect=True
)


def one_store(api: Api, _database: Database, clock: Clock) -> dict[str, Any]:
    return {"store": furnish(api, clock.now, NORTH, "9521234")}


def two_stores(api: Api, database: Database, clock: Clock) -> dict[str, Any]:
    found = one_store(api, database, clock)
    opened = api.made(
        "/v1/sites", {"code": SOUTH, "name": f"{SOUTH} store (invented)", "company_prefix": "9529876"}
    )
    other = api.as_("admin")
    other.tokens = {"admin": opened["token"]}
    return found | {"south": furnish(other, clock.now, SOUTH, "9529876"), "token": opened["token"]}


GROUNDS = {"south": two_stores, "store": one_store}


@pytest.fixture
def store(ground: Any) -> dict[str, Any]:
    """One of everything at the site of ``api``."""
    made: dict[str, Any] = ground["store"]
    return made


@pytest.fixture
def south(api: Api, ground: Any) -> tuple[Api, dict[str, Any]]:
    """Another site with one of everything, and a client of its admin."""
    other = api.as_("admin")
    other.tokens = {"admin": ground["token"]}
    return other, ground["south"]


def test_the_table_names_every_endpoint() -> None:
    there = {(method, route.path_format) for route in endpoints() for method in route.methods or ()}
    assert there == set(WHO_MAY)


@MOSTLY_ONE_KIND
def test_without_a_token_nothing_is_answered_or_done(
    api: Api, store: Any, clock: Any, database: Database
) -> None:
    before, wrong = table_counts(database), []
    good = bodies(store, clock.now, NORTH)
    for method, path in WHO_MAY:
        for how, where, sent in ways_to_ask(method, path, store, good):
            for token in (None, "Bearer rk_" + "x" * 43):
                headers = {"Idempotency-Key": str(uuid4()), **sent.get("headers", {})}
                if token:
                    headers["Authorization"] = token
                response = api.client.request(method, where, **{**sent, "headers": headers})
                if response.status_code != 401 and not (how == "broken JSON" and is_unreadable(response)):
                    wrong.append((method, path, how, token, response.status_code))
    assert wrong == []
    assert table_counts(database) == before


@MOSTLY_ONE_KIND
def test_a_role_not_named_is_refused_before_anything_happens(
    api: Api, store: Any, clock: Any, database: Database
) -> None:
    before, wrong = table_counts(database), []
    good = bodies(store, clock.now, NORTH)
    for (method, path), admitted in WHO_MAY.items():
        for number, role in enumerate(sorted(set(LETTERS.values()) - admitted)):
            ways = list(ways_to_ask(method, path, store, good))
            # Everybody asks well; how badly one may ask is tried by the first.
            for how, where, sent in ways if number == 0 else ways[:1]:
                response = api.as_(role).request(method, where, **sent)
                told = (response.status_code, response.json().get("type"))
                if how == "broken JSON" and is_unreadable(response):
                    continue
                if told != (403, "/problems/role-missing"):
                    wrong.append((method, path, role, how, *told))
    assert wrong == []
    assert table_counts(database) == before


@MOSTLY_ONE_KIND
def test_a_role_named_is_let_in(api: Api, store: Any) -> None:
    shut_out = []
    for (method, path), admitted in WHO_MAY.items():
        if path == ENDLESS:
            continue
        for role in admitted:
            # A body nobody can use: what is asked here is whether the door opens.
            sent = {"json": []} if method in CHANGING else {}
            where = re.sub(r"\{sscc\}", "0" * 18, re.sub(r"\{\w+_id\}", str(2**62), path))
            response = api.as_(role).request(method, where, **sent)
            if response.status_code in (401, 403) or response.status_code >= 500:
                shut_out.append((method, path, role, response.status_code))
    assert shut_out == []


@MOSTLY_ONE_KIND
def test_another_site_s_objects_are_not_found(
    api: Api, store: Any, south: Any, clock: Any, database: Database
) -> None:
    """Each body would do at its own site, so that nothing but the site stands in the way."""
    _, theirs = south
    before, wrong = table_counts(database), []
    good = bodies(store, clock.now, NORTH)
    asked = [(method, path) for method, path in WHO_MAY if "{" in path]
    assert len(asked) > 40
    for method, path in asked:
        sent = {"json": good.get(path), "headers": {"If-Match": "*"}} if method in CHANGING else {}
        if method == "DELETE":
            sent = {"params": {"reason": "as agreed (invented)"}, "headers": {"If-Match": "*"}}
        response = api.request(method, address(path, theirs), **sent)
        if response.status_code != 404 or SOUTH in response.text:
            wrong.append((method, path, response.status_code, response.text))
    assert wrong == []
    assert table_counts(database) == before


REFERENCES = {
    "zone_id": "zone_id", "from_zone_id": "zone_id", "bay_id": "bay_id", "bay_ids": "bay_id", "product_id": "product_id",
    "lot_id": "lot_id", "lot_ids": "lot_id", "customer_id": "customer_id", "drop_id": "drop_id", "order_ids": "order_id", "drops": "order_id", "orders": "order_id",
    "vehicle_ids": "vehicle_id", "content_ids": "content_id", "content_id": "content_id", "scan": "sscc", "sscc": "sscc",
    "sensor": "sensor", "sensor_id": "sensor_id", "zone_ids": "zone_id", "person_id": "principal_id",
    "subscription_id": "subscription_id",
}  # fmt: skip


def with_theirs(body: Any, theirs: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """The body once for each reference in it, that one pointing to the other site's object."""
    for name, value in body.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            for inner, changed in with_theirs(value[0], theirs):
                yield f"{name}[0].{inner}", {**body, name: [changed]}
        elif name in REFERENCES:
            reference = theirs[REFERENCES[name]]
            yield name, {**body, name: [reference] if isinstance(value, list) else reference}


@MOSTLY_ONE_KIND
def test_a_body_cannot_reach_another_site_s_objects(
    api: Api, store: Any, south: Any, clock: Any, database: Database
) -> None:
    """Registering a pallet with the SSCC another site has given out is that site's own business: see receiving."""
    other, theirs = south
    theirs = theirs | {
        "content_id": other.ok("GET", f"/v1/units/{theirs['sscc']}")["contents"][0]["id"],
        "sensor": f"{SOUTH}-air",
    }
    own_content = api.ok("GET", f"/v1/units/{store['spare_sscc']}")["contents"][0]["id"]
    good = bodies(store, clock.now, NORTH)
    good["/v1/units/{sscc}/adjust"] |= {"content_id": own_content}
    good["/v1/units/{sscc}/destroy"] |= {"content_id": own_content}
    before, wrong, asked = table_counts(database), [], 0
    for path, body in good.items():
        for name, changed in with_theirs(body, theirs):
            if (path, name) in {("/v1/units", "sscc"), ("/v1/imports/units", "sscc")}:
                continue
            asked += 1
            method = "PATCH" if path in EDITED else "POST"
            response = api.request(method, address(path, store), json=changed, headers={"If-Match": "*"})
            told = response.text
            if path == "/v1/readings":
                is_kept_out = [one["outcome"] for one in response.json()["faults"]] == ["unknown sensor"]
            elif path == "/v1/readings/corrections":
                is_kept_out = [one["outcome"] for one in response.json()["items"]] == ["unknown sensor"]
            elif path == "/v1/orders/batch":
                is_kept_out = [one["outcome"] for one in response.json()["items"]] == ["invalid"]
            elif path == "/v1/pick-queue":
                is_kept_out = [one["outcome"] for one in response.json()["calls"]] == ["refused"]
            elif path == "/v1/forecasts":
                is_kept_out = [one["outcome"] for one in response.json()["items"]] == ["refused"]
            else:
                is_kept_out = response.status_code in (404, 409, 422)
            # What was sent may be repeated in the answer; nothing else of the other site may be in it.
            if not is_kept_out or SOUTH in told.replace(f"{SOUTH}-air", ""):
                wrong.append((path, name, response.status_code, told))
    assert asked >= 20
    assert wrong == []
    after = table_counts(database)
    # Readings and refreshes are answered item by item and so keep their answer under the key.
    assert {name for name in after if after[name] != before[name]} <= {"stored_answer", "ledger_event"}


def lists() -> list[str]:
    return [path for method, path in WHO_MAY if method == "GET" and "{" not in path and path not in NO_JSON]


@MOSTLY_ONE_KIND
def test_lists_show_nothing_of_another_site(
    api: Api, store: Any, south: Any, clock: Any, database: Database
) -> None:
    other, theirs = south
    # The store's trip has not come to a drop yet: what came back is written down as the use case would.
    with database.transaction() as session:
        for made in (store, theirs):
            content = session.scalars(select(UnitContent).where(UnitContent.lot_id == made["lot_id"])).first()
            lot = session.get(Lot, made["lot_id"])
            assert content
            assert lot
            who = session.scalars(select(Principal.id).where(Principal.site_id == lot.site_id)).first()
            session.add(
                CustomerReturn(
                    **{name: made[name] for name in ("customer_id", "order_id", "trip_id", "lot_id")},
                    **dict.fromkeys(("unit_id", "returned_unit_id"), content.unit_id),
                    **dict.fromkeys(("returned_at", "recorded_at"), clock.now),
                    site_id=lot.site_id, content_id=content.id, cases=1, reason="bent", recorded_by=who,
                )
            )  # fmt: skip
    shown: dict[str, dict[str, Any]] = {}
    needs = {
        "/v1/scan": "?code=",
        "/v1/dew-point": "?air_c=12&relative_humidity_pct=70",
        "/v1/events": "?perPage=1000",
        "/v1/events/export": "?from=2026-01-01T00:00:00Z",
    }
    for path in lists():
        query = needs.get(path, "?limit=1000")
        own = query + store["sscc"] if path == "/v1/scan" else query
        foreign = query + theirs["sscc"] if path == "/v1/scan" else query
        mine, hers = api.ok("GET", path + own), other.ok("GET", path + foreign)
        shown[path] = {"mine": mine, "hers": hers}
        assert SOUTH not in json.dumps(mine), path
        assert NORTH not in json.dumps(hers), path
        if "items" in mine:
            assert mine["items"], f"{path} lists nothing, so it proves nothing"
            assert hers["items"], path
            key = "message_id" if path == "/v1/outbox" else "zone_id" if path == "/v1/air" else "id"
            assert {one[key] for one in mine["items"]}.isdisjoint(one[key] for one in hers["items"]), path
    assert len(shown) >= 18
    assert api.get(f"/v1/scan?code={theirs['sscc']}").status_code in (404, 422)
    marked = [path for path, both in shown.items() if SOUTH in json.dumps(both["hers"])]
    assert len(marked) >= 12, f"the mark shows up too rarely to prove much: {marked}"


FILTERS = [
    ("/v1/bays", "zone_id"), ("/v1/lots", "product_id"), ("/v1/units", "zone_id"), ("/v1/units", "product_id"),
    ("/v1/sensors", "zone_id"), ("/v1/readings/corrections", "sensor_id"), ("/v1/readings/quarantine", "sensor_id"),
    ("/v1/excursion-rules", "zone_id"), ("/v1/excursions", "zone_id"),
    ("/v1/orders", "customer_id"), ("/v1/pick-lists", "order_id"),
]  # fmt: skip


@MOSTLY_ONE_KIND
def test_a_filter_by_another_site_s_object_finds_nothing(api: Api, store: Any, south: Any) -> None:
    other, theirs = south
    for path, name in FILTERS:
        asked = f"{path}?{name}={theirs[name]}"
        assert other.ok("GET", asked)["items"], asked
        response = api.get(asked)
        assert response.status_code == 404 or response.json()["items"] == [], asked


@MOSTLY_ONE_KIND
def test_a_preview_shows_nothing_of_another_site(api: Api, store: Any, south: Any, clock: Any) -> None:
    shown = api.ok("POST", "/v1/allocations/preview", {"ship_on": str(clock.now.date())})
    assert SOUTH not in json.dumps(shown)


@MOSTLY_ONE_KIND
def test_a_cursor_of_another_site_s_list_opens_nothing(api: Api, store: Any, south: Any) -> None:
    other, _ = south
    for path in ("/v1/zones", "/v1/units", "/v1/orders", "/v1/outbox"):
        cursor = other.ok("GET", f"{path}?limit=1")["next_cursor"]
        if cursor is not None:
            assert SOUTH not in api.get(f"{path}?limit=1000&cursor={cursor}").text, path
