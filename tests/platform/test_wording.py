"""Sentences that can be said again in another language: values, plural forms, what was kept as text."""

from __future__ import annotations

import copy
import json
import pickle
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import Request

from builders.api import Api
from rimekeep.errors import missing, refused
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.words import rule_words
from rimekeep.platform.language import locale_of, told
from rimekeep.wording import Said, counted, glued, lowered, packed, say, unpacked

GERMAN = "de-DE"


def test_a_sentence_is_its_english_text_to_everybody_else() -> None:
    said = say(
        "{what} is {state} by QA: {briefly}.", what=say("Lot {lot}", lot="L1"), state="held", briefly="seal"
    )
    assert said == "Lot L1 is held by QA: seal."
    assert json.loads(json.dumps(said)) == said
    assert told(said, "en-GB") == said
    assert told(said, GERMAN) == "Charge L1 ist von der QS gesperrt: seal."
    assert told("A note somebody wrote", GERMAN) == "A note somebody wrote"


def test_numbers_and_days_are_written_as_the_language_does() -> None:
    # Decimal comma and day.month.year: DIN 5008, from memory.
    assert told(
        say("{air_c} °C is outside {low_c:g} to {high_c:g} °C.", air_c=91.5, low_c=-60.0, high_c=80.0), GERMAN
    ) == ("91,5 °C liegt außerhalb von -60 bis 80 °C.")
    assert told(say("{packaged_on} is in the future.", packaged_on=date(2026, 3, 1)), GERMAN) == (
        "01.03.2026 liegt in der Zukunft."
    )


@pytest.mark.parametrize(("n", "german"), [(0, "Noch 0 Halte."), (1, "Noch 1 Halt."), (2, "Noch 2 Halte.")])
def test_one_and_many_are_told_apart(n: int, german: str) -> None:
    assert told(counted("{n} stop left.", "{n} stops left.", n=n), GERMAN) == german


@pytest.mark.parametrize("way", [copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))])
def test_a_sentence_is_whole_after_a_copy_and_in_another_process(way: Any) -> None:
    said = glued(
        say("The rest is at stop {stops}.", stops="7"), counted("{n} stop left.", "{n} stops left.", n=1)
    )
    assert told(way(said), GERMAN) == told(said, GERMAN) == "Der Rest ist an Halt 7. Noch 1 Halt."


def test_what_is_stored_with_its_values_is_told_in_each_language() -> None:
    kept = {
        "line": say("{until} lies before {today}.", until=date(2026, 3, 1), today=date(2026, 3, 2)),
        "cases": 3,
    }
    back = unpacked(json.loads(json.dumps(packed(kept))))
    assert back == kept
    assert told(back["line"], GERMAN) == "01.03.2026 liegt vor 02.03.2026."


def test_what_was_kept_as_text_is_known_again() -> None:
    """So stored sentences, older than this too, are told in the reader's language."""
    kept = str(glued(say("Leave pallet {end}: lot {lot} {why}.", end="123456", lot="L1", why=say("is on hold")),
                     say("Take stop {stops} instead.", stops="7")))  # fmt: skip
    assert kept == "Leave pallet 123456: lot L1 is on hold. Take stop 7 instead."
    assert (
        told(kept, GERMAN)
        == "Palette 123456 stehen lassen: Charge L1 ist gesperrt. Stattdessen Halt 7 nehmen."
    )


@given(st.text(max_size=60))
def test_any_text_stays_whole_or_becomes_a_sentence(text: str) -> None:
    assert told(text, "en-US") == text
    assert told(say("Lot {lot}", lot=text), GERMAN) == f"Charge {text}"


@pytest.mark.parametrize("again", [": ", " of ", "Trip 1: ", "No. ", "Leave pallet 1: lot 2 ", "{n} "])
def test_whatever_anybody_typed_is_read_in_no_time(again: str) -> None:
    """Such a text may fit many templates in very many ways; trying them all would never end."""
    text = again * 20_000
    assert len(told(text, GERMAN)) >= len(text) / 2


