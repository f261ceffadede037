"""In which order a deck is loaded and unloaded through its rear doors."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Spot:
    """One unit's place on a deck: rows from the front wall, drop 1 is delivered first."""

    unit_id: int
    sscc: str
    row: int
    lane: int
    drop: int
    is_loaded: bool
    # 0 on the deck, 1 on top of the unit that stands there.
    tier: int = 0

    def is_under(self, other: "Spot") -> bool:
        """Tell whether the other stands on top of it."""
        return (self.row, self.lane) == (other.row, other.lane) and self.tier < other.tier


def next_to_load(spots: Sequence[Spot]) -> list[Spot]:
    """
    Return the units any of which comes next: of the last drop not complete, those nearest the front wall.

    What stands on top of another comes after that one.

    Examples
    --------
    >>> spots = [Spot(1, "a", 0, 0, 2, True), Spot(2, "b", 0, 1, 2, False), Spot(3, "c", 1, 0, 1, False)]
    >>> [spot.sscc for spot in next_to_load(spots)]
    ['b']
    >>> stack = [Spot(1, "low", 0, 0, 1, False), Spot(2, "high", 0, 0, 1, False, tier=1)]
    >>> [spot.sscc for spot in next_to_load(stack)]
    ['low']
    """
    waiting = [spot for spot in spots if not spot.is_loaded]
    first = min((_turn(spot) for spot in waiting), default=None)
    due = [spot for spot in waiting if _turn(spot) == first]
    free = (spot for spot in due if not any(other.is_under(spot) for other in waiting))
    return sorted(free, key=lambda spot: spot.lane)


def next_to_unload(spots: Sequence[Spot]) -> list[Spot]:
    """Return the loaded units any of which can be taken off next: those that were loaded last."""
    loaded = [spot for spot in spots if spot.is_loaded]
    last = max((_turn(spot) for spot in loaded), default=None)
    free = (spot for spot in loaded if _turn(spot) == last and not any(map(spot.is_under, loaded)))
    return sorted(free, key=lambda spot: spot.lane)


def shut_out(spots: Sequence[Spot]) -> list[Spot]:
    """
    Return the units still to be loaded whose place can no longer be reached: others that come later are on.

    Examples
    --------
    >>> shut_out([Spot(1, "a", 0, 0, 1, False), Spot(2, "b", 1, 0, 1, True)])[0].sscc
    'a'
    """
    loaded = [spot for spot in spots if spot.is_loaded]
    last = max((_turn(spot) for spot in loaded), default=None)
    return [
        spot
        for spot in spots
        if not spot.is_loaded and last is not None and (_turn(spot) < last or any(map(spot.is_under, loaded)))
    ]


def shut_out_words(spot: Spot) -> str:
    """Say of a unit of :func:`shut_out` why it cannot be loaded, and what to do."""
    return (
        f"Unit {spot.sscc} cannot reach row {spot.row + 1} (row 1 is at the front wall) before what is on "
        "board already; unload that first or give it a place nearer the doors."
    )


def in_loading_order(spots: Sequence[Spot]) -> list[Spot]:
    """Return all units in the order they are loaded."""
    return sorted(spots, key=lambda spot: (_turn(spot), spot.lane, spot.tier))


def _turn(spot: Spot) -> tuple[int, int]:
    return -spot.drop, spot.row
