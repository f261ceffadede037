"""The pages in other languages: the gettext catalogue of their own texts."""

from gettext import NullTranslations
from pathlib import Path

from rimekeep.platform.language import catalogue

LOCALE = Path(__file__).parent / "locale"


def words_of(language: str) -> NullTranslations:
    """Return the catalogue of a language ("de"); English needs none."""
    return catalogue(LOCALE, language)
