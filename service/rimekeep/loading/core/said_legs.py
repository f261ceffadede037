"""What was said of a trip's legs, once other customers are called at in between."""

from collections.abc import Mapping, Sequence
from typing import Any


def said_legs(
    legs: Sequence[Mapping[str, Any]], before: Mapping[int, str], after: Mapping[int, str]
) -> list[dict[str, Any]]:
    """
    Return the legs of a trip by the drop numbers it has now; ``before`` and ``after`` name customers by drop.

    A stop stays its customer's. A drive was said of two places: it stays while the truck still comes from the
    same one.

    Examples
    --------
    >>> legs = [{"drop": 1, "drive_minutes": 10}, {"drop": 2, "drive_minutes": 20, "stop_minutes": 5}]
    >>> said_legs(legs, {1: "A", 2: "B"}, {1: "N", 2: "A", 3: "B"})
    [{'drop': 3, 'drive_minutes': 20, 'stop_minutes': 5}]
    """
    number = {customer: drop for drop, customer in after.items()}
    found = []
    for leg in legs:
        drop = number.get(before.get(leg["drop"], ""))
        if drop is None:
            continue
        kept = {**leg, "drop": drop}
        if before.get(leg["drop"] - 1) != after.get(drop - 1):
            kept.pop("drive_minutes", None)
        if any(value is not None for key, value in kept.items() if key != "drop"):
            found.append(kept)
    return sorted(found, key=lambda leg: leg["drop"])
