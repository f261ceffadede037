"""Reasons lead to what to change by what they carry, in every language and after they were kept."""

from __future__ import annotations

import html5lib
import pytest

from builders.api import Api
from builders.grounds import Clock
from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.loading.core.about import OF_RULES, About, about_of
from rimekeep.loading.core.explain import Explanation, rules_of
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request
from rimekeep.platform.database import Database
from rimekeep.web.loads.leads import lead_of
from rimekeep.web.view import View
from rimekeep.wording import glued, packed, say, unpacked

BASIC = few(instance("deck_s1_basic"))


def reasons(**changes: object) -> tuple[str, ...]:
    found = plan_loads(load_request(BASIC | changes))
    assert found.status == "infeasible"
    return found.reasons


def test_why_a_day_cannot_be_loaded_says_what_it_is_about() -> None:
    heavy = [one | {"weight_kg": 90_000} for one in BASIC["pallets"]]
    assert about_of(reasons(pallets=heavy)[0]) == About.VEHICLES
    many = [BASIC["pallets"][0] | {"id": f"P{k}"} for k in range(30)]
    one_truck = BASIC["truck"] | {"available": 1}
    few_places = reasons(pallets=many, truck=one_truck)
    assert about_of(few_places[0]) == About.TRIPS
    # What would help says it too.
    assert {about_of(one) for one in few_places} <= set(About)


@pytest.mark.parametrize("way", [lambda text: text, lambda text: unpacked(packed(text))])
def test_it_is_known_in_parts_and_after_it_was_kept(way: object) -> None:
    reason = glued(say("temperature: {a} and {b}", a=1, b=2, about=About.VEHICLES), say("so it is"), by="; ")
    assert str(reason) == "temperature: 1 and 2; so it is"
    assert about_of(way(reason)) == About.VEHICLES  # type: ignore[operator]
    assert about_of("a text nobody made by say") is None
    assert lead_of("a text nobody made by say").address == "#plan"


def test_rules_that_clash_lead_to_what_eases_them() -> None:
    rules = rules_of(load_request(BASIC))
    assert set(OF_RULES) & set(rules)
    for rule in ("stops", "fleet", "drive"):
        told = Explanation((rule,), is_clash=True, is_smallest=True, changes=()).words[0]
        assert about_of(told) == OF_RULES.get(rule, About.VEHICLES)


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_the_days_page_leads_on_in_both_languages(
    api: Api, database: Database, clock: Clock, locale: str
) -> None:
    day = make_day(api, database, clock.now, BASIC)
    register_fleet(api, BASIC, 1)
    body = {"ship_on": DAY.isoformat(), "drops": day.drops, "max_stops_per_trip": 1}
    plan = api.as_("dispatcher").made("/v1/load-plans", body)
    assert plan["status"] == "infeasible"
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["dispatcher"]})
    api.client.cookies.set("rimekeep_view", View(locale).cookie)
    page = api.client.get(f"/loads?on={DAY.isoformat()}").text
    html5lib.HTMLParser(strict=True).parse(page)
    assert '<a href="#plan-stops">' in page
