"""
Which pallets of one lot the picker touches for a quantity, and how.

Caution: a broken pallet is less stable than a full one. Re-wrap or re-stack it before it is lifted again, and
handle it by the site's own rules and with licensed drivers.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from rimekeep.errors import Fault, Refused, invalid
from rimekeep.wording import say


class How(StrEnum):
    """The way cases leave a unit: the whole unit, whole layers, or single cases."""

    PALLET = "pallet"
    LAYERS = "layers"
    CASES = "cases"


@dataclass(frozen=True, slots=True)
class LotUnit:
    """
    One logistic unit of a lot; ``bay`` is where it stands (aisle, slot, level).

    In a deep bay, named by ``lane``, ``in_front`` units stand between it and the aisle.
    """

    id: str
    cases: int
    is_opened: bool
    full_pallet_cases: int
    bay: tuple[int, ...]
    lane: int | None = None
    in_front: int = 0


@dataclass(frozen=True, slots=True)
class Grab:
    """Cases to take from one unit in one way."""

    unit_id: str
    cases: int
    how: How


def grabs(units: Iterable[LotUnit], quantity: int, *, cases_per_layer: int) -> list[Grab]:
    """
    Decide from which units of a lot ``quantity`` cases come.

    Parameters
    ----------
    units
        Units of the one lot that may be picked.
    quantity
        Cases wanted, >= 0.
    cases_per_layer
        Cases in one full layer, >= 1.

    Returns
    -------
    list of Grab
        In order of work: whole full pallets by bay while they fit; then opened ones, the emptiest that covers
        the rest, or else the fullest and the next; only when none is left an unbroken one, chosen likewise. A
        part is taken in layers first, then in single cases.
        A unit of a deep bay is left while one is there that fewer others stand in front of, those counted out
        that are taken before it: one lot and date is as good as another, and nothing is dug out.

    Raises
    ------
    Invalid
        A quantity is negative or the layer holds nothing.
    Refused
        The units hold fewer cases than wanted.

    Examples
    --------
    >>> units = [LotUnit("P1", 48, False, 48, (1, 1, 0)), LotUnit("P2", 20, True, 48, (1, 2, 0))]
    >>> [(grab.unit_id, grab.cases, grab.how.value) for grab in grabs(units, 59, cases_per_layer=8)]
    [('P1', 48, 'pallet'), ('P2', 8, 'layers'), ('P2', 3, 'cases')]
    """
    left = sorted((unit for unit in units if unit.cases > 0), key=lambda unit: (unit.bay, unit.id))
    if quantity < 0 or cases_per_layer < 1:
        raise invalid(
            "quantity",
            say(
                "{quantity} cases in layers of {cases_per_layer}.",
                quantity=quantity,
                cases_per_layer=cases_per_layer,
            ),
            say("Give counts, layers of 1 or more."),
        )
    there = sum(unit.cases for unit in left)
    if quantity > there:
        raise Refused(
            "not-enough-cases",
            say("The units hold {there} cases, {quantity} are wanted.", there=there, quantity=quantity),
            (
                Fault(
                    "quantity",
                    say("The lot falls short."),
                    say("Take at most {there}, or count the bays first.", there=there),
                ),
            ),
            {"cases": there, "wanted": quantity},
        )
    result: list[Grab] = []
    taken_whole: dict[int, list[int]] = {}

    def take(unit: LotUnit, cases: int) -> int:
        left.remove(unit)
        if cases == unit.cases:
            if unit.lane is not None:
                taken_whole.setdefault(unit.lane, []).append(unit.in_front)
            result.append(Grab(unit.id, cases, How.PALLET))
            return cases
        layers = cases // cases_per_layer * cases_per_layer
        for part, how in ((layers, How.LAYERS), (cases - layers, How.CASES)):
            if part:
                result.append(Grab(unit.id, part, how))
        return cases

    while quantity:
        reachable = _reachable(left, taken_whole)
        whole = next(
            (
                unit
                for unit in reachable
                if not unit.is_opened and unit.full_pallet_cases <= unit.cases <= quantity
            ),
            None,
        )
        if whole is not None:
            quantity -= take(whole, whole.cases)
            continue
        # Opened before unbroken; what covers the rest in one visit before what does not; then the fewest
        # visits.
        unit = min(
            reachable,
            key=lambda one: (
                not one.is_opened,
                one.cases < quantity,
                one.cases if one.cases >= quantity else -one.cases,
                one.bay,
                one.id,
            ),
        )
        quantity -= take(unit, min(quantity, unit.cases))
    return result


def _reachable(left: list[LotUnit], taken_whole: Mapping[int, list[int]]) -> list[LotUnit]:
    """Return the units that the fewest others still stand in front of."""
    if all(unit.in_front == 0 for unit in left):
        return left
    hidden = [
        unit.in_front - sum(place < unit.in_front for place in taken_whole.get(unit.lane or 0, ()))
        for unit in left
    ]
    least = min(hidden)
    return [unit for unit, count in zip(left, hidden, strict=True) if count == least]