def test_after_a_colon_german_goes_on_as_it_does() -> None:
    assert lowered(say("The stock is on hold.")) == "the stock is on hold."
    assert told(lowered(say("The stock is on hold.")), GERMAN) == "Der Bestand ist gesperrt."


def test_errors_carry_their_sentences() -> None:
    error = refused("unknown-unit", "scan", say("It names no pallet."), say("Scan the pallet's label."))
    assert str(error.detail) == "It names no pallet. Scan the pallet's label."
    assert told(error.detail, GERMAN) == "Es nennt keine Palette. Das Etikett der Palette scannen."
    assert isinstance(missing("pick list", 7).detail, Said)
    assert told(missing("pick list", 7).detail, GERMAN) == "Pickliste 7 gibt es an diesem Standort nicht."


@pytest.mark.parametrize(
    ("asked", "cookie", "locale"),
    [
        ("", "", "en-GB"),
        ("de", "", "de-DE"),
        ("fr, de-AT;q=0.7, en;q=0.3", "", "de-DE"),
        ("de;q=0.2, en-US", "", "en-US"),
        ("de;q=0, en", "", "en-GB"),
        ("de;q=x", "", "en-GB"),
        ("*", "", "en-GB"),
        ("de", "en-US.metric", "en-US"),
        ("en", "de-DE.us", "de-DE"),
        ("de", "xx", "de-DE"),
    ],
)
def test_the_language_chosen_comes_before_the_one_asked_for(asked: str, cookie: str, locale: str) -> None:
    """RFC 9110, 12.5.4: weights order what is asked for, and 0 is not acceptable."""
    headers = [(b"accept-language", asked.encode()), (b"cookie", f"rimekeep_view={cookie}".encode())]
    assert locale_of(Request({"type": "http", "headers": headers})) == locale


def test_a_problem_is_worded_in_the_language_asked_for(api: Api) -> None:
    found = api.request("GET", "/v1/lots/77", headers={"Accept-Language": "de"})
    assert found.headers["content-language"] == "de-DE"
    problem = found.json()
    assert problem["type"] == "/problems/lot-not-found"
    assert problem["detail"] == "Charge 77 gibt es an diesem Standort nicht."
    plain = api.request("GET", "/v1/lots/77")
    assert plain.json()["detail"] == "There is no lot 77 at this site."


def test_what_a_checked_body_lacks_is_worded_too(api: Api) -> None:
    body = {"code": "C1", "min_life_days": -1, "name": 7}
    found = api.request("POST", "/v1/customers", json=body, headers={"Accept-Language": "de"})
    assert found.status_code == 422, found.text
    faults = {one["field"]: (one["detail"], one["mend"]) for one in found.json()["errors"]}
    assert faults["min_life_days"] == ("Der Wert muss mindestens 0 sein", "Angeben: mindestens 0.")
    assert faults["name"][0] == "Der Wert muss ein Text sein"


def test_a_refused_file_is_told_in_the_readers_language(api: Api) -> None:
    data = b"code;name;kind;planned_c\nA;Room A;store;cold\n"
    found = api.as_("lead").request(
        "POST",
        "/v1/imports/zones",
        content=data,
        headers={"Accept-Language": "de", "Content-Type": "text/csv"},
    )
    assert found.status_code == 422, found.text
    assert found.json()["errors"][0]["detail"] == "'cold' ist keine Zahl."


def test_a_rule_for_the_cold_is_told_whole() -> None:
    words = rule_words(Rule(side="above", limit_c=6.5, kind="single", allowed_s=3600))
    assert words == "Air at 6.5 °C or above for 1 h without a break."
    assert told(words, GERMAN) == "Luft bei 6,5 °C oder über, für 1 h ohne Unterbrechung."
