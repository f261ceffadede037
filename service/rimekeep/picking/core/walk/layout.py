"""Parallel aisles between cross aisles: where things are, and the words for walks."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from operator import index

from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.wording import say

Place = tuple[int, int]  # (aisle, slot)
Pick = tuple[int, ...]  # (aisle, slot) or (aisle, slot, level)

# The table of ways on grows about sixfold with each cross aisle; at seven it takes seconds to build, once.
MOST_CROSS_AISLES = 7
# The highest level a person serves from the floor: own convention, no source.
REACH_LEVEL = 1


class PickOutsideLayout(Invalid):
    """A pick names an aisle or slot the layout does not have; ``data`` carries the pick."""


@dataclass(frozen=True, slots=True)
class Layout:
    """
    Parallel aisles between cross aisles.

    Attributes
    ----------
    aisles, slots_per_aisle
        Counts, >= 1. Aisles and slots are numbered from 1, slots from the front.
    slot_pitch_m, aisle_pitch_m
        Distance between neighbouring slots and between neighbouring aisles, > 0. [m]
    cross_aisle_offset_m
        From a cross aisle's centre line to the edge of the first slot, >= 0. [m]
    slots_front_block
        Slots before the middle cross aisle; None: there is none.
    cross_aisles_after
        Slots behind which a cross aisle runs, for any number of them; ``slots_front_block`` is the same as
        one such. The front and the back cross aisle are always there.
    level_penalty_m
        Metres of walk that each level above reach (level 1) costs, >= 0; counted beside the way. [m]
    is_one_way
        Odd aisles are walked away from the dock's cross aisle only, even ones towards it.
    """

    aisles: int
    slots_per_aisle: int
    slot_pitch_m: float
    aisle_pitch_m: float
    cross_aisle_offset_m: float
    slots_front_block: int | None = None
    cross_aisles_after: tuple[int, ...] | None = None
    level_penalty_m: float = 0.0
    is_one_way: bool = False

    def __post_init__(self) -> None:
        """Refuse a layout that cannot be built."""
        counts = (self.aisles, self.slots_per_aisle, self.slots_front_block or 1)
        if not all(map(_is_whole, (*counts, *(self.cross_aisles_after or ())))):
            raise invalid(
                "layout", say("A number of aisles or slots is not whole."), say("Give whole numbers.")
            )
        if self.aisles < 1 or self.slots_per_aisle < 1:
            raise invalid("layout", say("It has no aisle or no slot."), say("Give at least one of each."))
        pitches = self.slot_pitch_m, self.aisle_pitch_m
        if not (min(pitches) > 0 and max(pitches) < inf and 0 <= self.cross_aisle_offset_m < inf):
            raise invalid(
                "layout",
                say("A pitch is not positive or the offset is negative."),
                say("Give metres as built."),
            )
        if self.slots_front_block is not None and not 0 < self.slots_front_block < self.slots_per_aisle:
            raise invalid(
                "slots_front_block",
                say(
                    "{slots_front_block} of {slots_per_aisle} slots leave one block empty.",
                    slots_front_block=self.slots_front_block,
                    slots_per_aisle=self.slots_per_aisle,
                ),
                say("Give the slots before the middle cross aisle, or none."),
            )
        given = tuple(sorted(set(self.cross_aisles_after or ())))
        object.__setattr__(self, "cross_aisles_after", given or None)
        if given and not (given[0] > 0 and given[-1] < self.slots_per_aisle):
            raise invalid(
                "cross_aisles_after",
                say(
                    "A cross aisle behind slot {which} of {slots_per_aisle} leaves one block empty.",
                    which=given[0] if given[0] < 1 else given[-1],
                    slots_per_aisle=self.slots_per_aisle,
                ),
                say("Give slots from 1 to {slots_per_aisle}.", slots_per_aisle=self.slots_per_aisle - 1),
            )
        if len(self.bounds) > MOST_CROSS_AISLES:
            raise invalid(
                "cross_aisles_after",
                say("With the front and the back there are {n} cross aisles.", n=len(self.bounds)),
                say(
                    "Give at most {MOST_CROSS_AISLES} between them.", MOST_CROSS_AISLES=MOST_CROSS_AISLES - 2
                ),
            )
        if self.level_penalty_m < 0:
            raise invalid(
                "level_penalty_m",
                say("{level_penalty_m:g} m is negative.", level_penalty_m=self.level_penalty_m),
                say("Give 0 or more."),
            )
        if self.is_one_way and self.aisles == 1:
            raise invalid(
                "is_one_way", say("A single aisle has no way back."), say("Give two aisles or both ways.")
            )

    @property
    def bounds(self) -> list[int]:
        """Return the slots behind which each cross aisle runs, the front (0) and the back included."""
        middle = set(self.cross_aisles_after or ())
        if self.slots_front_block is not None:
            middle.add(self.slots_front_block)
        return [0, *sorted(middle), self.slots_per_aisle]

    @property
    def blocks(self) -> list[tuple[int, int]]:
        """Return (slots before the block, slots in it), front first."""
        bounds = self.bounds
        return [(front, back - front) for front, back in pairwise(bounds)]

    def depth_m(self, block: int) -> float:
        """Return the way from one cross aisle of a block to the other. [m]"""
        return self.blocks[block][1] * self.slot_pitch_m + 2 * self.cross_aisle_offset_m

    def reach_m(self, slot_in_block: int) -> float:
        """Return the way from a block's front cross aisle to its slot, counted from 1 there. [m]"""
        return self.cross_aisle_offset_m + (slot_in_block - 0.5) * self.slot_pitch_m


@dataclass(frozen=True, slots=True)
class Walk:
    """
    A closed tour from the dock and back.

    Attributes
    ----------
    length_m
        Way on foot. [m]
    stops
        The (aisle, slot) places in walking order.
    lift_m
        What levels above reach cost beside it, the same for every tour. [m]
    is_proven
        No tour is shorter; False only where aisles are one-way.
    """

    length_m: float
    stops: list[Place]
    lift_m: float = 0.0
    is_proven: bool = True


def _is_whole(number: object) -> bool:
    try:
        index(number)  # type: ignore[arg-type]  # that is what is asked
    except TypeError:
        return False
    return True


def places_of(layout: Layout, picks: Iterable[Pick]) -> list[Place]:
    """Return the different places of picks, sorted; raises `PickOutsideLayout`, and Invalid for no place."""
    try:
        places = sorted({(index(pick[0]), index(pick[1])) for pick in picks})
    except (TypeError, IndexError):
        raise invalid(
            "picks", say("A pick does not name aisle and slot as whole numbers."), say("Give (aisle, slot).")
        ) from None
    for aisle, slot in places:
        if not (1 <= aisle <= layout.aisles and 1 <= slot <= layout.slots_per_aisle):
            raise PickOutsideLayout(
                "pick-outside-layout",
                f"Aisle {aisle}, slot {slot} is not in the store.",
                (
                    Fault(
                        "picks",
                        say(
                            "There are aisles 1 to {aisles} with slots 1 to {slots_per_aisle}.",
                            aisles=layout.aisles,
                            slots_per_aisle=layout.slots_per_aisle,
                        ),
                        say("Correct the bay's address or the layout."),
                    ),
                ),
                {"aisle": aisle, "slot": slot},
            )
    return places


def lift_m(layout: Layout, picks: Iterable[Pick]) -> float:
    """Return what the levels above reach cost, each place and level once. [m]"""
    raised = {tuple(pick[:3]) for pick in picks if len(pick) > 2}
    return layout.level_penalty_m * sum(max(0, pick[2] - REACH_LEVEL) for pick in raised)
