"""
The ledger's facts as EPCIS 2.0 events, in words of the Core Business Vocabulary (CBV 2.0) only.

The words are those the standard's JSON schema lists (github gs1/EPCIS). Which of them stands for which fact
of a cold store is our own reading of their definitions, no source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from uuid import UUID, uuid5

from rimekeep.tracing.epcis.core import names
from rimekeep.tracing.epcis.core.names import House
from rimekeep.tracing.epcis.core.records import Cases, Event, Fact, Temperature


@dataclass(frozen=True, slots=True)
class _Seen:
    """A fact told as one event about the unit, or about the lot where there is no unit."""

    action: str
    step: str
    disposition: str
    # Whether things stay where this happened; on the road they do not.
    stays: bool = True


_SEEN = MappingProxyType(
    {
        "lot.registered": _Seen("ADD", "commissioning", "active"),
        "lot.held": _Seen("OBSERVE", "holding", "non_sellable_other"),
        "lot.released": _Seen("OBSERVE", "inspecting", "conformant"),
        "lot.rejected": _Seen("OBSERVE", "inspecting", "non_conformant"),
        "unit.built": _Seen("ADD", "commissioning", "active"),
        "unit.moved": _Seen("OBSERVE", "storing", "in_progress"),
        "unit.found": _Seen("OBSERVE", "cycle_counting", "in_progress"),
        "unit.returned": _Seen("OBSERVE", "storing", "in_progress"),
        "unit.held": _Seen("OBSERVE", "holding", "non_sellable_other"),
        "unit.released": _Seen("OBSERVE", "inspecting", "conformant"),
        "unit.rejected": _Seen("OBSERVE", "inspecting", "non_conformant"),
        "unit.picked": _Seen("OBSERVE", "picking", "in_progress"),
        "unit.temperature-taken": _Seen("OBSERVE", "sensor_reporting", "in_progress"),
        "unit.loaded": _Seen("OBSERVE", "loading", "in_progress", stays=False),
        "unit.departed": _Seen("OBSERVE", "shipping", "in_transit", stays=False),
        "unit.delivered": _Seen("OBSERVE", "arriving", "in_progress", stays=False),
        "unit.taken-back": _Seen("OBSERVE", "receiving", "returned"),
    }
)
# Cases that went from one unit onto another: off the one, then onto the other.
_MOVED = MappingProxyType(
    {
        "cases.picked": "in_progress",
        "cases.moved": "in_progress",
        "cases.put-back": "in_progress",
        "cases.damaged": "damaged",
        "cases.refused": "returned",
        "cases.returned": "returned",
    }
)


def _received(house: House, fact: Fact) -> list[Event]:
    """A unit came: as something new if its cases were just made, and with what is on it."""
    seen = _Seen("OBSERVE", "receiving", "in_progress")
    if fact.data.get("is_new"):
        seen = _Seen("ADD", "commissioning", "active")
    return [
        _object(house, fact, seen),
        _aggregation(house, fact, "ADD", "packing", "in_progress", fact.sscc, part="packing"),
    ]


# What happens at a customer's, a place we have no name for.
_ELSEWHERE = frozenset({"unit.delivered", "cases.refused", "cases.returned"})
# What comes from the customer the truck was sent to goes to nobody.
_COMES = frozenset({"unit.taken-back", "cases.refused", "cases.returned"})


def _moved(house: House, fact: Fact) -> list[Event]:
    disposition = _MOVED[fact.kind]
    onto = _aggregation(house, fact, "ADD", "packing", disposition, fact.sscc)
    if (source := fact.data.get("from_sscc")) is None:
        return [onto]
    return [_aggregation(house, fact, "DELETE", "unpacking", disposition, source, part="unpacking"), onto]


def _adjusted(house: House, fact: Fact) -> list[Event]:
    """A count put right: what there is now was seen."""
    after = fact.data.get("cases_after")
    counted = tuple(Cases(one.epc_class, after) for one in fact.contents)
    return [_object(house, fact, _Seen("OBSERVE", "cycle_counting", "in_progress"), contents=counted)]


def _destroyed(house: House, fact: Fact) -> list[Event]:
    """Cases are no more: off their pallet, which remains, then out of the world."""
    gone = _Seen("DELETE", "destroying", "destroyed")
    what = _object(house, replace(fact, sscc=None), gone)
    if fact.sscc is None:
        return [what]
    off = _aggregation(house, fact, "DELETE", "unpacking", "non_sellable_other", fact.sscc, part="unpacking")
    return [off, what]


_BY_KIND: dict[str, Callable[[House, Fact], list[Event]]] = {
    "unit.received": _received,
    "cases.adjusted": _adjusted,
    "cases.destroyed": _destroyed,
    **dict.fromkeys(_MOVED, _moved),
}
# Facts about goods; all others are the house's own business.
TOLD = frozenset(_SEEN) | frozenset(_BY_KIND)


def events_of(house: House, fact: Fact) -> list[Event]:
    """
    Return a fact as EPCIS events, one or two; none if there is nothing it could be about.

    The event's id is the ledger's own; a second event of one fact has an id that follows from it.
    """
    if fact.sscc is None and not fact.contents:
        return []
    if fact.kind == "lot.registered" and not any(one.cases for one in fact.contents):
        return []  # its cases come into being with the units they are on
    special = _BY_KIND.get(fact.kind)
    if special is not None:
        return special(house, fact)
    return [_object(house, fact, _SEEN[fact.kind])]


def _object(house: House, fact: Fact, seen: _Seen, *, contents: Sequence[Cases] | None = None) -> Event:
    contents = fact.contents if contents is None else contents
    event: Event = {"type": "ObjectEvent", **_when(fact, fact.event_id)}
    if fact.sscc is not None:
        event["epcList"] = [names.pallet(fact.sscc)]
    if contents:
        event["quantityList"] = _quantities(contents)
    event |= {"action": seen.action, "bizStep": seen.step, "disposition": seen.disposition}
    event |= _where(house, fact, stays=seen.stays)
    event |= _for_whom(house, fact)
    if fact.temperature is not None:
        event["sensorElementList"] = [_sensor(house, fact.temperature)]
    return event


def _aggregation(
    house: House, fact: Fact, action: str, step: str, disposition: str, parent: str | None, *, part: str = ""
) -> Event:
    event_id = str(uuid5(UUID(fact.event_id), part)) if part else fact.event_id
    event: Event = {"type": "AggregationEvent", **_when(fact, event_id)}
    if parent is not None:
        event["parentID"] = names.pallet(parent)
    event["childQuantityList"] = _quantities(fact.contents)
    event |= {"action": action, "bizStep": step, "disposition": disposition}
    event |= _where(house, fact, stays=fact.kind not in _ELSEWHERE)
    event |= _for_whom(house, fact)
    return event


def _when(fact: Fact, event_id: str) -> Event:
    return {
        "eventID": f"urn:uuid:{event_id}",
        "eventTime": names.written(fact.at),
        "eventTimeZoneOffset": fact.offset,
    }


def _quantities(contents: Sequence[Cases]) -> list[Event]:
    return [
        {"epcClass": one.epc_class} | ({} if one.cases is None else {"quantity": one.cases})
        for one in contents
    ]


def _where(house: House, fact: Fact, *, stays: bool) -> Event:
    if not stays:
        # A vehicle is no place of the site: it was read here, and where it is next nobody says.
        return {} if fact.kind in _ELSEWHERE else {"readPoint": {"id": names.place(house)}}
    here = names.place(house, fact.zone, fact.bay)
    return {"readPoint": {"id": here}, "bizLocation": {"id": here}}


def _for_whom(house: House, fact: Fact) -> Event:
    found: Event = {}
    deals = []
    if order := fact.data.get("order"):
        deals.append({"type": "po", "bizTransaction": names.transaction(house, "order", str(order))})
    if trip := fact.data.get("trip_id"):
        deals.append({"type": "desadv", "bizTransaction": names.transaction(house, "trip", str(trip))})
    if deals:
        found["bizTransactionList"] = deals
    if (customer := fact.data.get("customer")) and fact.kind not in _COMES:
        who = names.own(house, "customer", str(customer))
        found["destinationList"] = [{"type": "owning_party", "destination": who}]
    return found


def _sensor(house: House, taken: Temperature) -> Event:
    # CEL: degree Celsius in UN/ECE Recommendation 20, which the standard's examples use.
    report: Event = {"type": "Temperature", "value": taken.temp_c, "uom": "CEL"}
    if taken.probe:
        report["deviceID"] = names.own(house, "probe", taken.probe)
    return {"sensorMetadata": {"time": names.written(taken.at)}, "sensorReport": [report]}
