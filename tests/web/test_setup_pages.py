"""Setting the store up, for people: what is shown to whom, and what two who edit at once are told."""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import html5lib
import pytest
from playwright.sync_api import Browser, expect

from builders.api import Api
from builders.browser import PHONE, visiting
from builders.server import Process, serving
from builders.store import PROFILE, TRUCK, product_body
from rimekeep.access.core.roles import PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings
from rimekeep.web.setup.chassis import form_of, kind_of
from rimekeep.web.setup.picture import CROSS_WIDTH, room_picture, windows
from rimekeep.web.setup.queries import AisleRow, BayRow

# A page asked for on a machine that does other things too.


def signed_in(api: Api, role: str) -> Api:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    return api


LISTS = ("/setup", "/setup/bays", "/setup/zones", "/setup/products", "/setup/profiles", "/setup/customers")
LISTS += ("/setup/vehicles", "/setup/sites")
# Who sees forms on each page.
PAGES = {
    "/setup": "",
    "/setup/bays": "",
    "/setup/profiles": "",
    "/setup/vehicles": "",
    "/setup/sites": "qa",
    "/setup/zones": "lead",
    "/setup/zones/{zone_id}": "lead qa",
    "/setup/bays/{bay_id}": "lead",
    "/setup/products": "lead",
    "/setup/products/{product_id}": "lead",
    "/setup/profiles/{product_id}": "qa",
    "/setup/customers": "lead dispatcher",
    "/setup/customers/{customer_id}": "lead dispatcher",
    "/setup/vehicles/new": "lead dispatcher",
    "/setup/vehicles/new?kind=semi": "lead dispatcher",
    "/setup/vehicles/new?kind=drawbar-full": "lead dispatcher",
    "/setup/vehicles/{vehicle_id}": "lead dispatcher qa",
}


def whole(page: str) -> None:
    html5lib.HTMLParser(strict=True).parse(page)
    assert "style=" not in page
    assert "<room>" not in page


@pytest.mark.parametrize("path", LISTS)
def test_pages_of_an_empty_store_are_whole(api: Api, path: str) -> None:
    answer = signed_in(api, "lead").client.get(path)
    assert answer.status_code == 200
    whole(answer.text)


def furnished(api: Api) -> dict[str, Any]:
    lead = api.as_("lead")
    zone = lead.made(
        "/v1/zones", {"code": "COLD", "name": "Cold <room> & co", "kind": "store", "planned_c": 2.5}
    )
    asked = {"zone_id": zone["id"], "first_aisle": 1, "last_aisle": 2, "first_slot": 1, "last_slot": 3}
    added = lead.made("/v1/bays/range", {**asked, "last_level": 1, "code_form": "C{aisle}-{slot}-{level}"})
    assert (added["added"], added["first_code"], added["last_code"]) == (12, "C01-01-0", "C02-03-1")
    bay = lead.ok("GET", "/v1/bays")["items"][0]
    product = lead.made("/v1/products", product_body("A"))["id"]
    customer = lead.made("/v1/customers", {"code": "INN", "name": "Inn <room>"})["id"]
    lead.made(f"/v1/customers/{customer}/rules", {"product_id": product, "min_life_days": 20})
    window = {"opens_at": "06:30", "closes_at": "11:00"}
    lead.made(f"/v1/customers/{customer}/drops", {"code": "YARD", "name": "Yard", **window})
    vehicle = lead.made("/v1/vehicles", {"code": "T1", "name": "Truck <room>", "truck": TRUCK})["id"]
    api.as_("qa").made(f"/v1/products/{product}/profiles", PROFILE)
    return {
        "zone_id": zone["id"],
        "bay_id": bay["id"],
        "check_code": bay["check_code"],
        "product_id": product,
        "customer_id": customer,
        "vehicle_id": vehicle,
    }


def test_every_page_is_whole_and_forms_are_for_those_who_may(api: Api) -> None:
    made = furnished(api)
    for role in ("lead", "dispatcher", "qa", "picker"):
        signed_in(api, role)
        for path, editors in PAGES.items():
            answer = api.client.get(path.format(**made))
            assert answer.status_code == 200, path
            whole(answer.text)
            assert ("data-ask=" in answer.text) == (role in editors.split()), (role, path)
            # Whoever could look a check code up need not go to the bay.
            is_told = role == "lead" and path.startswith("/setup/bays")
            assert (f"<code>{made['check_code']}</code>" in answer.text) == is_told, (role, path)


