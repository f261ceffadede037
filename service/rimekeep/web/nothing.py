"""A page, not a document for programs, for whoever follows a link to what is not there."""

from collections.abc import Awaitable, Callable
from http import HTTPStatus
from typing import cast

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from rimekeep.errors import Missing, RimekeepError
from rimekeep.web.rendering import render

Handler = Callable[[Request, Exception], Awaitable[Response]]
FOR_PROGRAMS = ("/v1/", "/static/", "/openapi.json")


def is_page(request: Request) -> bool:
    """Tell whether a person's browser asks for a page."""
    wants = request.headers.get("accept", "")
    return request.method == "GET" and "text/html" in wants and not request.url.path.startswith(FOR_PROGRAMS)


def install_nothing(app: FastAPI) -> None:
    """Answer people with a page where they ask for something that is not there; all else stays as it is."""
    known = app.exception_handlers

    def otherwise(kind: type[Exception]) -> None:
        before = cast(Handler, known[RimekeepError if issubclass(kind, RimekeepError) else kind])

        async def tell(request: Request, error: Exception) -> Response:
            is_absent = not isinstance(error, HTTPException) or error.status_code == HTTPStatus.NOT_FOUND
            if not (is_absent and is_page(request)):
                return await before(request, error)
            words = error.detail if isinstance(error, Missing) else ""
            return render(request, "nothing.html", {"words": words}, HTTPStatus.NOT_FOUND)

        app.add_exception_handler(kind, tell)

    for kind in (Missing, RequestValidationError, HTTPException):
        otherwise(kind)
