"""A small store of one site with one of everything, told through HTTP; all of it invented."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from builders.api import Api
from builders.epcis import document, event
from rimekeep.alerts.jobs import prepare
from rimekeep.stock.core.gs1 import sscc as numbered_sscc

# A two-axle truck with a short deck; plate figures invented.
TRUCK: dict[str, Any] = {
    "kind": "rigid",
    "name": "two-axle truck (invented)",
    "front_axle_x_mm": -900,
    "wheelbase_mm": 4900,
    "front_tare_kg": 4900,
    "rear_tare_kg": 4600,
    "front_max_kg": 7500,
    "rear_max_kg": 11500,
    "gross_max_kg": 18000,
    "payload_max_kg": 8300,
    "drive_min_share_pct": 25,
    "rows": [{"x_mm": 500 + 1000 * row, "lanes": 2} for row in range(6)],
}


# Edited in place, on condition of the state that was read; all other changes are POSTs.
EDITED = frozenset(
    {
        "/v1/bays/{bay_id}",
        "/v1/customer-rules/{customer_rule_id}",
        "/v1/customers/{customer_id}",
        "/v1/drops/{drop_id}",
        "/v1/epcis",
        "/v1/orders/{order_id}",
        "/v1/principals/{principal_id}",
        "/v1/products/{product_id}",
        "/v1/sites/{site_id}",
        "/v1/vehicles/{vehicle_id}",
        "/v1/zones/{zone_id}",
        "/v1/subscriptions/{subscription_id}/wanted",
    }
)


def stamp(at: datetime) -> str:
    """Return an instant as the API writes it."""
    return at.isoformat().replace("+00:00", "Z")


def product_body(mark: str, **changed: Any) -> dict[str, Any]:
    """Return a beer in cases."""
    return {
        "sku": f"{mark}-LAGER",
        "name": f"{mark} invented lager",
        "package": "bottle",
        "abv_pct": 5.0,
        "case_mass_kg": 18.5,
        "cases_per_layer": 8,
        "layers_per_pallet": 6,
        "pallet_tare_kg": 25.0,
        "footprint": "800x1200",
        "carry_min_c": 1.0,
        "carry_max_c": 12.0,
        **changed,
    }


PROFILE: dict[str, Any] = {
    "tau_h": 12,
    "planned_c": 4,
    "freezing_minutes": 60,
    "routes": [
        {
            "name": "staling",
            "reference_c": 20,
            "reference_life_days": 120,
            "activation_kj_mol": 101.8,
            "source": "invented",
        }
    ],
    "reason": "opening profile (invented)",
}

# Forced ageing of a lager, invented: scores fall from 8; the limit is 4.
FORCED_AGEING: dict[str, Any] = {
    "route": "staling",
    "observations": [
        {"temp_c": temp_c, "day": day, "score": score}
        for temp_c, day, score in (
            (20, 0, 8.1),
            (20, 60, 6.0),
            (20, 100, 4.5),
            (30, 0, 7.9),
            (30, 15, 6.3),
            (30, 30, 4.6),
            (37, 6, 6.6),
            (37, 12, 5.2),
        )
    ],
    "direction": "falls",
    "limit": 4,
    "reference_c": 20,
    "source": "forced ageing, invented",
}


def furnish(api: Api, now: datetime, mark: str, company_prefix: str) -> dict[str, Any]:
    """
    Make one of everything at the caller's site; names and codes carry ``mark``.

    Returns the objects under the names that paths give them: ``product_id``, ``sscc``, ``trip_id``, … The
    order is picked and on a confirmed plan; ``open_order_id`` is reserved, with a list nobody has taken.
    """
    made: dict[str, Any] = {"site_id": api.ok("GET", "/v1/me")["site"]["id"]}
    made["product_id"] = api.made("/v1/products", product_body(mark))["id"]
    for code, kind in (("STORE", "store"), ("STAGE", "staging"), ("DOCK", "dock")):
        zone = api.made(
            "/v1/zones",
            {
                "code": f"{mark}-{code}",
                "name": f"{mark} {kind}",
                "kind": kind,
                "planned_c": 4,
                "slot_pitch_m": 1.4,
                "aisle_pitch_m": 4.2,
                "cross_aisle_offset_m": 2,
            },
        )
        made["zone_id" if kind == "store" else f"{kind}_id"] = zone["id"]
    made["bay_id"] = api.made(
        "/v1/bays",
        {"zone_id": made["zone_id"], "code": f"{mark}-B1", "aisle": 1, "slot": 1, "check_code": "42"},
    )["id"]
    lot = {
        "product_id": made["product_id"],
        "code": f"{mark}-L1",
        "packaged_at": stamp(now - timedelta(days=10)),
        "best_before_on": str((now + timedelta(days=120)).date()),
    }
    made["lot_id"] = api.made("/v1/lots", lot)["id"]
    api.made(f"/v1/lots/{made['lot_id']}/release", {"reason": "analysis is good"})
    ssccs = [numbered_sscc(7, company_prefix, number) for number in (1, 2, 3)]
    for place, sscc in enumerate(ssccs):
        api.made(
            "/v1/units",
            {
                "sscc": sscc,
                "zone_id": made["zone_id"],
                "bay_id": made["bay_id"] if place == 0 else None,
                "contents": [{"lot_id": made["lot_id"], "cases": 48}],
                "received_at": stamp(now - timedelta(days=9)),
            },
        )
    made["spare_sscc"] = ssccs[2]
    made["version"] = api.made(f"/v1/products/{made['product_id']}/profiles", PROFILE)["version"]
    made["calibration_id"] = api.made(f"/v1/products/{made['product_id']}/calibrations", FORCED_AGEING)["id"]
    made["signature_token"] = api.tokens[api.role]
    sensor = {"code": f"{mark}-air", "zone_id": made["zone_id"], "interval_s": 600}
    made["sensor_id"] = api.made("/v1/sensors", sensor)["id"]
    hour = [now - timedelta(minutes=10 * number) for number in range(7)]
    # 14 °C for an hour in a room that may be at 8 °C for half of one.
    api.made(
        "/v1/readings",
        {"readings": [{"sensor": f"{mark}-air", "at": stamp(at), "temp": 14.0} for at in hour]},
    )
    # 57.2 °F are 14 °C: sent as °C it waits in quarantine.
    confused = {"sensor": f"{mark}-air", "at": stamp(now - timedelta(minutes=17)), "temp": 57.2}
    api.made("/v1/readings", {"readings": [confused]})
    corrected = {"sensor": f"{mark}-air", "at": stamp(hour[-1]), "temp": 13.9}
    api.made(
        "/v1/readings/corrections", {"corrections": [corrected], "reason": "probe was touched (invented)"}
    )
    made["subscription_id"] = api.made("/v1/subscriptions", {"url": f"http://127.0.0.1:9/{mark}"})[
        "subscription"
    ]["id"]
    made["rule_id"] = api.made(
        "/v1/excursion-rules",
        {
            "zone_id": made["zone_id"],
            "name": f"{mark} warm",
            "side": "above",
            "limit_c": 8,
            "allowed_s": 1800,
        },
    )["id"]
    found = api.made("/v1/excursions/check")["opened"] or [
        one["id"] for one in api.ok("GET", "/v1/excursions")["items"]
    ]
    made["excursion_id"] = found[0]
    prepare(api.app.state.database, now)
    made["alert_id"] = api.ok("GET", "/v1/alerts")["items"][0]["id"]
    made["customer_id"] = api.made("/v1/customers", {"code": f"{mark}-INN", "name": f"{mark} inn"})["id"]
    customer = f"/v1/customers/{made['customer_id']}"
    rule = {"product_id": made["product_id"], "min_life_days": 20}
    made["customer_rule_id"] = api.made(f"{customer}/rules", rule)["id"]
    made["drop_id"] = api.made(f"{customer}/drops", {"code": "YARD", "name": f"{mark} yard"})["id"]
    _move_goods(api, now, mark, made)
    made["recall_id"] = api.made("/v1/recalls", {"lot_ids": [made["lot_id"]]})["id"]
    _tend_the_floor(api, now, mark, made, numbered_sscc(7, company_prefix, 4))
    invited = {"name": f"{mark} newcomer", "roles": ["lead"]}
    made["invitation_id"] = api.made("/v1/invitations", invited)["id"]
    api.client.post("/sign-in", data={"token": api.tokens[api.role]}, follow_redirects=False)
    api.client.cookies.clear()
    made["session_id"] = api.ok("GET", "/v1/sessions")["items"][0]["id"]
    made["capture_id"] = int(api.made("/v1/capture", event())["captureID"])
    made["principal_id"] = api.made("/v1/devices", {"name": f"{mark} handheld", "roles": ["picker"]})[
        "principal"
    ]["id"]
    return made


def _move_goods(api: Api, now: datetime, mark: str, made: dict[str, Any]) -> None:
    today = str(now.date())
    expected = {"product_id": made["product_id"], "day": today, "cases": 9}
    api.made("/v1/forecasts", {"forecasts": [expected]})
    for name, cases in (("order_id", 48), ("open_order_id", 8)):
        order = {
            "code": f"{mark}-{name}",
            "customer_id": made["customer_id"],
            "ship_on": today,
            "deliver_on": today,
            "lines": [{"product_id": made["product_id"], "cases": cases}],
        }
        made[name] = api.made("/v1/orders", order)["id"]
        api.made("/v1/allocations", {"order_ids": [made[name]]})
    (picked,) = api.made("/v1/pick-lists", {"order_ids": [made["order_id"]]})
    task = api.made("/v1/pick-lists/next")
    assert task["id"] == picked["id"]
    (pick,) = task["picks"]
    made["sscc"] = pick["sscc"]
    code = "42" if pick["bay_code"] else None
    api.made(
        f"/v1/picks/{pick['id']}/confirm",
        {"scan": pick["sscc"], "bay_check_code": code, "cases": pick["cases"]},
    )
    _leave_surplus(api, now, mark, made)
    (waiting,) = api.made("/v1/pick-lists", {"order_ids": [made["open_order_id"]]})
    made["list_id"], made["pick_id"] = waiting["id"], waiting["picks"][0]["id"]
    made["vehicle_id"] = api.made(
        "/v1/vehicles", {"code": f"{mark}-T1", "name": f"{mark} truck", "truck": TRUCK}
    )["id"]
    plan = api.made("/v1/load-plans", {"ship_on": today})
    assert plan["trips"], plan["reasons"]
    made["plan_id"], made["trip_id"] = plan["id"], plan["trips"][0]["id"]
    later = api.made("/v1/load-plans", {"ship_on": str(now.date())}, headers={"Prefer": "respond-async"})
    made["job_id"] = later["id"]
    made["number"] = plan["trips"][0]["places"][0]["drop"]
    api.made(f"/v1/load-plans/{plan['id']}/confirm")
    warm, _ = (
        api.made(
            f"/v1/trips/{made['trip_id']}/load-temperatures",
            {"scan": plan["trips"][0]["places"][0]["sscc"], "kind": "core", "temp_c": temp_c, "probe": "P-1"},
        )
        for temp_c in (13.0, 4.0)
    )
    made["temperature_id"] = warm["id"]


def _leave_surplus(api: Api, now: datetime, mark: str, made: dict[str, Any]) -> None:
    """Pick an order whose customer then wants less of it: some of it has to be put back."""
    tomorrow = str((now + timedelta(days=1)).date())
    order = {
        "code": f"{mark}-LESS",
        "customer_id": made["customer_id"],
        "ship_on": tomorrow,
        "deliver_on": tomorrow,
        "lines": [{"product_id": made["product_id"], "cases": 6}],
    }
    order_id = api.made("/v1/orders", order)["id"]
    api.made("/v1/allocations", {"order_ids": [order_id]})
    api.made("/v1/pick-lists", {"order_ids": [order_id]})
    for pick in api.made("/v1/pick-lists/next")["picks"]:
        code = "42" if pick["bay_code"] else None
        done = {"scan": pick["sscc"], "bay_check_code": code, "cases": pick["cases"]}
        api.made(f"/v1/picks/{pick['id']}/confirm", done)
    less = {"lines": [{"line_no": 1, "cases": 5}], "reason": "wanted less (invented)"}
    api.ok("PATCH", f"/v1/orders/{order_id}", less, headers={"If-Match": "*"})
    (task,) = api.ok("GET", "/v1/put-backs")["items"]
    made["put_back_id"] = task["id"]


def _tend_the_floor(api: Api, now: datetime, mark: str, made: dict[str, Any], sscc: str) -> None:
    """Have a bay counted, and a pick bay filled from a pallet that comes in."""
    made["count_id"] = api.made("/v1/counts", {"bay_ids": [made["bay_id"]]})[0]["id"]
    bay = {"zone_id": made["zone_id"], "code": f"{mark}-P1", "aisle": 1, "slot": 2, "check_code": "43"}
    made["pick_bay_id"] = api.made("/v1/bays", {**bay, "role": "pick"})["id"]
    face = {"bay_id": made["pick_bay_id"], "product_id": made["product_id"], "min_cases": 8, "max_cases": 24}
    api.made("/v1/pick-faces", face)
    unit = {"zone_id": made["zone_id"], "bay_id": made["bay_id"], "received_at": stamp(now)}
    api.made("/v1/units", {**unit, "sscc": sscc, "contents": [{"lot_id": made["lot_id"], "cases": 48}]})
    made["replenishment_id"] = api.made("/v1/replenishments")["made"][0]["id"]


def bodies(made: dict[str, Any], now: datetime, mark: str) -> dict[str, Any]:
    """Return a body for every POST and edit that takes one, meant for the objects of :func:`furnish`."""
    today, reason = str(now.date()), {"reason": "as agreed (invented)"}
    content = {"scan": made["sscc"]}
    return {
        "/v1/sites": {"code": f"{mark}-X", "name": f"{mark} other", "company_prefix": "9529999"},
        "/v1/sites/{site_id}": {"promises_by": "cautious", **reason},
        "/v1/people": {"name": f"{mark} N. New", "roles": ["qa"]},
        "/v1/devices": {"name": f"{mark} scanner", "roles": ["picker"]},
        "/v1/principals/{principal_id}": {"roles": ["picker", "dispatcher"], **reason},
        "/v1/principals/{principal_id}/token": {"overlap_s": 60},
        "/v1/principals/{principal_id}/invitation": {"login": f"{mark}@example.com", "valid_hours": 24},
        "/v1/invitations": {
            "name": f"{mark} O. Other",
            "roles": ["qa"],
            "login": f"{mark}-other@example.com",
            "valid_hours": 24,
        },
        "/v1/me/password": {"proof": "wrong on purpose", "password": "correct horse (invented)"},
        "/v1/products": product_body(
            mark, sku=f"{mark}-ALE", gtin="19521234000010", original_extract_p=11.8, alcohol_mass_pct=4.0
        ),
        "/v1/products/{product_id}": {"value_per_case": 14.5, **reason},
        "/v1/zones": {
            "code": f"{mark}-Z",
            "name": f"{mark} room",
            "kind": "store",
            "planned_c": 4,
            "slot_pitch_m": 1.0,
            "aisle_pitch_m": 4.0,
            "cross_aisle_offset_m": 1.0,
            "slots_front_block": 5,
        },
        "/v1/bays": {
            "zone_id": made["zone_id"],
            "code": f"{mark}-B9",
            "aisle": 2,
            "slot": 3,
            "level": 1,
            "check_code": "77",
        },
        "/v1/bays/{bay_id}": {"check_code": "78", "capacity_units": 2, **reason},
        "/v1/bays/range": {
            "zone_id": made["zone_id"],
            "first_aisle": 7,
            "last_aisle": 7,
            "first_slot": 1,
            "last_slot": 2,
            "code_form": f"{mark}-{{aisle}}-{{slot}}",
        },
        "/v1/zones/{zone_id}": {"name": f"{mark} room", "units_per_walk": 2, **reason},
        "/v1/lots": {
            "product_id": made["product_id"],
            "code": f"{mark}-L9",
            "packaged_at": stamp(now - timedelta(days=2)),
            "best_before_on": str((now + timedelta(days=90)).date()),
            "cases_made": 10,
        },
        "/v1/lots/{lot_id}/hold": reason,
        "/v1/lots/{lot_id}/release": reason,
        "/v1/lots/{lot_id}/reject": reason,
        "/v1/units": {
            "sscc": numbered_sscc(7, "9520001", 99),
            "zone_id": made["zone_id"],
            "bay_id": made["bay_id"],
            "contents": [{"lot_id": made["lot_id"], "cases": 4}],
            "received_at": stamp(now),
            "start_core_c": 5.0,
            "is_new": True,
        },
        "/v1/units/{sscc}/move": {"zone_id": made["zone_id"], "bay_id": made["bay_id"], "at": stamp(now)},
        "/v1/units/{sscc}/hold": reason,
        "/v1/units/{sscc}/release": reason,
        "/v1/units/{sscc}/reject": reason,
        "/v1/units/{sscc}/adjust": {"content_id": 1, "cases": 1, "was_cases": 48, **reason},
        "/v1/units/{sscc}/destroy": {"content_id": 1, "cases": 1, **reason},
        "/v1/sensors": {
            "code": f"{mark}-air2",
            "zone_id": made["zone_id"],
            "interval_s": 600,
            "error_c": 0.3,
            "rank": 2,
            "calibration_due_on": today,
        },
        "/v1/sensors/{sensor_id}/switch-off": reason,
        "/v1/capture": document(event(2)),
        "/v1/epcis": {"gln": "9521234000013", "with_urns": True},
        "/v1/sensors/{sensor_id}/move": {"zone_id": made["zone_id"], "at": stamp(now), **reason},
        "/v1/sensors/{sensor_id}/calibrations": {
            "offset_c": -0.2,
            "applies_from": stamp(now),
            "calibrated_on": today,
            "due_on": None,
            **reason,
        },
        "/v1/readings/corrections": {
            "corrections": [{"sensor": f"{mark}-air", "at": stamp(now), "temp": 13.5, "unit": "Cel"}],
            **reason,
        },
        "/v1/readings/quarantine/settle": {
            "sensor_id": made["sensor_id"],
            "verdict": "as fahrenheit",
            "reading_ids": None,
            **reason,
        },
        "/v1/readings": {
            "readings": [{"sensor": f"{mark}-air", "at": stamp(now), "temp": 4.0, "unit": "Cel"}]
        },
        "/v1/products/{product_id}/profiles": PROFILE,
        "/v1/products/{product_id}/calibrations": {**FORCED_AGEING, "start_score": 8, "form": "q10"},
        "/v1/calibrations/{calibration_id}/approve": {**reason, "signature_token": made["signature_token"]},
        "/v1/calibrations/{calibration_id}/refuse": reason,
        "/v1/life/refresh": {"from_scratch": False},
        "/v1/products/{product_id}/re-ageing": {"is_preview": True, **reason},
        "/v1/units/{sscc}/projection": {"legs": [{"hours": 6, "temp_c": 4}]},
        "/v1/excursion-rules": {
            "zone_id": made["zone_id"],
            "name": f"{mark} cold",
            "side": "below",
            "limit_c": 0,
            "kind": "cumulative",
            "allowed_s": 600,
            "hysteresis_c": 0.5,
            "guard_c": "sensor",
            "product_id": made["product_id"],
            "severity": "warning",
            "escalate_after_s": 3600,
            "holds_stock": False,
            "counts_from_at": stamp(now - timedelta(days=1)),
        },
        "/v1/excursion-rules/{rule_id}/restart-count": reason,
        "/v1/excursion-rules/{rule_id}/switch-off": reason,
        "/v1/excursions/{excursion_id}/acknowledge": {"note": "seen"},
        "/v1/excursions/{excursion_id}/decisions": {
            "lot_id": made["lot_id"],
            "decision": "shorten date",
            "best_before_on": str((now + timedelta(days=60)).date()),
            "signature_token": made["signature_token"],
            **reason,
        },
        "/v1/customers": {
            "code": f"{mark}-BAR",
            "name": f"{mark} bar",
            "contact": "A. Barkeep (invented)",
            "phone": "+44 1632 960001",
            "mail": "bar@example.com",
            "address": "Main Street",
            "min_life_days": 30,
            "min_life_fraction": 0.25,
            "no_backward_date": True,
            "max_lots_per_line": 2,
        },
        "/v1/recalls": {"lot_ids": [made["lot_id"]], "and_same_day": True},
        "/v1/mock-recalls": {
            "zone_id": made["zone_id"],
            "from_at": stamp(now - timedelta(days=3)),
            "until_at": stamp(now),
        },
        "/v1/recalls/{recall_id}/start": {
            **reason,
            "signature_token": made["signature_token"],
            "answer_within_s": 7200,
        },
        "/v1/recalls/{recall_id}/customers/{customer_id}/notifications": {
            "how": "phone",
            "to": "A. Barkeep (invented)",
            "at": stamp(now),
            "note": "keeps it back",
        },
        "/v1/recalls/{recall_id}/customers/{customer_id}/answers": {
            "held_cases": 1,
            "sold_on_cases": 0,
            "returned_cases": 0,
            "destroyed_cases": 0,
            "rest_explained": "not counted yet",
        },
        "/v1/recalls/{recall_id}/close": {
            **reason,
            "stock": "hold",
            "signature_token": made["signature_token"],
        },
        "/v1/customers/{customer_id}": {
            "name": f"{mark} other inn",
            "min_life_fraction": 0.5,
            "max_lots_per_line": None,
            **reason,
        },
        "/v1/customers/{customer_id}/rules": {
            "product_id": made["product_id"],
            "min_life_days": 40,
            "min_life_fraction": 0.4,
            "no_backward_date": False,
            "max_lots_per_line": 3,
        },
        "/v1/customer-rules/{customer_rule_id}": {"min_life_days": 25, **reason},
        "/v1/customers/{customer_id}/drops": {
            "code": "GATE",
            "name": f"{mark} gate",
            "address": "Main Street",
            "contact": "gate@example.com",
            "latitude": 49.75,
            "longitude": 13.38,
            "opens_at": "06:00",
            "closes_at": "11:30",
        },
        "/v1/drops/{drop_id}": {"opens_at": "05:00", "closes_at": "10:00", **reason},
        "/v1/orders/batch": {
            "orders": [
                {
                    "code": f"{mark}-SO8",
                    "customer_id": made["customer_id"],
                    "ship_on": today,
                    "deliver_on": today,
                    "drop_id": made["drop_id"],
                    "lines": [{"product_id": made["product_id"], "cases": 2}],
                }
            ]
        },
        "/v1/orders/{order_id}": {
            "priority": 2,
            "drop_id": made["drop_id"],
            "lines": [{"line_no": 7, "product_id": made["product_id"], "cases": 1}],
            **reason,
        },
        "/v1/put-backs/{put_back_id}/confirm": content,
        "/v1/orders": {
            "code": f"{mark}-SO9",
            "customer_id": made["customer_id"],
            "ship_on": today,
            "deliver_on": today,
            "priority": 1,
            "drop_id": made["drop_id"],
            "external_reference": "4500123456",
            "lines": [
                {
                    "line_no": 1,
                    "product_id": made["product_id"],
                    "cases": 2,
                    "min_life_days": 1,
                    "min_life_fraction": 0.1,
                }
            ],
        },
        "/v1/orders/{order_id}/cancel": reason,
        "/v1/forecasts": {
            "forecasts": [
                {
                    "product_id": made["product_id"],
                    "customer_id": made["customer_id"],
                    "day": today,
                    "cases": 4,
                }
            ]
        },
        "/v1/allocations/preview": {"ship_on": today},
        "/v1/allocations": {"order_ids": [made["order_id"]]},
        "/v1/allocations/recheck": {},
        "/v1/pick-lists": {"order_ids": [made["order_id"]]},
        "/v1/picks/{pick_id}/confirm": {**content, "bay_check_code": "42", "cases": 1},
        "/v1/picks/{pick_id}/short": {"cases_found": 1, **content, "bay_check_code": "42", **reason},
        "/v1/pick-lists/{list_id}/take-over": reason,
        "/v1/pick-lists/{list_id}/bring": {"bay": f"{mark}-B1", "bay_check_code": "42"},
        "/v1/picks/{pick_id}/check": {**content, "bay_check_code": "42", "cases": 1},
        "/v1/picks/{pick_id}/damaged": {
            **content,
            "bay_check_code": "42",
            "cases_taken": 1,
            "cases_damaged": 1,
            **reason,
        },
        "/v1/picks/{pick_id}/not-found": {"bay_check_code": "42", **reason},
        "/v1/picks/{pick_id}/substitute": {**content, "bay_check_code": "42", "cases": 1, **reason},
        "/v1/pick-queue": {
            "calls": [
                {
                    "key": f"{mark} queued",
                    "at": stamp(now),
                    "call": "confirm",
                    "pick_id": made["pick_id"],
                    **content,
                    "bay_check_code": "42",
                    "cases": 1,
                }
            ],
            "sent_at": stamp(now),
        },
        "/v1/counts": {"how_many": 2, "zone_id": made["zone_id"], "bay_ids": [made["bay_id"]]},
        "/v1/counts/next": {"zone_id": made["zone_id"], "at_most": 3},
        "/v1/counts/{count_id}/answer": {
            "bay_check_code": "42",
            "counted_s_ago": 5,
            "units": [{**content, "lots": [{"lot": f"{mark}-L1", "cases": 4}]}],
        },
        "/v1/counts/{count_id}/approve": reason,
        "/v1/counts/{count_id}/dismiss": reason,
        "/v1/counts/{count_id}/again": reason,
        "/v1/pick-faces": {
            "bay_id": made["pick_bay_id"],
            "product_id": made["product_id"],
            "min_cases": 8,
            "max_cases": 24,
        },
        "/v1/replenishments/{replenishment_id}/confirm": {**content, "bay_check_code": "43"},
        "/v1/putaway": {"lot_id": made["lot_id"], "units": 2, "zone_id": made["zone_id"], "at_most": 3},
        "/v1/vehicles/{vehicle_id}": {"name": f"{mark} truck", **reason},
        "/v1/vehicles": {
            "code": f"{mark}-T9",
            "name": f"{mark} other truck",
            "truck": TRUCK,
            "planned_c": 4,
        },
        "/v1/load-plans/{plan_id}/amend": {"orders": [made["order_id"]], "only_preview": True},
        "/v1/load-plans": {
            "ship_on": today,
            "vehicle_ids": [made["vehicle_id"]],
            "drops": [made["order_id"]],
            "max_stops_per_trip": 3,
            "shifts": [{"trips": 2, "starts_at_time": "06:00", "ends_at_time": "18:00", "trip_s": 14_400}],
        },
        "/v1/trips/{trip_id}/load": {**content, "row": 0, "lane": 0},
        "/v1/trips/{trip_id}/unload": {**content, "zone_id": made["zone_id"]},
        "/v1/trips/{trip_id}/drops/{number}/deliver": {
            "at": stamp(now),
            "note": "all well (invented)",
            "refused": [made["sscc"]],
        },
        "/v1/trips/{trip_id}/drops/{number}/empties": {
            "empties": [{"kind": "keg", "pieces": 4, "mass_kg": 40, "places": 1}],
            "reason": "counted again (invented)",
        },
        "/v1/trips/{trip_id}/give-up": reason,
        "/v1/trips/{trip_id}/depart": {"despite": "the customer sends it on at once (invented)"},
        "/v1/returns": {
            "customer_id": made["customer_id"],
            "sscc": made["sscc"],
            "cases": 2,
            "lot": f"{mark}-L1",
            "zone_id": made["zone_id"],
            "bay_id": made["bay_id"],
            "at": stamp(now),
            **reason,
        },
        "/v1/return-rule": {"min_life_days": 10, "most_unmeasured_s": 1800},
        "/v1/trips/{trip_id}/end": {"at": stamp(now), "zone_id": made["zone_id"], "note": "back (invented)"},
        "/v1/trips/{trip_id}/load-temperatures": {**content, "kind": "core", "temp_c": 4.5, "probe": "P-1"},
        "/v1/trips/{trip_id}/load-temperatures/{temperature_id}/accept": reason,
        "/v1/road-defaults": {
            "drive_minutes": 45,
            "ambient_by_hour_c": [20.0] * 24,
            "departs_at_time": "05:30",
        },
        "/v1/trips/{trip_id}/road": {
            "departs_at": stamp(now + timedelta(hours=2)),
            "legs": [{"drop": made["number"], "drive_minutes": 30, "stop_minutes": 10, "door_open_s": 120}],
            "ambient": [{"at": stamp(now), "temp_c": 19.5}],
            "humidity_pct": 55,
            "body_start_c": 18.0,
            "is_precooled": False,
        },
        "/v1/trips/{trip_id}/moves": {"sscc": made["sscc"], "row": 1, "lane": 1, "only_preview": True},
        "/v1/trips/{trip_id}/pins": {"ssccs": [made["sscc"]], "is_pinned": True},
        "/v1/subscriptions": {
            "url": f"http://127.0.0.1:9/{mark}",
            "kinds": ["excursion.opened"],
            "zone_ids": [made["zone_id"]],
            "least_severity": "warning",
            "quiet_from": "22:00",
            "quiet_until": "06:00",
            "is_for_duty": True,
            "person_id": made["principal_id"],
        },
        "/v1/subscriptions/{subscription_id}/wanted": {
            "kinds": ["excursion.opened"],
            "zone_ids": [made["zone_id"]],
            "least_severity": "critical",
            "person_id": made["principal_id"],
            **reason,
        },
        "/v1/alerts/{alert_id}/acknowledge": {"note": "on my way"},
        "/v1/alert-plan": {
            "least_severity": "warning",
            "turns": [
                {
                    "weekday": 1,
                    "starts": "18:00",
                    "ends": "06:00",
                    "subscription_id": made["subscription_id"],
                }
            ],
            "steps": [{"after_minutes": 15, "subscription_id": made["subscription_id"]}],
            **reason,
        },
        **{f"/v1/imports/{kind}": row for kind, row in imported(mark, now).items()},
    }


def imported(mark: str, now: datetime) -> dict[str, dict[str, Any]]:
    """Return a file of one row, as JSON, for every kind of file there is."""
    today = str(now.date())
    begins = stamp(now - timedelta(days=2))
    ends = str((now + timedelta(days=90)).date())
    product = {
        name: value
        for name, value in product_body(mark, sku=f"{mark}-I1", footprint="800x1200").items()
        if name not in {"gtin", "value_per_case"}
    }
    plate = {name: value for name, value in TRUCK.items() if name not in {"name", "rows"}}
    return {
        "products": product,
        "zones": {"code": f"{mark}-I1", "name": f"{mark} other room", "kind": "store", "planned_c": 4},
        "bays": {"zone": f"{mark}-STORE", "code": f"{mark}-I1", "aisle": 3, "slot": 1, "check_code": "55"},
        "lots": {
            "sku": f"{mark}-LAGER",
            "lot": f"{mark}-I1",
            "packaged_at": begins,
            "best_before_on": ends,
            "cases_made": 10,
        },
        "units": {
            "sscc": numbered_sscc(7, "9520001", 98),
            "lot": f"{mark}-L1",
            "sku": f"{mark}-LAGER",
            "cases": 4,
            "zone": f"{mark}-STORE",
        },
        "sensors": {"code": f"{mark}-I1", "zone": f"{mark}-STORE", "interval_s": 600},
        "readings": {"sensor": f"{mark}-air", "at": begins, "temp_c": 4.0},
        "forced-ageing": {"sku": f"{mark}-LAGER", "series": "I1", "temp_c": 20, "day": 30, "score": 6.5},
        "customers": {"code": f"{mark}-I1", "name": f"{mark} other bar"},
        "customer-rules": {"customer": f"{mark}-INN", "sku": f"{mark}-LAGER", "min_life_days": 20},
        "drops": {"customer": f"{mark}-INN", "code": "I1", "name": f"{mark} side door"},
        "orders": {
            "order": f"{mark}-I1",
            "customer": f"{mark}-INN",
            "ship_on": today,
            "deliver_on": today,
            "line": 1,
            "sku": f"{mark}-LAGER",
            "cases": 2,
        },
        "vehicles": {"code": f"{mark}-I1", "name": f"{mark} third truck", "rows": "500:2 1500:2", **plate},
        "forecast": {"sku": f"{mark}-LAGER", "day": today, "cases": 4},
    }
