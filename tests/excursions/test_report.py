"""The report: facts that agree with the record, a sheet that prints, signed off only when everything is done."""

from __future__ import annotations

import hashlib
import json
import re
from datetime import timedelta
from typing import Any

import html5lib
import numpy as np
import pytest
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.room import NOW, PLANNED_C, START, TAU_H, Room, add_rule, lot_of, pallet, profiled, warm
from rimekeep.climate.queries import zone_air
from rimekeep.excursions import usecases
from rimekeep.platform.database import Database
from rimekeep.shelflife import usecases as shelflife
from rimekeep.shelflife.core.kinetics import mean_kinetic_temperature

XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


def fail(session: Session, room: Room, **overrides: Any) -> int:
    add_rule(session, room, holds_stock=True, **overrides)
    warm(session, room, hours=2)
    shelflife.refresh_life(session, NOW, room.site_id)
    return usecases.check_site(session, NOW, room.site_id).opened[0].id


def facts_of(api: Api, key: int) -> dict[str, Any]:
    found: dict[str, Any] = api.as_("auditor").ok("GET", f"/v1/excursions/{key}/report.json")
    return found


def sheet(api: Api, key: int) -> Any:
    response = api.as_("auditor").get(f"/v1/excursions/{key}/report")
    assert response.status_code == 200, response.text
    assert response.headers["content-type"] == "text/html; charset=utf-8"
    # Strict: a page that any browser would have to guess at fails here.
    return html5lib.HTMLParser(strict=True).parse(response.text)


def text_of(page: Any) -> str:
    return re.sub(r"\s+", " ", "".join(page.itertext()))


