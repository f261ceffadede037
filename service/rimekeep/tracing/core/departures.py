"""What left with cases of a lot, unit by unit, and how it ended."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from rimekeep.tracing.core.flows import Fact


@dataclass(frozen=True, slots=True)
class Departure:
    """Cases of a lot on one unit that left on a truck; what became of them as far as anybody told."""

    at: datetime
    cases: int
    sscc: str
    customer: str | None
    order: str | None
    trip_id: int | None
    came_back: bool
    refused_cases: int
    returned_cases: int
    off_at: datetime | None


def departures(facts: Iterable[Fact]) -> list[Departure]:
    """Return every unit that left, in order, from all events of a lot; keys are (content, trip)."""
    left: list[Fact] = []
    ends: dict[tuple[int, int], Fact] = {}
    refused: dict[tuple[int, int], int] = {}
    returned: dict[tuple[int, int], int] = {}
    for fact in facts:
        key = int(fact.data.get("content_id") or 0), int(fact.data.get("trip_id") or 0)
        if fact.kind == "unit.departed":
            left.append(fact)
        elif fact.kind == "unit.taken-back" and key in ends and ends[key].kind == "unit.delivered":
            # Handed over before: the customer sent it back.
            returned[key] = returned.get(key, 0) + (fact.cases or 0)
        elif fact.kind in ("unit.delivered", "unit.taken-back"):
            ends[key] = fact
        elif fact.kind in ("cases.refused", "cases.returned"):
            source = int(fact.data["from_content_id"]), key[1]
            some = refused if fact.kind == "cases.refused" else returned
            some[source] = some.get(source, 0) + (fact.cases or 0)
    found = []
    for fact in left:
        key = int(fact.data.get("content_id") or 0), int(fact.data.get("trip_id") or 0)
        end = ends.get(key)
        found.append(
            Departure(
                at=fact.at,
                cases=fact.cases or 0,
                sscc=fact.data["sscc"],
                customer=fact.data.get("customer"),
                order=fact.data.get("order"),
                trip_id=fact.data.get("trip_id"),
                came_back=end is not None and end.kind == "unit.taken-back",
                refused_cases=refused.get(key, 0),
                returned_cases=returned.get(key, 0),
                off_at=None if end is None else end.at,
            )
        )
    return found
