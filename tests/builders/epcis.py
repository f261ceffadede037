"""EPCIS documents, invented; and the standard's own JSON schema, where a copy is at hand."""

from __future__ import annotations

import json
import os
from copy import deepcopy
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from jsonschema import Draft7Validator, FormatChecker

from builders.checks import records
from rimekeep.tracing.epcis.schemas import DOCUMENT_EXAMPLE, EVENT_EXAMPLE

# A folder with the schema and example documents of the standard's repository (see fixtures/checks/SOURCE.md); they
# carry no licence to be published here.
FOLDER = "RIMEKEEP_EPCIS_CHECKS"
SCHEMA = "EPCIS-JSON-Schema.json"

_formats = FormatChecker(())


@_formats.checks("uri", ValueError)
def _is_uri(value: object) -> bool:
    return not isinstance(value, str) or bool(urlsplit(value).scheme)


@_formats.checks("date-time", ValueError)
def _is_instant(value: object) -> bool:
    return not isinstance(value, str) or datetime.fromisoformat(value).tzinfo is not None


def standard_files() -> Path:
    """The folder of the standard's own files; the test is skipped where there is none."""
    named = os.environ.get(FOLDER)
    if named is None:
        pytest.skip(f"{FOLDER} names no folder with the standard's schema and examples")
    return Path(named)


def standard_schema() -> Draft7Validator:
    """The standard's own schema, formats checked."""
    schema = json.loads((standard_files() / SCHEMA).read_text(encoding="utf-8"))
    return Draft7Validator(schema, format_checker=_formats)


def examples() -> list[dict[str, Any]]:
    """The standard's example documents."""
    paths = sorted(standard_files().glob("event-*.json"))
    assert len(paths) >= 6
    return [json.loads(path.read_text(encoding="utf-8")) for path in paths]


def good_documents() -> list[dict[str, Any]]:
    """Documents the standard's schema finds valid."""
    return [one["inputs"]["document"] for one in records_of_documents() if one["expected"]["schema_valid"]]


def records_of_documents() -> list[dict[str, Any]]:
    """Documents and what the standard's schema says of them."""
    return records("epcis")


def event(number: int = 1, **changed: Any) -> dict[str, Any]:
    """A partner's receiving of a pallet; ``number`` makes it another one. None takes a field away."""
    made = {
        **deepcopy(EVENT_EXAMPLE),
        "eventID": f"urn:uuid:00000000-0000-4000-8000-{number:012d}",
        **changed,
    }
    return {name: value for name, value in made.items() if value is not None}


def document(*events: Any, **changed: Any) -> dict[str, Any]:
    """A document with these events."""
    return {**deepcopy(DOCUMENT_EXAMPLE), "epcisBody": {"eventList": list(events)}, **changed}
