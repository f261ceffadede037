"""
Whole cases, and how they stand on a pallet.

A stack is only as safe as its pattern: layers and height limits come from the packer and from local rules on
handling, never from this arithmetic.
"""

from dataclasses import dataclass
from operator import index
from typing import SupportsIndex

from rimekeep.errors import Fault, Refused, invalid


@dataclass(frozen=True, slots=True)
class PalletPattern:
    """How many cases make a layer and how many layers a full pallet."""

    cases_per_layer: int
    layers_per_pallet: int

    def __post_init__(self) -> None:
        """Refuse a pattern that holds nothing."""
        for name in ("cases_per_layer", "layers_per_pallet"):
            if getattr(self, name) < 1:
                raise invalid(
                    name, f"{getattr(self, name)} is less than one.", "Take it from the packing instruction."
                )

    @property
    def cases_per_pallet(self) -> int:
        """Return the cases on a full pallet."""
        return self.cases_per_layer * self.layers_per_pallet


@dataclass(frozen=True, slots=True)
class Split:
    """A quantity as whole pallets, whole layers and single cases."""

    pallets: int
    layers: int
    cases: int


def whole_cases(value: SupportsIndex, *, where: str = "cases") -> int:
    """Return ``value`` as a count of cases; fractions, truth values and negative numbers raise `Invalid`."""
    try:
        count = -1 if isinstance(value, bool) else index(value)
    except TypeError:
        count = -1
    if count < 0:
        raise invalid(where, f"{value!r} is not a whole number of cases.", "Give 0, 1, 2, … cases.")
    return count


def split(cases: int, pattern: PalletPattern) -> Split:
    """
    Return ``cases`` as whole pallets, whole layers and single cases.

    >>> split(131, PalletPattern(cases_per_layer=8, layers_per_pallet=6))
    Split(pallets=2, layers=4, cases=3)
    """
    pallets, rest = divmod(whole_cases(cases), pattern.cases_per_pallet)
    layers, single = divmod(rest, pattern.cases_per_layer)
    return Split(pallets, layers, single)


def adjusted(cases: int, change: int) -> int:
    """
    Return the cases after an adjustment.

    Raises
    ------
    Refused
        More would be taken away than is there; ``data`` carries ``cases`` and ``change``.
    """
    left = whole_cases(cases) + index(change)
    if left < 0:
        raise Refused(
            "below-zero",
            f"{-change} cases cannot be taken from {cases}.",
            (
                Fault(
                    "change",
                    "The stock would fall below zero.",
                    f"Take at most {cases}, or count the bay first.",
                ),
            ),
            {"cases": cases, "change": change},
        )
    return left
