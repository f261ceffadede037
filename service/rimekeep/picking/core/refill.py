"""
Fill pick bays from bulk bays: first-expired first, in whole pallets or layers.

A bay is low when the cases in it that nobody reserved, and those on their way to it, are fewer than its
minimum. Nothing is brought that expires later than what is reserved there, nor, in a deep lane, later than
anything that stands there: whoever picks would meet the newer stock first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from rimekeep.wording import say


class RefillState(StrEnum):
    """How far a task for the forklift has come."""

    OPEN = "open"
    TAKEN = "taken"
    DONE = "done"
    # Found to be impossible or no longer right.
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True)
class Face:
    """
    A pick bay's place for one product.

    Attributes
    ----------
    cases, reserved_cases
        On record there, whatever QA says of them. [cases]
    coming_cases
        On their way there. [cases]
    reserved_until
        First expiry among what is reserved there; None: nothing is.
    stored_until
        First expiry of all that stands there, where the bay is a deep lane; None: nothing, or one deep.
    free_units
        Units that still fit.
    """

    key: int
    code: str
    product: int
    min_cases: int
    max_cases: int
    cases: int = 0
    reserved_cases: int = 0
    coming_cases: int = 0
    reserved_until: date | None = None
    stored_until: date | None = None
    free_units: int = 1

    @property
    def is_low(self) -> bool:
        """Tell whether it has to be filled."""
        return self.cases - self.reserved_cases + self.coming_cases < self.min_cases

    @property
    def room_cases(self) -> int:
        """Return the cases that still fit. [cases]"""
        return max(0, self.max_cases - self.cases - self.coming_cases)

    def hindrance(self, expires_on: date) -> str | None:
        """Return why stock that expires on a day may not be brought, or None."""
        if self.reserved_until is not None and expires_on > self.reserved_until:
            return say(
                "Reserved stock there is over on {reserved_until}: it is picked first.",
                reserved_until=self.reserved_until,
            )
        if self.stored_until is not None and expires_on > self.stored_until:
            return say(
                "Stock in the lane is over on {stored_until}: newer would stand in front of it.",
                stored_until=self.stored_until,
            )
        return None


@dataclass(frozen=True, slots=True)
class Source:
    """
    Released cases of one lot on a unit in a bulk bay.

    ``is_alone``: nothing else is on the unit; ``in_front``: units that stand before it in a deep bay.
    """

    content: int
    unit: int
    product: int
    expires_on: date
    received_at: datetime
    cases: int
    free_cases: int
    cases_per_layer: int
    is_alone: bool
    in_front: int = 0


@dataclass(frozen=True, slots=True)
class Refill:
    """Bring cases of a content to a face, the whole unit or layers of it."""

    face: int
    content: int
    cases: int
    is_whole_unit: bool


@dataclass(frozen=True, slots=True)
class RefillPlan:
    """What to bring, and why a low face gets nothing, or too little, by face."""

    refills: tuple[Refill, ...]
    held_back: dict[int, str]


def plan_refills(faces: Iterable[Face], sources: Sequence[Source]) -> RefillPlan:
    """
    Return what to bring to the faces that are low, up to their maximum.

    Parameters
    ----------
    faces
        Those of a site; the emptiest for its minimum is served first.
    sources
        Cases in bulk bays; those not reserved are brought, first-expired first, then those that fewest others
        stand in front of, then first received.

    Returns
    -------
    RefillPlan
        No newer stock is brought while a layer of older is left that nobody reserved and that would fit.
    """
    left = {
        one.content: one
        for one in sorted(sources, key=lambda s: (s.expires_on, s.in_front, s.received_at, s.content))
    }
    of_product: dict[int, list[int]] = {}
    for one in left.values():
        of_product.setdefault(one.product, []).append(one.content)
    refills: list[Refill] = []
    held: dict[int, str] = {}
    low = [face for face in faces if face.is_low]
    for face in sorted(low, key=lambda one: (one.cases / max(1, one.min_cases), one.key)):
        room, units, brought = face.room_cases, face.free_units, 0
        why: str = say("No free stock stands in bulk bays.")
        for content in of_product.get(face.product, ()):
            source = left[content]
            if source.free_cases <= 0:
                continue
            if room <= 0 or units <= 0:
                break
            stopped = face.hindrance(source.expires_on)
            if stopped is not None:
                why = stopped
                break  # all others expire later still
            is_whole = source.is_alone and source.free_cases == source.cases <= room
            cases = source.cases if is_whole else _layers(min(source.free_cases, room), source)
            if not cases:
                if source.free_cases >= source.cases_per_layer:
                    why = say(
                        "A layer of {cases} cases does not fit into {room}.",
                        cases=source.cases_per_layer,
                        room=room,
                    )
                    break
                why = say("What is free in bulk bays is less than a layer.")
                continue
            refills.append(Refill(face.key, source.content, cases, is_whole))
            # What is left of a unit is not a whole one before the layers have really been taken off it.
            left[source.content] = replace(
                source, cases=source.cases - cases, free_cases=source.free_cases - cases, is_alone=False
            )
            room, units, brought = room - cases, units - 1, brought + cases
        if face.room_cases <= 0:
            why = say("It is full of reserved cases.")
        elif face.free_units <= 0:
            why = say("No further unit fits; an emptied one has to be taken away first.")
        if not brought:
            held[face.key] = why
    return RefillPlan(tuple(refills), held)


def _layers(cases: int, source: Source) -> int:
    return cases // source.cases_per_layer * source.cases_per_layer
