"""
What partners send, read and checked against EPCIS 2.0 before any of it is stored.

The rules are those of the standard's JSON schema (github gs1/EPCIS), written anew as tables; tests hold
them against that schema. ``@context`` is taken as a label: nothing it points to is ever fetched, so names
count only as they are written.
"""

import json
import math
from collections.abc import Iterator
from itertools import islice
from typing import Any

from rimekeep.errors import Fault, Malformed
from rimekeep.tracing.epcis.core import forms
from rimekeep.tracing.epcis.core import vocabulary as words
from rimekeep.tracing.epcis.core.forms import Check, many, one_of, term, text, thing, time, uri
from rimekeep.tracing.epcis.core.records import Event

DEEPEST = 40
MOST_EVENTS = 10_000
MOST_FAULTS = 20
# Of what a document adds to the standard's context, which every event of it keeps.
LONGEST_CONTEXT = 4_000
STANDARD_CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
_STANDARD_CONTEXTS = "https://ref.gs1.org/standards/epcis/"

_QUANTITY = thing({"epcClass": uri, "quantity": forms.number, "uom": forms.uom}, needs=["epcClass"])
_PLACE = thing({"id": uri}, needs=["id"], is_open=True)
_DEAL = thing({"type": term(words.TRANSACTION_TYPES), "bizTransaction": uri}, needs=["bizTransaction"])
_DISPOSITION = term(words.DISPOSITIONS)
_LASTING = many(_DISPOSITION, least=1, is_set=True)
_URIS = many(uri)
_SET = many(uri, is_set=True)
_QUANTITIES = many(_QUANTITY)


def _party(name: str) -> Check:
    return many(thing({"type": term(words.PARTY_TYPES), name: uri}, needs=["type", name]))


_REPORT = thing(
    {
        "type": term(words.MEASUREMENTS, is_web=True),
        "exception": term(words.ALERTS, is_web=True),
        "time": time,
        "component": term(words.COMPONENTS),
        "stringValue": text,
        "booleanValue": forms.truth,
        "hexBinaryValue": forms.hexadecimal,
        "uom": text,
        **dict.fromkeys(
            ("value", "minValue", "maxValue", "meanValue", "sDev", "percRank", "percValue"), forms.number
        ),
        **dict.fromkeys(
            (
                "deviceID", "deviceMetadata", "rawData", "dataProcessingMethod", "bizRules", "microorganism",
                "chemicalSubstance", "coordinateReferenceSystem", "uriValue",
            ),
            uri,
        ),
    },
    needs=["type"],
    may_add=True,
)  # fmt: skip
_SENSOR = thing(
    {
        "sensorMetadata": thing(
            {
                **dict.fromkeys(("time", "startTime", "endTime"), time),
                **dict.fromkeys(
                    ("deviceID", "deviceMetadata", "rawData", "dataProcessingMethod", "bizRules"), uri
                ),
            },
            may_add=True,
        ),
        "sensorReport": many(_REPORT, least=1),
    },
    needs=["sensorReport"],
    may_add=True,
)


def _context(value: Any, where: str) -> Iterator[Fault]:
    """Want names of contexts, or contexts as objects; what they mean is not looked up."""
    if isinstance(value, str):
        yield from uri(value, where)
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from _context(one if isinstance(one, (str, dict)) else None, f"{where}[{place}]")
    elif not isinstance(value, dict):
        yield Fault(where, f"{forms.brief(value)} is no context.", f"Give {STANDARD_CONTEXT}.")


