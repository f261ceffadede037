"""
What the ledger's events say of where cases went: flows of cases of one lot from one place to another.

Cases that leave go to the customer with the truck, and come from there when they ride back, so that a unit
may be sent twice. What was handed over and what is still on the road is told beside it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import Any, NamedTuple


class Kind(StrEnum):
    """What a place in the flow is."""

    LOT = "lot"
    UNIT = "unit"
    CUSTOMER = "customer"
    LOSS = "loss"


class Way(StrEnum):
    """How cases went from one place to another."""

    RECEIVED = "received"
    PICKED = "picked"
    MOVED = "moved"
    PUT_BACK = "put back"
    SET_ASIDE = "set aside"
    SENT = "sent"
    REFUSED = "refused"
    CAME_BACK = "came back"
    SENT_BACK = "sent back"
    ADJUSTED = "adjusted"
    FOUND = "found"
    DESTROYED = "destroyed"


class Place(NamedTuple):
    """A place in the flow: what it is and its key; for a loss its kind."""

    kind: Kind
    key: str


@dataclass(frozen=True, slots=True)
class Fact:
    """An event of the ledger."""

    seq: int
    kind: str
    at: datetime
    actor_id: int | None
    lot_id: int | None
    unit_id: int | None
    cases: int | None
    reason: str | None
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Flow:
    """
    Cases of one lot that went from one place to another in one event.

    ``content_id`` is the content they went onto, or left the site on; ``from_content_id`` the one they were
    taken off, None where they were taken off none.
    """

    seq: int
    at: datetime
    way: Way
    source: Place
    target: Place
    lot_id: int
    cases: int
    content_id: int
    from_content_id: int | None = None
    trip_id: int | None = None
    order: str | None = None


@dataclass(frozen=True, slots=True)
class HandedOver:
    """Cases of one lot on one unit that were handed over to a customer and were not sent back."""

    at: datetime
    unit: Place
    customer: Place
    lot_id: int
    cases: int
    trip_id: int | None


@dataclass(frozen=True, slots=True)
class Story:
    """All flows in order, what customers have by them, and what people call the places."""

    flows: tuple[Flow, ...]
    handed_over: tuple[HandedOver, ...]
    names: Mapping[Place, str]


# What puts cases of a lot onto a unit from another one.
TRANSFERS: Mapping[str, Way] = {
    "cases.picked": Way.PICKED,
    "cases.moved": Way.MOVED,
    "cases.put-back": Way.PUT_BACK,
    "cases.damaged": Way.SET_ASIDE,
    "cases.refused": Way.REFUSED,
    "cases.returned": Way.SENT_BACK,
}
# What comes from a customer onto a unit of its own.
BACK = frozenset({Way.REFUSED, Way.SENT_BACK})
KINDS = (
    *TRANSFERS,
    "unit.received",
    "unit.departed",
    "unit.delivered",
    "unit.taken-back",
    "cases.adjusted",
    "cases.destroyed",
)
ADJUSTED, DESTROYED = Place(Kind.LOSS, "adjusted"), Place(Kind.LOSS, "destroyed")
NOBODY = Place(Kind.CUSTOMER, "")


@dataclass
class _Reader:
    """Reads events in order; remembers what is out with whom."""

    flows: list[Flow] = field(default_factory=list)
    # By content: what customers have as far as it was told.
    handed_over: dict[int, HandedOver] = field(default_factory=dict)
    names: dict[Place, str] = field(default_factory=lambda: {NOBODY: "nobody named"})
    # By content: the customer it was sent to, the cases not yet back, the trip.
    out: dict[int, tuple[Place, int, int | None]] = field(default_factory=dict)

    def read(self, fact: Fact) -> None:
        if fact.lot_id is None or fact.unit_id is None or not fact.cases:
            return
        unit = self._unit(fact.unit_id, fact.data.get("sscc"))
        content_id = int(fact.data["content_id"])
        match fact.kind:
            case "unit.received":
                self._add(fact, Way.RECEIVED, Place(Kind.LOT, str(fact.lot_id)), unit, content_id)
            case "unit.departed":
                customer, trip_id = self._customer(fact.data), fact.data.get("trip_id")
                self.out[content_id] = customer, fact.cases, trip_id
                self._add(fact, Way.SENT, unit, customer, content_id)
            case "unit.delivered":
                customer = self._sent_to(content_id, fact)
                trip_id = fact.data.get("trip_id")
                given = HandedOver(fact.at, unit, customer, fact.lot_id, fact.cases, trip_id)
                self.handed_over[content_id] = given
            case "unit.taken-back":
                self._come_back(fact, unit, content_id)
            case "cases.adjusted" if fact.cases > 0:
                self._add(fact, Way.FOUND, ADJUSTED, unit, content_id)
            case "cases.adjusted":
                self._add(fact, Way.ADJUSTED, unit, ADJUSTED, content_id)
            case "cases.destroyed":
                self._add(fact, Way.DESTROYED, unit, DESTROYED, content_id)
            case _:
                self._transfer(fact, unit, content_id)

    def _transfer(self, fact: Fact, unit: Place, content_id: int) -> None:
        source = self._unit(int(fact.data["from_unit_id"]), fact.data.get("from_sscc"))
        from_id = int(fact.data["from_content_id"])
        gone = self.out.get(from_id)
        if TRANSFERS[fact.kind] in BACK and gone is not None:
            source, left, trip_id = gone
            self.out[from_id] = source, left - (fact.cases or 0), trip_id
        if fact.kind == "cases.returned":
            self._take_from_customer(from_id, fact.cases or 0)
        self._add(fact, TRANSFERS[fact.kind], source, unit, content_id, from_id)

    def _come_back(self, fact: Fact, unit: Place, content_id: int) -> None:
        gone = self.out.pop(content_id, None)
        self._take_from_customer(content_id, fact.cases or 0)
        # What was refused or sent back of another unit came back onto this one by that event.
        if gone is not None:
            self._add(fact, Way.CAME_BACK, gone[0], unit, content_id)

    def _take_from_customer(self, content_id: int, cases: int) -> None:
        given = self.handed_over.pop(content_id, None)
        if given is not None and given.cases > cases:
            self.handed_over[content_id] = replace(given, cases=given.cases - cases)

    def _sent_to(self, content_id: int, fact: Fact) -> Place:
        gone = self.out.get(content_id)
        return self._customer(fact.data) if gone is None else gone[0]

    def _add(
        self,
        fact: Fact,
        way: Way,
        source: Place,
        target: Place,
        content_id: int,
        from_content_id: int | None = None,
    ) -> None:
        assert fact.lot_id is not None
        assert fact.cases is not None
        trip_id, order = fact.data.get("trip_id"), fact.data.get("order")
        added = Flow(
            fact.seq, fact.at, way, source, target, fact.lot_id, abs(fact.cases), content_id,
            from_content_id, trip_id, order,
        )  # fmt: skip
        self.flows.append(added)

    def _unit(self, unit_id: int, sscc: str | None) -> Place:
        place = Place(Kind.UNIT, str(unit_id))
        if sscc:
            self.names[place] = sscc
        return place

    def _customer(self, data: Mapping[str, Any]) -> Place:
        key, name = data.get("customer_id"), data.get("customer")
        if key is None and name is None:
            return NOBODY
        place = Place(Kind.CUSTOMER, str(name if key is None else key))
        self.names[place] = str(name or key)
        return place


def read_story(facts: Iterable[Fact]) -> Story:
    """
    Return what events, in the ledger's order, say of where cases went.

    All events of the units they speak of are needed; of other kinds than ``KINDS`` nothing is read.
    """
    reader = _Reader()
    for fact in facts:
        if fact.kind in KINDS:
            reader.read(fact)
    return Story(tuple(reader.flows), tuple(reader.handed_over.values()), reader.names)