def test_a_list_is_searched_and_continued(api: Api) -> None:
    lead = api.as_("lead")
    zone = lead.made("/v1/zones", {"code": "BIG", "name": "Big", "kind": "store", "planned_c": 2})["id"]
    asked = {"zone_id": zone, "first_aisle": 1, "last_aisle": 20, "first_slot": 1, "last_slot": 4}
    lead.made("/v1/bays/range", {**asked, "code_form": "C{aisle}-{slot}"})
    client = signed_in(api, "lead").client
    first = client.get("/setup/bays").text
    assert "80 found." in first
    assert "after=C13-02" in first
    second = client.get("/setup/bays?after=C13-02").text
    assert ">C13-03<" in second
    assert ">C13-02<" not in second
    found = client.get("/setup/bays?q=c20").text
    assert "4 found." in found
    assert ">C20-04<" in found
    assert "4 found." in client.get(f"/setup/bays?room={zone}&aisle=7").text


def test_bays_of_a_range_are_added_all_or_none(api: Api) -> None:
    lead = api.as_("lead")
    zone = lead.made("/v1/zones", {"code": "R", "name": "R", "kind": "store", "planned_c": 2})["id"]
    asked = {"zone_id": zone, "first_aisle": 1, "last_aisle": 1, "first_slot": 1, "last_slot": 4}
    lead.made("/v1/bays/range", {**asked, "code_form": "R{aisle}-{slot}"})
    for wrong, status in (
        ({**asked, "last_slot": 9, "code_form": "R{aisle}-{slot}"}, 409),  # codes there already
        ({**asked, "first_slot": 4, "last_slot": 9, "code_form": "S{slot}"}, 409),  # a bay stands in it
        ({**asked, "first_slot": 5, "last_slot": 9, "code_form": "S"}, 422),  # all would be called S
        ({**asked, "first_slot": 9, "last_slot": 5}, 422),
        ({**asked, "first_aisle": 2, "last_aisle": 900, "last_slot": 900}, 422),
    ):
        answer = lead.request("POST", "/v1/bays/range", json=wrong)
        assert answer.status_code == status, answer.text
    bays = lead.ok("GET", "/v1/bays")["items"]
    assert [bay["code"] for bay in bays] == [f"R01-{slot:02}" for slot in range(1, 5)]
    # Neighbours never share one: whoever stands at the wrong bay is noticed.
    assert len({bay["check_code"] for bay in bays}) == len(bays)


def bay_row(aisle: int, slot: int, level: int = 0, **changed: Any) -> BayRow:
    facts = {"id": 1, "zone_id": 1, "code": "B", "check_code": "1", "role": "bulk", "depth": 1}
    return BayRow(
        **{**facts, "aisle": aisle, "slot": slot, "level": level, "capacity_units": 4, "units": 0, **changed}
    )


def test_the_picture_leaves_room_for_cross_aisles_and_fills_bays_by_what_stands_there() -> None:
    bays = [bay_row(1, slot, units=units) for slot, units in ((1, 0), (2, 2), (3, 4), (4, 5))]
    drawn = room_picture([*bays, bay_row(2, 1, level=2)], [2], is_one_way=True)
    first, second = drawn.aisles
    (cross,) = drawn.crosses
    starts = [int(x) for x in re.findall(r"M(\d+) ", first.bulk)]
    assert [x < cross for x in starts] == [True, True, False, False]
    assert starts[2] - starts[1] == starts[1] - starts[0] + CROSS_WIDTH
    # Half of it and all of it; what is more than it holds is drawn apart.
    assert [int(high) for high in re.findall(r"v(\d+)", first.filled)] == [7, 14]
    assert first.over.count("M") == 1
    assert (first.is_backwards, second.is_backwards) == (False, True)
    assert second.y > first.y + first.height


def test_a_picture_never_shows_more_bays_than_it_can() -> None:
    rows = [AisleRow(number, 500, 0) for number in range(1, 8)]
    assert [[one.aisle for one in group] for group in windows(rows, 1200)] == [[1, 2], [3, 4], [5, 6], [7]]
    assert windows([AisleRow(1, 5000, 0)], 1200) == [[AisleRow(1, 5000, 0)]]
    assert windows([], 1200) == []


def test_a_vehicle_is_corrected_between_its_trips_without_losing_what_the_form_does_not_ask(
    api: Api,
) -> None:
    truck = {**TRUCK, "side_doors": [{"first_row": 0, "last_row": 1, "side": "left"}]}
    lead = api.as_("lead")
    made = lead.made("/v1/vehicles", {"code": "T1", "name": "One", "truck": truck})
    form = form_of(made["truck"], kind_of(made["truck"]))
    assert dict(form.kept)["side_doors"] == json.dumps(truck["side_doors"])
    said = {entry.path for group in form.groups for entry in group.entries if entry.value is not None}
    assert said | {path for path, _ in form.kept} | {"kind"} >= set(made["truck"]) - {"cold"}
    path = f"/v1/vehicles/{made['id']}"
    tag = lead.request("GET", path).headers["etag"]
    body = {"truck": {**made["truck"], "tail_lift_max_kg": 1500}, "reason": "lift fitted (invented)"}
    changed = lead.request("PATCH", path, json=body, headers={"If-Match": tag})
    assert changed.status_code == 200, changed.text
    assert changed.json()["truck"]["tail_lift_max_kg"] == 1500
    assert "unloading" not in changed.json()["missing"]
    assert lead.request("PATCH", path, json=body, headers={"If-Match": tag}).status_code == 412


