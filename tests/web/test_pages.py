"""The pages: who may see them, what they say, and that a browser is told to trust nothing else."""

import re

import html5lib
import pytest
from httpx2 import Response

from builders.api import Api
from builders.grounds import Clock
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.picking.tables import WasteTold
from rimekeep.platform.database import Database
from rimekeep.shelflife.usecases import refresh_life
from rimekeep.web.view import View


def signed_in(api: Api, role: str) -> Response:
    """Sign in by the form, as a browser does, and return the first page."""
    api.client.cookies.clear()
    return api.client.post("/sign-in", data={"token": api.tokens[role]})


def parse_strictly(page: str) -> None:
    """HTML Living Standard's parser, as html5lib has it: any parse error raises."""
    html5lib.HTMLParser(strict=True).parse(page)


def test_without_signing_in_only_the_form_is_shown(api: Api) -> None:
    response = api.client.get("/")
    assert str(response.url).endswith("/sign-in")
    assert 'name="token"' in response.text
    parse_strictly(response.text)


def test_a_wrong_token_is_told_so_and_nothing_else(api: Api) -> None:
    response = api.client.post("/sign-in", data={"token": "rk_wrong<script>"})
    assert response.status_code == 401
    assert "not known here" in response.text
    assert "rk_wrong" not in response.text
    assert "set-cookie" not in response.headers


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(api: Api) -> None:
    response = api.client.post("/sign-in", data={"token": api.tokens["lead"]}, follow_redirects=False)
    cookies = response.headers.get_list("set-cookie")
    assert len(cookies) == 2
    for cookie in map(str.lower, cookies):
        assert "httponly" in cookie
        assert "samesite=lax" in cookie
        # On loopback there is no line to listen on; anywhere else it must be an encrypted one.
        assert "secure" not in cookie
        assert api.tokens["lead"].lower() not in cookie
    elsewhere = api.client.post(
        "http://cold.example.com/sign-in", data={"token": api.tokens["lead"]}, follow_redirects=False
    )
    assert all("; secure" in cookie.lower() for cookie in elsewhere.headers.get_list("set-cookie"))


def test_signing_out_ends_the_session(api: Api) -> None:
    page = signed_in(api, "lead").text
    csrf = re.search(r'name="csrf" value="(\w+)"', page)
    assert csrf is not None
    kept = api.client.cookies["rimekeep_session"]
    api.client.post("/sign-out", data={"csrf": csrf[1]})
    assert str(api.client.get("/").url).endswith("/sign-in")
    api.client.cookies.set("rimekeep_session", kept)
    assert str(api.client.get("/").url).endswith("/sign-in"), "a copied cookie outlives the session"


@pytest.mark.parametrize("role", ["lead", "qa", "dispatcher", "picker", "auditor", "admin"])
def test_everybody_at_the_store_may_look(api: Api, role: str) -> None:
    assert "Needs a decision" in signed_in(api, role).text


def test_a_gateway_has_no_page(api: Api) -> None:
    assert 'name="token"' in signed_in(api, "gateway").text


def test_an_empty_store_says_how_to_begin(api: Api) -> None:
    page = signed_in(api, "lead").text
    assert "The store is empty." in page
    assert "No orders ship today" in page
    parse_strictly(page)


def test_stock_is_shown_by_the_life_it_has_left(api: Api, database: Database, clock: Clock) -> None:
    lead = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, clock.now, lead, name="Lager <b>& bitter</b>")
        lot = make_lot(session, clock.now, lead, product)
        zone = make_zone(session, clock.now, lead, code="COLD", name="Cold room", planned_c=3.5)
        make_unit(session, clock.now, lead, lot, zone, cases=40)
        session.flush()
        refresh_life(session, clock.now, lead.site_id)
    page = signed_in(api, "lead").text
    # A name is text, whatever it holds.
    assert "Lager &lt;b&gt;&amp; bitter&lt;/b&gt;" in page
    assert re.search(r"40 cases, [\w ]+ days", page)
    assert "meant to be 3.5 °C" in page
    assert "no reading" in page
    parse_strictly(page)


@pytest.mark.parametrize("path", ["/", "/sign-in", "/docs"])
def test_pages_run_only_scripts_of_ours_and_load_nothing_from_elsewhere(api: Api, path: str) -> None:
    signed_in(api, "lead")
    response = api.client.get(path)
    policy = response.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    # No script stands in a page itself; each is a file of ours.
    assert all(text == "" for text in re.findall(r"<script[^>]*>(.*?)</script>", response.text, re.DOTALL))
    assert not re.search(r"\son\w+=", response.text)
    assert not re.search(r'(?:src|href)="(?:https?:)?//', response.text)
    assert "style=" not in response.text
    parse_strictly(response.text)


def test_the_documentation_lists_every_endpoint_with_its_roles(api: Api) -> None:
    page = api.client.get("/docs").text
    document = api.client.get("/openapi.json").json()
    for path in document["paths"]:
        assert f"<code>{path}</code>" in page
    assert "For admin, dispatcher, lead." in page


def test_a_link_to_what_is_not_there_leads_to_a_page_for_people_only(api: Api) -> None:
    signed_in(api, "lead")
    for path in ("/trace/lots/987654321", "/trace/lots/none", "/help/nothing", "/nowhere"):
        page = api.client.get(path, headers={"Accept": "text/html"})
        assert page.status_code == 404
        assert "There is nothing here" in page.text
        parse_strictly(page.text)
    problem = api.client.get("/v1/lots/987654321", headers={"Accept": "text/html"})
    assert problem.headers["content-type"].startswith("application/problem+json")


def test_the_lead_sees_what_will_not_sell_in_time_and_what_is_to_be_counted(
    api: Api, database: Database, clock: Clock
) -> None:
    lead = api.callers["lead"]
    with database.transaction() as session:
        product = make_product(session, clock.now, lead)
        zone = make_zone(session, clock.now, lead, code="COLD", name="Cold room", planned_c=3.5)
        here, gone = (make_lot(session, clock.now, lead, product, code=code) for code in ("STAYS", "LEFT"))
        make_unit(session, clock.now, lead, here, zone, cases=40)
        session.flush()
        for lot in (here, gone):
            session.add(WasteTold(lot_id=lot.id, site_id=lead.site_id, cases=25, told_at=clock.now))
    page = signed_in(api, "lead").text
    assert f'<a href="/trace/lots/{here.id}">STAYS</a>' in page
    assert "LEFT" not in page
    assert "0 places to count; 0 differences wait for the lead" in page
    parse_strictly(page)


def test_the_day_is_told_in_the_readers_units(api: Api, database: Database, clock: Clock) -> None:
    lead = api.callers["lead"]
    with database.transaction() as session:
        make_zone(session, clock.now, lead, code="COLD", name="Cold room", planned_c=5)
    signed_in(api, "lead")
    api.client.cookies.set("rimekeep_view", View("en-US", "us").cookie)
    page = api.client.get("/").text
    assert "meant to be 41.0 °F" in page
    assert "°C" not in page
