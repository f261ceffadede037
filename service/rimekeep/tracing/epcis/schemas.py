"""Requests and responses about EPCIS; EPCIS documents themselves are read and written by the core."""

from typing import Any

from pydantic import Field

from rimekeep.platform.schemas import Body, Instant, View
from rimekeep.tracing.epcis.core.asked import KNOWN
from rimekeep.tracing.epcis.core.checking import STANDARD_CONTEXT


class SpeakingOut(View):
    """How the site speaks EPCIS."""

    gln: str | None = Field(description="Its Global Location Number; places are then named as SGLN.")
    with_urns: bool = Field(description="Names as EPC URNs, where the query does not ask for a form.")


class SpeakingIn(Body):
    """What is to change about how the site speaks EPCIS."""

    gln: str | None = Field(None, max_length=13, examples=["9521234000013"])
    with_urns: bool = False


class CaptureErrorOut(View):
    """What is wrong with one event of a document."""

    event: int | None = Field(description="Its place in the eventList, from 0; null: the whole document.")
    event_id: str | None
    code: str
    detail: str
    faults: list[dict[str, str]] = Field(description="Field, detail and mend of each.")


class CaptureOut(View):
    """A capture job; the first six fields are the standard's."""

    captureID: str  # noqa: N815 - the standard's name
    createdAt: Instant  # noqa: N815
    finishedAt: Instant | None  # noqa: N815
    running: bool
    success: bool
    captureErrorBehaviour: str  # noqa: N815
    events: int = Field(description="Events in the document.")
    stored: int = Field(description="Events that are on record now, and were not before.")
    repeated: int = Field(description="Events that were there already, word for word.")
    errors: list[CaptureErrorOut]


EVENT_EXAMPLE: dict[str, Any] = {
    "type": "ObjectEvent",
    "eventID": "urn:uuid:6f2b8c1e-8a54-4c1f-9e63-0c8f7f2d4b11",
    "eventTime": "2026-03-16T05:50:00Z",
    "eventTimeZoneOffset": "+01:00",
    "epcList": ["https://id.gs1.org/00/095212340000000013"],
    "action": "OBSERVE",
    "bizStep": "receiving",
    "disposition": "in_progress",
    "readPoint": {"id": "urn:epc:id:sgln:9521234.00002.0"},
}
DOCUMENT_EXAMPLE: dict[str, Any] = {
    "@context": [STANDARD_CONTEXT],
    "type": "EPCISDocument",
    "schemaVersion": "2.0",
    "creationDate": "2026-03-16T06:00:00Z",
    "epcisBody": {"eventList": [EVENT_EXAMPLE]},
}
# The bodies are read by hand: one bad event must not cost its neighbours.
CAPTURE_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            kind: {"schema": {"type": "object", "required": ["type"]}, "example": DOCUMENT_EXAMPLE}
            for kind in ("application/json", "application/ld+json")
        },
    }
}
EVENTS_ANSWER: dict[str, Any] = {
    "content": {"application/ld+json": {"schema": {"type": "object"}}},
    "description": "An EPCISQueryDocument; the next page stands in the Link header.",
}
EXPORT_ANSWER: dict[str, Any] = {
    "content": {"application/ld+json": {"schema": {"type": "object"}}},
    "description": "An EPCISDocument, written while it is read.",
}
QUERY_PARAMETERS: dict[str, Any] = {
    "parameters": [
        {
            "name": name,
            "in": "query",
            "required": False,
            "schema": {"type": "integer"} if name == "perPage" else {"type": "string"},
        }
        for name in KNOWN
    ]
}
