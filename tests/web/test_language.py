"""The second language is whole: every text of the pages has its words, and they say as much as the English ones."""

import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.extract import extract
from babel.messages.pofile import read_po

import rimekeep.web
from builders.api import Api
from builders.wordings import STATES, plurals, templates
from rimekeep.excursions.core.words import CAUTIONS
from rimekeep.loading.core.states import PlanState
from rimekeep.orders.core.states import OrderState
from rimekeep.platform.language import LOCALE as SERVICE
from rimekeep.tracing.recall.core.states import CustomerState, Ending, Place, RecallState, Way
from rimekeep.web.language import LOCALE, words_of
from rimekeep.web.view import View

WEB = Path(rimekeep.web.__file__).parent
# Shown through gettext as they are stored.
STORED = [*OrderState, *PlanState, *RecallState, *CustomerState, *Place, *Way, *Ending, *CAUTIONS]
# Quoting signs of Python's and of the scripts' placeholders.
PLACEHOLDER = re.compile(r"%\(\w+\)s|\{\w+\}")


def texts() -> Iterator[str | tuple[str, ...]]:
    """Every text marked in the package's templates and modules."""
    for file in sorted(WEB.rglob("*")):
        method = {".html": "jinja2.ext:babel_extract", ".py": "python"}.get(file.suffix)
        if method:
            options = {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}
            found = extract(method, BytesIO(file.read_bytes()), options=options)
            yield from (message for _, message, _, _ in found if message)
    yield from map(str, STORED)


def catalogue(folder: Path = LOCALE) -> dict[str, tuple[str, ...]]:
    with (folder / "de.po").open("rb") as source:
        read = read_po(source, locale="de", abort_invalid=True)
    return {
        (one.id if isinstance(one.id, str) else one.id[0]): (
            (one.string,) if isinstance(one.string, str) else tuple(one.string)
        )
        for one in read
        if one.id and not one.fuzzy
    }


def test_every_text_has_german_words() -> None:
    known = catalogue()
    missing = {
        text[0] if isinstance(text, tuple) else text
        for text in texts()
        if not all(known.get(text[0] if isinstance(text, tuple) else text, ("",)))
    }
    assert not missing, sorted(missing)


def test_no_words_are_left_of_texts_that_are_gone() -> None:
    asked = {text[0] if isinstance(text, tuple) else text for text in texts()}
    assert not set(catalogue()) - asked


def test_the_words_keep_every_placeholder() -> None:
    for english, german in catalogue().items():
        for form in german:
            assert sorted(PLACEHOLDER.findall(form)) == sorted(PLACEHOLDER.findall(english)), english


def test_every_sentence_of_the_service_has_german_words() -> None:
    known = catalogue(SERVICE)
    asked = {*templates(), *map(str, STATES)}
    missing = {text for text in asked - set(plurals().values()) if not all(known.get(text, ("",)))}
    assert not missing, sorted(missing)
    assert not set(known) - asked, "no words are left of sentences that are gone"


def test_the_sentences_keep_every_value() -> None:
    def values(template: str) -> list[object]:
        return sorted(
            (name, shape or "", how or "") for _, name, shape, how in Formatter().parse(template) if name
        )

    many = plurals()
    for english, german in catalogue(SERVICE).items():
        assert [values(form) for form in german] == [values(english)] * len(german), english
        assert (len(german) == 2) == (english in many), english


def test_the_catalogue_is_used() -> None:
    assert words_of("de").gettext("Sign out") == "Abmelden"
    assert words_of("de").ngettext("%(num)s drop", "%(num)s drops", 2) == "%(num)s Stopps"
    assert words_of("en").gettext("Sign out") == "Sign out"


@pytest.mark.parametrize("path", ["/", "/loads", "/cold", "/trace", "/setup", "/help", "/view", "/pick"])
def test_a_german_page_holds_no_english_frame(api: Api, path: str) -> None:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["lead"]})
    api.client.cookies.set("rimekeep_view", View("de-DE").cookie)
    page = api.client.get(path).text
    assert '<html lang="de-DE">' in page
    for english in ("Sign out", "Today<", "Loads<", "To the content"):
        assert english not in page