_EVENT: dict[str, Check] = {
    "@context": _context,
    "type": text,
    "eventTime": time,
    "recordTime": time,
    "eventTimeZoneOffset": forms.offset,
    "eventID": uri,
    "certificationInfo": lambda value, where: (_URIS if isinstance(value, list) else uri)(value, where),
    "errorDeclaration": thing(
        {"declarationTime": time, "reason": term(words.ERROR_REASONS), "correctiveEventIDs": _URIS},
        needs=["declarationTime"],
        may_add=True,
    ),
}
_WHAT_AND_WHY: dict[str, Check] = {
    "bizStep": term(words.BIZ_STEPS),
    "disposition": _DISPOSITION,
    "readPoint": _PLACE,
    "bizLocation": _PLACE,
    "bizTransactionList": many(_DEAL),
    "sourceList": _party("source"),
    "destinationList": _party("destination"),
    "sensorElementList": many(_SENSOR),
}
_ACTION: dict[str, Check] = {"action": one_of(words.ACTIONS)}
_LASTS: dict[str, Check] = {"persistentDisposition": thing({"set": _LASTING, "unset": _LASTING})}
_CHILDREN: dict[str, Check] = {"parentID": uri, "childEPCs": _URIS, "childQuantityList": _QUANTITIES}
_FIELDS: dict[str, dict[str, Check]] = {
    "ObjectEvent": {**_ACTION, **_LASTS, "epcList": _SET, "quantityList": _QUANTITIES},
    "AggregationEvent": {**_ACTION, **_CHILDREN},
    "AssociationEvent": {**_ACTION, **_CHILDREN},
    "TransactionEvent": {**_ACTION, "parentID": uri, "epcList": _URIS, "quantityList": _QUANTITIES},
    "TransformationEvent": {
        **_LASTS,
        "transformationID": uri,
        "inputEPCList": _SET,
        "outputEPCList": _SET,
        "inputQuantityList": _QUANTITIES,
        "outputQuantityList": _QUANTITIES,
    },
}
_ILMD = {"ObjectEvent", "TransformationEvent"}
_NEEDS = {
    "ObjectEvent": ("action",),
    "AggregationEvent": ("action",),
    "AssociationEvent": ("action", "parentID"),
    "TransactionEvent": ("action", "bizTransactionList"),
    "TransformationEvent": (),
}
_WHEN = ("type", "eventTime", "eventTimeZoneOffset")


def _ilmd(value: Any, where: str) -> Iterator[Fault]:
    return thing({}, may_add=True)(value, where)


_CHECKS: dict[str, Check] = {
    kind: thing(
        {**_EVENT, **_WHAT_AND_WHY, **fields, **({"ilmd": _ilmd} if kind in _ILMD else {})},
        needs=[*_WHEN, *_NEEDS[kind]],
        may_add=True,
    )
    for kind, fields in _FIELDS.items()
}
# In an extended event anything may stand under these names.
_READ: dict[str, Check] = {
    **_WHAT_AND_WHY,
    **{name: one for kind in _FIELDS.values() for name, one in kind.items()},
}
_EXTENDED = thing({**_EVENT, "type": uri}, needs=_WHEN, is_open=True)
_HEADER = thing(
    {
        "@context": _context,
        "type": one_of({"EPCISDocument"}),
        "id": uri,
        "schemaVersion": text,
        "creationDate": time,
        "instanceIdentifier": text,
        "sender": text,
        "receiver": text,
        "epcisHeader": thing({}, is_open=True),
        "epcisBody": thing({"eventList": many(forms.anything)}, needs=["eventList"], is_open=True),
    },
    needs=["@context", "type", "schemaVersion", "creationDate", "epcisBody"],
    may_add=True,
)


def read_document(data: bytes) -> list[Any]:
    """
    Return the events of an EPCISDocument, or the one event a body is; what they say is not checked yet.

    Raises
    ------
    Malformed
        It is no JSON, nested too deeply, or not what it must be around the events.
    """
    document = _parsed(data)
    if not isinstance(document, dict):
        raise malformed("body", "It is no JSON object.", "Send an EPCISDocument, or one event.")
    if (kind := document.get("type")) != "EPCISDocument":
        if isinstance(kind, str) and (kind in _CHECKS or forms.is_uri(kind)):
            return [document]
        raise malformed(
            "type", f"{forms.brief(kind)} cannot be captured.", "Send an EPCISDocument, or one event."
        )
    faults = tuple(islice(_HEADER(document, ""), MOST_FAULTS))
    version = document.get("schemaVersion")
    if not faults and not (isinstance(version, str) and (version == "2.0" or version.startswith("2.0."))):
        faults = (
            Fault("schemaVersion", f"{forms.brief(version)} is not read here.", "Send EPCIS 2.0 documents."),
        )
    if faults:
        raise Malformed("epcis-document", "This is no EPCIS 2.0 document.", faults)
    events: list[Any] = document["epcisBody"]["eventList"]
    if len(events) > MOST_EVENTS:
        where, mend = "epcisBody.eventList", f"Send at most {MOST_EVENTS} a document."
        raise malformed(where, f"There are {len(events)} events.", mend)
    return _with_context(events, document["@context"])


def _with_context(events: list[Any], context: Any) -> list[Any]:
    """Give each event what the document says of its prefixes: it is kept and told by itself."""
    named = context if isinstance(context, list) else [context]
    added = [one for one in named if not (isinstance(one, str) and one.startswith(_STANDARD_CONTEXTS))]
    if not added:
        return events
    if len(json.dumps(added)) > LONGEST_CONTEXT:
        mend = f"Keep what is added to the standard's within {LONGEST_CONTEXT} characters."
        raise malformed("@context", "It is too long.", mend)
    return [{"@context": added, **one} if isinstance(one, dict) else one for one in events]


