"""The pages in other languages: gettext catalogues, read once from the sources that ship with the package."""

from functools import cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

LOCALE = Path(__file__).parent / "locale"


@cache
def words_of(language: str) -> NullTranslations:
    """Return the catalogue of a language ("de"); English needs none."""
    source = LOCALE / f"{language}.po"
    if not source.exists():
        return NullTranslations()
    compiled = BytesIO()
    with source.open("rb") as catalogue:
        write_mo(compiled, read_po(catalogue, locale=language))
    compiled.seek(0)
    return GNUTranslations(compiled)
