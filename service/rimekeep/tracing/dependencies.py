"""In which form a trace is asked for."""

from enum import StrEnum
from typing import Annotated, Any

from fastapi import Depends, Query, Request


class Form(StrEnum):
    """How an answer is written."""

    JSON = "json"
    CSV = "csv"
    SVG = "svg"


MEDIA = {Form.JSON: "application/json", Form.CSV: "text/csv", Form.SVG: "image/svg+xml"}
FORMS: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The flow of the cases: as JSON, as a table of its edges, or as a picture.",
        "content": {MEDIA[form]: {"schema": {"type": "string"}} for form in (Form.CSV, Form.SVG)},
    }
}


def asked_form(
    request: Request,
    form: Annotated[
        Form | None, Query(alias="format", description="Instead of the Accept header, for a link.")
    ] = None,
) -> Form:
    """Return the form named, or else the first one that the Accept header names."""
    if form is not None:
        return form
    media = [part.split(";")[0].strip().lower() for part in request.headers.get("accept", "").split(",")]
    known = {name: form for form, name in MEDIA.items()}
    return next((known[name] for name in media if name in known), Form.JSON)


FormDep = Annotated[Form, Depends(asked_form)]
