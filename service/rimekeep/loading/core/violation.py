"""What a judge of plans is given and finds."""

from dataclasses import dataclass

PlacedPallet = tuple[str, int, int]
"""
Pallet id, row from the front wall, lane from the left, both from 0. Texts for people count from 1. Two that
share a place stand on each other, the lower one first, or are halves of it.
"""


@dataclass(frozen=True, slots=True)
class Violation:
    """
    One rule a plan breaks.

    ``vehicle`` counts from 0, None for the plan as a whole; ``after_stop`` is None at departure and for rules
    that know no state; ``figure`` stands against ``limit`` in the unit of the kind (kg, %, a count).
    ``refused`` names the pallets that must be refused for it to come to that.
    """

    kind: str
    vehicle: int | None
    after_stop: str | None
    figure: float
    limit: float
    text: str
    refused: tuple[str, ...] = ()