def test_facts_agree_with_the_readings(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        pallet(session, room)
        key = fail(session, room)
    facts = facts_of(api, key)["facts"]
    figures = facts["figures"]
    assert (figures["min_c"], figures["max_c"], figures["readings"]) == (4.0, 15.0, 13)
    assert (figures["outside_s"], figures["longest_outside_s"], figures["bridged_s"]) == (7200, 7200, 0)
    began = START + timedelta(hours=10)
    with database.transaction(readonly=True) as session:
        air = zone_air(session, room.site_id, room.zone.id, began, began + timedelta(hours=2))
    # The function is held against published values in tests/shelflife; here, that it gets this window.
    kinetic = mean_kinetic_temperature((air.at_s - air.at_s[0]) / 3600, air.temp_c)
    assert figures["mean_kinetic_temperature_c"] == pytest.approx(kinetic, abs=5e-4)
    assert 14.0 < kinetic < 15.0
    assert "USP <1160>" in figures["mean_kinetic_convention"]
    assert facts["rule"]["words"] == "Air at 8 °C or above for 30 min without a break."
    assert [one["code"] for one in facts["sensors"]] == ["s"]


def test_hash_is_that_of_the_facts_and_changes_with_them_only(
    room: Room, database: Database, api: Api
) -> None:
    with database.transaction() as session:
        pallet(session, room)
        key = fail(session, room)
    first, second = facts_of(api, key), facts_of(api, key)
    assert first["sha256"] == second["sha256"]
    canonical = json.dumps(first["facts"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(canonical.encode()).hexdigest() == first["sha256"]
    api.as_("qa").made(f"/v1/excursions/{key}/acknowledge", {})
    assert facts_of(api, key)["sha256"] != first["sha256"]


def test_sheet_is_signed_off_only_when_all_is_done(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        lot = lot_of(session, room)
        pallet(session, room, lot)
        key = fail(session, room)
    shown = text_of(sheet(api, key))
    assert "Not signed off yet" in shown
    assert f"Lot {lot.code} was put on hold and QA has not decided about it." in shown
    qa = api.as_("qa")
    qa.made(f"/v1/excursions/{key}/acknowledge", {})
    body = {
        "lot_id": lot.id,
        "decision": "shorten date",
        "best_before_on": str(lot.best_before_on - timedelta(days=30)),
        "reason": "tasted <b>flat</b> & stale",
        "signature_token": api.tokens["qa"],
    }
    made = qa.made(f"/v1/excursions/{key}/decisions", body)["decision"]
    page = sheet(api, key)
    shown = text_of(page)
    assert "Not signed off yet" not in shown
    assert "Signed off:" in shown
    assert "Signed by the qa" in shown
    assert made["sha256"] in shown
    # What people wrote is shown as they wrote it, and does nothing.
    assert "tasted <b>flat</b> & stale" in shown
    assert facts_of(api, key)["is_signed_off"] is True
    assert facts_of(api, key)["sha256"] in shown


def test_sheet_loads_nothing_and_runs_nothing(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        pallet(session, room)
        key = fail(session, room)
    response = api.as_("qa").get(f"/v1/excursions/{key}/report")
    policy = response.headers["content-security-policy"]
    assert response.headers.get_list("content-security-policy") == [policy]
    assert "default-src 'none'" in policy
    style = re.search(r"<style>(.*)</style>", response.text, re.DOTALL)
    assert style is not None
    import base64

    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    page = sheet(api, key)
    names = {str(element.tag).split("}")[-1] for element in page.iter()}
    assert names.isdisjoint({"script", "img", "link", "iframe", "object", "form"})
    attributes = {name for element in page.iter() for name in element.attrib}
    assert not {name for name in attributes if name.startswith("on") or name in {"href", "src", "style"}}


def test_sheet_carries_the_cautions(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        key = fail(session, room)
    shown = text_of(sheet(api, key))
    for word in ("alone", "CO2", "ice", "rules of your site"):
        assert word in shown
    assert facts_of(api, key)["cautions"]


def test_chart_shows_air_limit_crossings_and_the_quickest_and_slowest_core(
    room: Room, database: Database, api: Api
) -> None:
    with database.transaction() as session:
        for tau_h in (TAU_H, 3.0, 25.0):
            pallet(session, room, lot_of(session, room, profiled(session, room, tau_h=tau_h)))
        key = fail(session, room)
    page = sheet(api, key)

    def drawn(css: str) -> list[Any]:
        return [one for one in page.iter() if css in one.attrib.get("class", "").split()]

    assert len(drawn("air")) == 1
    assert len(drawn("crossing")) == 2
    assert len(drawn("limit")) == 1
    assert len(drawn("gap")) == 0
    quick, slow = (
        [tuple(map(float, point.split(","))) for point in one.attrib["points"].split()]
        for one in drawn("core")
    )
    # Of two cores in the same air the quicker one goes further; y points down.
    assert min(y for _, y in quick) < min(y for _, y in slow)
    shown = text_of(page)
    assert "time constant 3 h" in shown
    assert "time constant 25 h" in shown
    assert "time constant 10 h" not in shown


def test_gap_is_shown_as_a_gap(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        add_rule(session, room)
        say(session, NOW, room.site_id, series("s", START, START + timedelta(hours=2), 15.0))
        say(session, NOW, room.site_id, series("s", START + timedelta(hours=3), NOW, PLANNED_C))
        key = usecases.check_site(session, NOW, room.site_id).opened[0].id
    page = sheet(api, key)
    # Before the first reading of all nothing was measured either.
    assert len([one for one in page.iter() if one.attrib.get("class") == "gap"]) == 2
    assert len([one for one in page.iter() if one.attrib.get("class") == "air"]) == 2
    figures = facts_of(api, key)["facts"]["figures"]
    # The last reading before the silence counts for three intervals of its sensor.
    assert figures["outside_s"] == 2 * 3600 + 1800


def test_every_kind_has_its_sheet(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        make_sensor(
            session,
            START,
            room.caller,
            room.zone,
            code="t",
            rank=2,
            calibration_due_on=(NOW - timedelta(days=3)).date(),
        )
        say(session, NOW, room.site_id, series("s", START, NOW - timedelta(hours=2), PLANNED_C))
        say(session, NOW, room.site_id, series("t", START, NOW, 9.0))
        add_rule(
            session, room, kind="cumulative", allowed_s=600, limit_c=2.0, guard_c="sensor", hysteresis_c=0.5
        )
        add_rule(session, room, side="below", limit_c=5.0, guard_c=0.5)
        opened = usecases.check_site(session, NOW, room.site_id).opened
        kinds = {row.kind: row.id for row in opened}
    assert kinds.keys() == {"too_warm", "too_cold", "silent", "disagree", "calibration"}
    words = {
        "too_warm": "stated error of the sensor",
        "too_cold": "moved inwards by 0.5 K",
        "silent": "has not spoken",
        "disagree": "further apart",
        "calibration": "overdue since",
    }
    for kind, key in kinds.items():
        assert words[kind] in text_of(sheet(api, key)), kind
        assert facts_of(api, key)["facts"]["excursion"]["kind"] == kind
    assert "sensor t" in text_of(sheet(api, kinds["disagree"]))
    # The lead's page shows all of them too.
    api.client.post("/sign-in", data={"token": api.tokens["lead"]})
    page = text_of(html5lib.HTMLParser(strict=True).parse(api.client.get("/").text))
    for shown in ("too warm, limit", "sensor silent", "sensors disagree, more than", "calibration overdue"):
        assert shown in page, shown


def test_long_excursion_is_drawn_with_least_and_greatest(room: Room, database: Database, api: Api) -> None:
    rng = np.random.default_rng(3)
    until = START + timedelta(days=6)
    with database.transaction() as session:
        add_rule(session, room)
        noise = rng.uniform(9, 12, 6 * 24 * 6 + 1)
        said = series("s", START, until, lambda hours: float(noise[round(hours * 6)]))
        say(session, until, room.site_id, said)
        key = usecases.check_site(session, until, room.site_id).opened[0].id
    with_band = api.as_("qa").get(f"/v1/excursions/{key}/report").text
    assert 'class="band"' in with_band
    assert len(with_band) < 80_000


def test_nothing_of_another_site_is_shown(room: Room, database: Database, api: Api) -> None:
    with database.transaction() as session:
        key = fail(session, room)
    api.tokens["other"] = api.made("/v1/sites", {"code": "SOUTH", "name": "South store (invented)"})["token"]
    for path in ("report", "report.json"):
        assert api.as_("other").get(f"/v1/excursions/{key}/{path}").status_code == 404
        assert api.as_("gateway").get(f"/v1/excursions/{key}/{path}").status_code == 403


def test_limit_is_drawn_where_it_acts(room: Room, database: Database, api: Api) -> None:
    """A sensor good to 0.5 °C and a guard by it: the rings lie on the line at 7.5 °C, not at 8 °C."""
    with database.transaction() as session:
        key = fail(session, room, guard_c="sensor")
    page = sheet(api, key)
    (limit,) = (float(one.attrib["y1"]) for one in page.iter() if one.attrib.get("class") == "limit")
    rings = [float(one.attrib["cy"]) for one in page.iter() if one.attrib.get("class") == "crossing"]
    assert len(rings) == 2
    assert rings == pytest.approx([limit, limit], abs=0.02)