@pytest.fixture
def open_server(tmp_path: Path) -> Iterator[tuple[Process, dict[str, str]]]:
    """A server of a store nobody has said anything of yet, with a lead and an admin."""
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    database = Database(load_settings(database_url=url, compute_workers=0))
    upgrade(database.engine)
    with database.transaction() as session:
        now = datetime.now(UTC)
        site, admin = open_new_site(
            session, now, code="ONE", name="One (invented)", time_zone="Europe/Prague"
        )
        _, lead = add_principal(
            session, now, site.id, kind=PrincipalKind.PERSON, name="N. Lead", roles=[Role.LEAD]
        )
    database.dispose()
    with serving(url, tmp_path, warm=True) as server:
        yield server, {"admin": admin, "lead": lead}


@pytest.mark.slow
def test_a_lead_fills_an_empty_store_and_two_who_edit_at_once_are_told(
    open_server: tuple[Process, dict[str, str]], browser: Browser
) -> None:
    server, tokens = open_server
    # A change that comes too late is an answer of 412, which the browser notes as an error.
    with (
        visiting(browser, server.url, viewport=PHONE, expect_wrong=True) as lead,
        visiting(browser, server.url) as other,
    ):
        lead.sign_in(tokens["lead"])
        page = lead.open("/setup/zones")
        page.get_by_label("Name", exact=True).fill("Cold room")
        page.get_by_label("Code, as on the labels").fill("COLD")
        page.get_by_label("Temperature it is meant to hold, °C").fill("2,5")
        page.get_by_role("button", name="Add the zone").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Cold room")
        expect(page.locator(".facts").first).to_contain_text("2.5 °C")

        page.get_by_label("Last aisle").fill("2")
        page.get_by_label("Last slot").fill("6")
        page.get_by_label("Last level").fill("1")
        page.get_by_label("What they are for").select_option("pick")
        page.get_by_role("button", name="Add the bays").click()
        picture = page.locator("svg.aisles")
        expect(picture).to_be_visible()
        # Two aisles of six slots and two levels, all to pick from.
        drawn = [path.get_attribute("d") for path in picture.locator("path.pick").all()]
        assert [path.count("M") for path in drawn] == [12, 12]
        lead.assert_accessible()

        page = lead.open("/setup/products")
        said = {"SKU": "ALE", "Name": "Ale (invented)", "Alcohol, % vol": "5", "Cases in a layer": "8"}
        said |= {"A full case, tray or keg weighs, kg": "18.5", "Layers on a pallet": "6"}
        said |= {"The empty pallet weighs, kg": "25", "Coldest, °C": "0", "Warmest, °C": "8"}
        for label, value in said.items():
            page.get_by_label(label, exact=True).fill(value)
        page.get_by_role("button", name="Add the product").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Ale (invented)")
        lead.assert_accessible()

        other.sign_in(tokens["admin"])
        theirs = other.open(page.url.removeprefix(server.url))
        theirs.get_by_label("Name", exact=True).fill("Pale ale (invented)")
        theirs.get_by_label("The empty pallet weighs, kg").fill("23")
        theirs.get_by_label("Why it changes").fill("new pallets (invented)")
        theirs.get_by_role("button", name="Save").click()
        expect(theirs.get_by_role("heading", level=1)).to_have_text("Pale ale (invented)")

        page.get_by_label("Name", exact=True).fill("Dark ale (invented)")
        page.get_by_label("Cases in a layer").fill("9")
        page.get_by_label("Why it changes").fill("seen on the line (invented)")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("alert")).to_contain_text("Somebody else changed this")
        page.get_by_role("button", name="Show what they changed").click()
        expect(page.locator(".theirs")).to_have_text(re.compile("stored: Pale ale"))
        # What only one of the two touched is both's; what both touched is asked about.
        expect(page.get_by_label("The empty pallet weighs, kg")).to_have_value("23")
        expect(page.get_by_label("Cases in a layer")).to_have_value("9")
        expect(page.get_by_label("Name", exact=True)).to_have_value("Dark ale (invented)")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Dark ale (invented)")
        with server.client(tokens["lead"]) as client:
            stored = client.get("/v1/products")["items"][0]
        assert (stored["name"], stored["pallet_tare_kg"], stored["cases_per_layer"]) == (
            "Dark ale (invented)",
            23,
            9,
        )
