"""A body divided by bulkheads: its compartments, what passes between them, and the unit that feeds them."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Space:
    """
    One compartment while outside and doors stay the same.

    ``gain_w_k`` is its walls and what of the open doors leads outside; its evaporator takes out ``most_w`` at
    most and puts in ``heating_w`` at most. [J/K, W/K, °C, W]
    """

    heat_j_k: float
    gain_w_k: float
    setpoint_c: float
    most_w: float
    heating_w: float


@dataclass(frozen=True, slots=True)
class Together:
    """
    All compartments of a body, front first.

    ``ties_w_k`` are what passes per kelvin through each bulkhead from the front on, one fewer than there are
    compartments; the unit takes out ``total_w`` from all of them together at most. [°C, W/K, W]
    """

    outside_c: float
    is_on: bool
    total_w: float
    spaces: tuple[Space, ...]
    ties_w_k: tuple[float, ...]

    def beside(self, k: int) -> Sequence[tuple[int, float]]:
        """Return the neighbours of a compartment, each with what passes between."""
        found = []
        if k:
            found.append((k - 1, self.ties_w_k[k - 1]))
        if k + 1 < len(self.spaces):
            found.append((k + 1, self.ties_w_k[k]))
        return found


@dataclass(frozen=True, slots=True)
class Part:
    """
    One compartment of a trip, whatever the weather.

    ``share`` is its share of the body's length, and so of walls and inside; ``evaporator_w`` what its
    evaporator takes out at most. With a side door it is reached from outside, without one through the rear
    doors and every bulkhead behind it. [-, °C, W]
    """

    share: float
    setpoint_c: float
    low_c: float
    high_c: float
    evaporator_w: float
    has_side_door: bool = False


@dataclass(frozen=True, slots=True)
class Division:
    """How a body is divided on a trip: compartments, front first, and what a bulkhead lets through. [W/K]"""

    parts: tuple[Part, ...]
    bulkhead_w_k: float

    @property
    def coldest_c(self) -> float:
        """Return the coldest set point; there the unit takes out least."""
        return min(part.setpoint_c for part in self.parts)

    @property
    def evaporators_w(self) -> float:
        """Return what all evaporators could take out together."""
        return sum(part.evaporator_w for part in self.parts)


@dataclass(frozen=True, slots=True)
class Opening:
    """What stands open at a stop: compartments with a door to the outside, and bulkheads, from the front."""

    doors: frozenset[int] = frozenset()
    bulkheads: frozenset[int] = frozenset()

    @classmethod
    def at_stop(cls, division: Division, served: Collection[int]) -> Self:
        """Return what is opened to reach some compartments; whatever is served, something is."""
        last = len(division.parts) - 1
        doors, bulkheads = set(), set()
        for k in served or (last,):
            if division.parts[k].has_side_door:
                doors.add(k)
                continue
            doors.add(last)
            bulkheads |= set(range(k, last))
        return cls(frozenset(doors), frozenset(bulkheads))
