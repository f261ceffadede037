"""By what an event is found, which of two are the same, and how it is shown."""

import hashlib
import json
from collections.abc import Callable, Iterator
from datetime import datetime
from enum import StrEnum
from uuid import NAMESPACE_URL, uuid5

from rimekeep.tracing.epcis.core import names
from rimekeep.tracing.epcis.core.checking import standard_part
from rimekeep.tracing.epcis.core.names import House
from rimekeep.tracing.epcis.core.records import Event

# Which lists of an event name what; after the parameters of the standard's simple event query.
_EPCS = {
    "epc": ("epcList", "childEPCs"),
    "inputEPC": ("inputEPCList",),
    "outputEPC": ("outputEPCList",),
}
_CLASSES = {
    "epcClass": ("quantityList", "childQuantityList"),
    "inputEPCClass": ("inputQuantityList",),
    "outputEPCClass": ("outputQuantityList",),
}
# Lists of typed names: the list, the name's field, and the parameter that asks for it.
TYPED = (
    ("bizTransactionList", "bizTransaction"),
    ("sourceList", "source"),
    ("destinationList", "destination"),
)
_VOCABULARY = ("urn:epcglobal:cbv:", "https://ref.gs1.org/cbv/", "https://ns.gs1.org/cbv/")


def word(term: str) -> str:
    """
    Return a term of the CBV as the bare word documents have, however it is written.

    >>> [word(term) for term in ("urn:epcglobal:cbv:bizstep:shipping", "https://ref.gs1.org/cbv/BizStep-shipping")]
    ['shipping', 'shipping']
    """
    for start in _VOCABULARY:
        if term.startswith(start):
            rest = term[len(start) :]
            return rest.rpartition(":")[2] if start.startswith("urn:") else rest.partition("-")[2] or rest
    return term


def keys_of(event: Event) -> Iterator[tuple[str, str]]:
    """Yield what a checked event can be found by, as (role, canonical name); some may come twice."""
    event = standard_part(event)
    for role, lists in _EPCS.items():
        for name in lists:
            for epc in event.get(name, ()):
                yield role, names.canonical(epc)
    for role, lists in _CLASSES.items():
        for name in lists:
            for one in event.get(name, ()):
                yield role, names.canonical(one["epcClass"])
    if "parentID" in event:
        yield "parentID", names.canonical(event["parentID"])
    if "transformationID" in event:
        yield "transformationID", event["transformationID"]
    for name, field in TYPED:
        for one in event.get(name, ()):
            yield f"{field}_{word(one.get('type', ''))}", names.canonical(one[field])


def digest(event: Event) -> str:
    """Return what two events have in common if they say the same; when it was recorded does not count."""
    said = {name: value for name, value in event.items() if name not in ("recordTime", "@context")}
    plain = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(plain.encode()).hexdigest()


def id_from(digested: str) -> str:
    """Return an id for an event that came without one: the same for the same event."""
    return f"urn:uuid:{uuid5(NAMESPACE_URL, f'urn:sha256:{digested}')}"


class Form(StrEnum):
    """The form names are asked for in, by the header GS1-EPC-Format of the standard's API (from memory)."""

    NO_PREFERENCE = "No_Preference"
    DIGITAL_LINK = "Always_GS1_Digital_Link"
    URN = "Always_EPC_URN"
    AS_IT_CAME = "Never_Translates"


def shown(event: Event, record_at: datetime, house: House, form: Form, *, is_own: bool) -> Event:
    """
    Return an event as it is told to others.

    Without a preference the site's own events are told in the form it chose, a partner's as they came.
    """
    told = {**event, "recordTime": names.written(record_at)}
    if form is Form.NO_PREFERENCE and is_own and house.with_urns:
        form = Form.URN
    if form is Form.URN:
        return _renamed(told, lambda name: names.as_urn(names.canonical(name), house.prefix))
    if form is Form.DIGITAL_LINK:
        return _renamed(told, names.canonical)
    return told


def _renamed(event: Event, rename: Callable[[str], str]) -> Event:
    changed = dict(event)
    event = standard_part(event)
    for name in (one for lists in _EPCS.values() for one in lists):
        if name in event:
            changed[name] = [rename(epc) for epc in event[name]]
    for name in (one for lists in _CLASSES.values() for one in lists):
        if name in event:
            changed[name] = [{**one, "epcClass": rename(one["epcClass"])} for one in event[name]]
    if "parentID" in event:
        changed["parentID"] = rename(event["parentID"])
    for name in ("readPoint", "bizLocation"):
        if isinstance(event.get(name), dict) and "id" in event[name]:
            changed[name] = {**event[name], "id": rename(event[name]["id"])}
    return changed
