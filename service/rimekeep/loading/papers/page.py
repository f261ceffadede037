"""The papers as pages to print; without script."""

from collections.abc import Sequence

from jinja2 import pass_context
from jinja2.runtime import Context

from rimekeep.loading.core.papers import Head, LoadingPaper, Note
from rimekeep.loading.papers.frame import in_own_words
from rimekeep.loading.papers.notes import TO_FILL_IN, in_all
from rimekeep.loading.papers.sheet import DECK_LEGEND, EXPECTED, weight_words
from rimekeep.platform.language import speech
from rimekeep.platform.pages import print_policy, templates_of
from rimekeep.wording import say


@pass_context
def _said(_context: Context, words: str) -> str:
    """Say words in the reader's language: with the context, so that no first answer is kept for all."""
    return speech().say(words)


_templates = templates_of("rimekeep.loading")
# What the service words is printed in the language of whoever asks; what it keeps as text is known again.
_templates.finalize = in_own_words
_templates.filters.update(said=_said)
_templates.globals.update(say=say, language=lambda: speech().language, in_all=in_all, weight=weight_words)
_STYLE = _templates.get_template("papers.css").render()
# The pages carry their own style, so that a saved copy prints as it should; nothing else may load or run.
POLICY = print_policy(_STYLE)


def sheet_page(paper: LoadingPaper) -> str:
    """Return the loading sheet as a page."""
    return _templates.get_template("sheet.html").render(
        paper=paper, head=paper.head, legend=DECK_LEGEND, expected=EXPECTED, style=_STYLE
    )


def notes_page(head: Head, notes: Sequence[Note]) -> str:
    """Return a trip's delivery notes as one page, each beginning on a sheet of its own when printed."""
    return _templates.get_template("notes.html").render(
        head=head, notes=notes, blanks=TO_FILL_IN, style=_STYLE
    )