def faults_of(event: Any) -> list[Fault]:
    """Return what is wrong with one event; nothing if it may be stored."""
    if not isinstance(event, dict):
        return [Fault("event", "It is no object.", "Give an object: {…}.")]
    kind = event.get("type")
    check = _CHECKS.get(kind, _EXTENDED) if isinstance(kind, str) else _EXTENDED
    return list(islice(_all_of(check, event), MOST_FAULTS))


def standard_part(event: Event) -> Event:
    """Return of a checked event what is the standard's: all of its own kinds, of others what fits."""
    if event["type"] in _CHECKS:
        return event
    return {
        name: value
        for name, value in event.items()
        if name not in _READ or next(_READ[name](value, name), None) is None
    }


def _all_of(check: Check, event: Event) -> Iterator[Fault]:
    found = list(islice(check(event, ""), MOST_FAULTS))
    yield from found
    if not found:
        yield from _together(event)


def _together(event: Event) -> Iterator[Fault]:
    """Yield what fields of an event, each right by itself, lack together."""
    kind, action = event["type"], event.get("action")
    if kind == "ObjectEvent":
        sensed = event.get("sensorElementList") and "readPoint" in event
        if "epcList" not in event and not event.get("quantityList") and not sensed:
            mend = "Give epcList, quantityList, or sensorElementList with a readPoint."
            yield Fault("epcList", "The event is about nothing.", mend)
        if "ilmd" in event and action != "ADD":
            yield Fault("ilmd", f"It cannot stand with action {action}.", "Give it with ADD only.")
    has_children = event.get("childEPCs") or event.get("childQuantityList")
    if kind in ("AggregationEvent", "AssociationEvent") and action != "DELETE" and not has_children:
        yield Fault("childEPCs", "Nothing is put together.", "Give childEPCs or childQuantityList.")
    if kind == "TransactionEvent":
        if not event["bizTransactionList"]:
            yield Fault("bizTransactionList", "The list is empty.", "Name the business transaction.")
        if action != "DELETE" and "epcList" not in event and not event.get("quantityList"):
            yield Fault("epcList", "The event is about nothing.", "Give epcList or quantityList.")
    if kind == "TransformationEvent":
        yield from _transformed(event)
    if "persistentDisposition" in event and not event["persistentDisposition"]:
        yield Fault("persistentDisposition", "Nothing is set or unset.", "Give set or unset.")


def _transformed(event: Event) -> Iterator[Fault]:
    inputs = event.get("inputEPCList") or event.get("inputQuantityList")
    outputs = event.get("outputEPCList") or event.get("outputQuantityList")
    if not (inputs and outputs) and not ("transformationID" in event and (inputs or outputs)):
        mend = "Give inputs and outputs, or one of them with a transformationID."
        yield Fault("inputEPCList", "It is not said what became what.", mend)


def malformed(where: str, detail: str, mend: str, *, code: str = "epcis-document") -> Malformed:
    """Return the error for one thing in a document or query."""
    return Malformed(code, "It does not follow EPCIS 2.0.", (Fault(where, detail, mend),))


def _parsed(data: bytes) -> Any:
    try:
        content = data.decode("utf-8-sig")
        found = json.loads(content, parse_constant=_no_constant, parse_float=_finite, object_pairs_hook=_once)
    except RecursionError:
        raise _too_deep() from None
    except UnicodeDecodeError:
        raise malformed("body", "It is not UTF-8.", "Send JSON in UTF-8.") from None
    except ValueError as error:
        raise malformed("body", f"It is no JSON: {str(error)[:200]}.", "Send an EPCISDocument.") from None
    _refuse_unstorable(found)
    return found


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is no number JSON knows")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is too large")
    return value


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        # Two readers could take a different one of the two.
        raise ValueError("a field stands twice in one object")
    return found


def _refuse_unstorable(document: Any) -> None:
    """Raise Malformed if it is nested too deeply or holds a text no database stores."""
    level, depth = [document], 0
    while level:
        if depth > DEEPEST:
            raise _too_deep()
        depth += 1
        below: list[Any] = []
        for one in level:
            if isinstance(one, dict):
                below += one.keys()
                below += one.values()
            elif isinstance(one, list):
                below += one
            elif isinstance(one, str) and not one.isascii():
                try:
                    one.encode()
                except UnicodeEncodeError:
                    raise malformed("body", "A text holds half a character.", "Send whole ones.") from None
            elif isinstance(one, str) and "\x00" in one:
                raise malformed("body", "A text holds a NUL character.", "Remove it.")
        level = below


def _too_deep() -> Malformed:
    return malformed("body", "It is nested too deeply.", f"Nest at most {DEEPEST} levels.")
