"""
Deep lanes: bays several units deep that are filled and emptied from the same end.

What was put in last stands in front and hides the rest. So that older stock is never buried behind newer, a
unit is put into a lane only where nothing in it expires sooner: then the front unit always is the first of
the lane to expire, whatever is taken from it or put into it later. Products do not share a lane.

Modelled lives move: a lane that was in order when it was filled may come out of order; `buried` finds that.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from rimekeep.errors import invalid
from rimekeep.wording import glued, say


@dataclass(frozen=True, slots=True)
class Stored:
    """
    What a unit in a lane, or on its way there, holds.

    ``product`` is None where it holds several; then nothing is put in front of it, nor it in front of
    anything. ``expires_on`` is the first day any of it is over.
    """

    unit: int
    product: int | None
    lots: frozenset[int]
    expires_on: date


@dataclass(frozen=True, slots=True)
class Lane:
    """
    A bay and what stands in it.

    Attributes
    ----------
    depth
        Units behind one another, >= 1. A bay one deep hides nothing.
    room
        Units it holds in all, >= 1; None: as many as it is deep, or for a bay one deep: one.
    stored
        Its units in the order they were put in; the last one stands in front.
    """

    depth: int
    room: int | None
    stored: tuple[Stored, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a lane that cannot be built."""
        if self.depth < 1 or (self.room is not None and self.room < 1):
            raise invalid("depth", say("A lane holds at least one unit."), say("Give 1 or more."))

    @property
    def free_units(self) -> int:
        """Return how many more units fit; 0 where too many are recorded already."""
        return max(0, (self.room if self.room is not None else self.depth) - len(self.stored))


def reachable(lane: Lane) -> Stored | None:
    """Return the unit in front, or None where the lane is empty."""
    return lane.stored[-1] if lane.stored else None


def hindrance(lane: Lane, unit: Stored) -> str | None:
    """
    Return in plain words why a unit may not be put into a lane, or None where it may.

    Parameters
    ----------
    lane
        As it stands.
    unit
        What would be put in front of it.

    Examples
    --------
    >>> day = date(2026, 6, 1)
    >>> old = Stored(1, 7, frozenset({1}), day)
    >>> hindrance(Lane(4, None, (old,)), Stored(2, 7, frozenset({2}), date(2026, 6, 2)))
    'It would bury stock that is over on 2026-06-01, before its own 2026-06-02.'
    """
    if not lane.free_units:
        return say("It is full: {n} units stand there.", n=len(lane.stored))
    if lane.depth == 1:
        return None
    if any(one.product is None or one.product != unit.product for one in lane.stored):
        return say("Another product stands there.")
    if lane.stored:
        first_on = min(one.expires_on for one in lane.stored)
        if unit.expires_on > first_on:
            return say(
                "It would bury stock that is over on {first_on}, before its own {own_on}.",
                first_on=first_on,
                own_on=unit.expires_on,
            )
    return None


def fitting(lane: Lane, unit: Stored, units: int) -> int:
    """Return how many of ``units`` like this one may be put into the lane."""
    return 0 if hindrance(lane, unit) else min(units, lane.free_units)


def buried(lane: Lane) -> list[tuple[Stored, Stored]]:
    """Return (hidden, in front of it) where a unit expires sooner than one that stands in front of it."""
    if lane.depth == 1:
        return []
    found = []
    latest: Stored | None = None
    for one in reversed(lane.stored):
        if latest is not None and one.expires_on < latest.expires_on:
            found.append((one, latest))
        if latest is None or one.expires_on > latest.expires_on:
            latest = one
    return found


@dataclass(frozen=True, slots=True)
class Slot:
    """A bay that might take what comes in; ``walk_m``: from the dock and back, None where not known."""

    bay: int
    code: str
    lane: Lane
    walk_m: float | None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A bay, how many units it takes, and why it comes at this place of the list."""

    bay: int
    code: str
    units: int
    walk_m: float | None
    reason: str


def suggest(slots: Sequence[Slot], unit: Stored, units: int) -> list[Suggestion]:
    """
    Return the bays that may take units like ``unit``, best first.

    Parameters
    ----------
    slots
        The bays there are.
    unit
        What comes in; all units of it alike.
    units
        How many come in, >= 1.

    Notes
    -----
    Own convention, no source: first a lane already begun with the same lot, so that a lane holds one lot;
    then an empty bay whose room is not larger than what comes in, the deepest of these; then the empty bay
    that leaves the least room unused; then bays with other lots. Within each the shorter walk goes first.
    """
    ranked: list[tuple[tuple[float, ...], Slot, int, str]] = []
    for slot in slots:
        takes = fitting(slot.lane, unit, units)
        if not takes:
            continue
        lane, unused = slot.lane, slot.lane.free_units - takes
        walk_m = float("inf") if slot.walk_m is None else slot.walk_m
        if lane.stored and all(one.lots == unit.lots for one in lane.stored):
            rank, reason = (0.0, 0.0), say("The same lot stands there.")
        elif lane.stored:
            told = (
                say("There is room beside what stands there.")
                if lane.depth == 1
                else say("What stands there does not expire sooner.")
            )
            rank, reason = (3.0, 0.0), told
        elif not unused:
            rank = (1.0, -float(takes))
            reason = say("It is empty, and {takes} of the units fill it.", takes=takes)
        else:
            rank = (2.0, float(unused))
            reason = say("It is empty; room for {unused} more would stay unused.", unused=unused)
        if slot.walk_m is not None:
            reason = glued(reason, say("{walk_m:.0f} m from the dock and back.", walk_m=slot.walk_m))
        ranked.append(((*rank, walk_m, float(slot.bay)), slot, takes, reason))
    ranked.sort(key=lambda one: one[0])
    return [Suggestion(slot.bay, slot.code, takes, slot.walk_m, reason) for _, slot, takes, reason in ranked]
