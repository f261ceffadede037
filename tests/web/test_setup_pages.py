"""Setting the store up, for people: what is shown to whom, and what two who edit at once are told."""

from typing import Any

import html5lib
import pytest

from builders.api import Api


def signed_in(api: Api, role: str) -> Api:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    return api


PAGES = ("/setup", "/setup/zones", "/setup/bays", "/setup/zones/{zone_id}", "/setup/bays/{bay_id}")


def whole(page: str) -> None:
    html5lib.HTMLParser(strict=True).parse(page)
    assert "style=" not in page
    assert "<room>" not in page


@pytest.mark.parametrize("path", ["/setup", "/setup/zones", "/setup/bays"])
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
    return {"zone_id": zone["id"], "bay_id": bay["id"], "check_code": bay["check_code"]}


def test_every_page_is_whole_and_forms_are_for_those_who_may(api: Api) -> None:
    made = furnished(api)
    for role in ("lead", "picker"):
        signed_in(api, role)
        for path in PAGES:
            answer = api.client.get(path.format(**made))
            assert answer.status_code == 200, path
            whole(answer.text)
            assert ("data-ask=" in answer.text) == (role == "lead" and path not in ("/setup", "/setup/bays"))
            # Whoever could look a check code up need not go to the bay.
            assert (f"<code>{made['check_code']}</code>" in answer.text) == (
                role == "lead" and path.startswith("/setup/bays")
            )
