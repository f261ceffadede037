"""The language of whoever asks, and the service's own sentences said in it."""

from collections.abc import Callable
from contextvars import ContextVar
from functools import cache, cached_property, lru_cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path
from typing import Annotated, Any, Final

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from pydantic import BeforeValidator
from starlette.requests import HTTPConnection

from rimekeep import wording

VIEW_COOKIE: Final = "rimekeep_view"
# By locale: how it names itself.
LANGUAGES: Final = {
    "en-GB": "English (24 h, day first)",
    "en-US": "English (12 h, month first)",
    "de-DE": "Deutsch",
}
ENGLISH: Final = "en-GB"
LOCALE = Path(__file__).parent / "locale"
# How a language writes values; the others as English does.
_FORMS: dict[str, Callable[[object, str], str]] = {"de": wording.decimal_comma}


@cache
def catalogue(folder: Path, language: str) -> NullTranslations:
    """Return the catalogue of a language ("de") in a folder, read from its source; English needs none."""
    source = folder / f"{language}.po"
    if not source.exists():
        return NullTranslations()
    compiled = BytesIO()
    with source.open("rb") as text:
        write_mo(compiled, read_po(text, locale=language))
    compiled.seek(0)
    return GNUTranslations(compiled)


def locale_of(request: HTTPConnection) -> str:
    """Return the locale chosen in this browser, else the one best liked of those asked for, else English."""
    locale = request.cookies.get(VIEW_COOKIE, "").partition(".")[0]
    if locale in LANGUAGES:
        return locale
    for code in _asked(request.headers.get("accept-language", "")):
        for known in LANGUAGES:
            if code == known.lower():
                return known
        for known in LANGUAGES:
            if code.partition("-")[0] == known.partition("-")[0]:
                return known
    return ENGLISH


def _asked(header: str) -> list[str]:
    """Return the languages of an Accept-Language header (RFC 9110), the best liked first."""
    liked = []
    for part in header.split(","):
        code, _, weight = part.partition(";")
        try:
            share = float(weight.strip().removeprefix("q=") or 1)
        except ValueError:
            continue
        if share > 0:
            liked.append((-share, code.strip().lower()))
    return [code for _, code in sorted(liked, key=lambda one: one[0])]


class Speech:
    """In which language a request is answered, and whether anything was said in it."""

    def __init__(self, request: HTTPConnection | None = None) -> None:
        """Answer ``request``; whoever asks nothing is answered in English."""
        self._request = request
        self.is_used = False

    @cached_property
    def locale(self) -> str:
        """Return the reader's locale."""
        return ENGLISH if self._request is None else locale_of(self._request)

    @property
    def language(self) -> str:
        """Return the language alone, as documents name theirs."""
        return self.locale.partition("-")[0]

    def say(self, text: str) -> str:
        """Return a sentence of the service's, fresh or kept as text, in this language."""
        self.is_used = True
        return told(text, self.locale)


_speech: ContextVar[Speech] = ContextVar("speech")


def listen(request: HTTPConnection) -> Speech:
    """Answer a request in its language from here on."""
    speech = Speech(request)
    _speech.set(speech)
    return speech


def speech() -> Speech:
    """Return how the request under way is answered; outside of any, in English."""
    return _speech.get(Speech())


def told(text: str, locale: str) -> str:
    """Return a sentence in the language of a locale."""
    language = locale.partition("-")[0]
    if language == "en":
        return str(text)
    words = catalogue(LOCALE, language)
    return wording.spoken(_known(text, language), words, _FORMS.get(language, format))


def _known(text: str, language: str) -> str:
    return text if isinstance(text, wording.Said) else _reread(text, language)


@lru_cache(maxsize=4096)
def _reread(text: str, language: str) -> str:
    """Return what was kept as a text as a sentence again, if it is one of the service's."""
    return _sentences(language).known(text)


@cache
def _sentences(language: str) -> wording.Sentences:
    with (LOCALE / f"{language}.po").open("rb") as source:
        known = [one.id if isinstance(one.id, str) else one.id[0] for one in read_po(source) if one.id]
    return wording.Sentences(known)


def told_all(value: Any) -> Any:
    """Return ``value`` with every sentence in it that is still fresh said in the reader's language."""
    fresh = speech()
    return wording.each(value, lambda text: fresh.say(text) if isinstance(text, wording.Said) else text)


# Of answers: a sentence is said in the language of whoever asked as the answer is made.
Worded = Annotated[str, BeforeValidator(lambda text: speech().say(text) if isinstance(text, str) else text)]
