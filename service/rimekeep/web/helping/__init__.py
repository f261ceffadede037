"""Help: a page per task, the words, the model explained, the cautions; in every language of the pages."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from rimekeep.errors import missing
from rimekeep.web.helping.picture import warm_spell
from rimekeep.web.rendering import render
from rimekeep.web.signed import SignedIn
from rimekeep.web.view import view_of

# In the order a newcomer needs them; each is a template per language.
TOPICS = (
    "first-day",
    "first-out",
    "picking",
    "counting",
    "loading",
    "cold",
    "life",
    "trace",
    "words",
    "cautions",
)
LANGUAGES = ("en", "de")

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get("/help")
def show_topics(request: Request, caller: SignedIn) -> HTMLResponse:
    """Show what there is help for."""
    return render(request, "help/topics.html", {"caller": caller, "topics": TOPICS})


@router.get("/help/{topic}")
def show_topic(request: Request, caller: SignedIn, topic: str) -> HTMLResponse:
    """Show one topic."""
    if topic not in TOPICS:
        raise missing("help page", topic)
    language = view_of(request).locale.partition("-")[0]
    spell = warm_spell() if topic == "life" else None
    context = {"caller": caller, "topics": TOPICS, "topic": topic, "spell": spell}
    return render(request, f"help/{language}/{topic}.html", context)
