"""
Masses and lengths said in other units, taken only where the field's name says which.

``weight_lb`` stands for ``weight_kg``, ``wheelbase_in`` for ``wheelbase_mm``. A mass or length without a unit
in its name is refused, and so is one said twice: nothing is ever guessed.
"""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from rimekeep.loading.core.fields import FieldReader
from rimekeep.wording import say

# International pound and inch (1959), exact.
POUND_KG = 0.45359237
INCH_MM = 25.4
_FACTORS = {
    "kg": {"lb": POUND_KG, "t": 1000.0},
    "mm": {"m": 1000.0, "cm": 10.0, "in": INCH_MM, "ft": 12 * INCH_MM},
}
_UNIT_FIELDS = ("unit", "units", "weight_unit", "mass_unit", "length_unit")


def metric(
    read: FieldReader, data: Mapping[str, Any], where: str, canonical: Iterable[str]
) -> dict[str, Any]:
    """Return the data with every known mass in kg and every known length in mm, faults noted on the way."""
    canonical = tuple(canonical)
    if _foreign(canonical).isdisjoint(data):
        return dict(data)
    found = dict(data)
    for name in _UNIT_FIELDS:
        if name in found:
            read.fault(
                f"{where}.{name}",
                say(
                    "The unit {pop!r:.20} stands apart from the numbers and may contradict them.",
                    pop=found.pop(name),
                ),
                say("Say the unit in each field's name, as in weight_kg or weight_lb."),
            )
    for name in canonical:
        stem, _, unit = name.rpartition("_")
        if unit not in _FACTORS or not stem:
            continue
        names = {f"{stem}_{other}": factor for other, factor in _FACTORS[unit].items()}
        said = [key for key in (name, *names) if found.get(key) is not None]
        if stem in found and stem not in canonical:
            read.fault(
                f"{where}.{stem}",
                say("The value {pop!r:.20} has no unit.", pop=found.pop(stem)),
                say("Name the field {choices}.", choices=" or ".join((name, *names))),
            )
            found.setdefault(name, 1.0)
        elif len(said) > 1:
            read.fault(
                f"{where}.{said[1]}",
                say(
                    "{said} says {found!r:.20} and {said_1} says {found_said1!r:.20}.",
                    said=said[0],
                    found=found[said[0]],
                    said_1=said[1],
                    found_said1=found[said[1]],
                ),
                say("Keep one of them."),
            )
        for key, factor in names.items():
            if key in found:
                value = found.pop(key)
                found.setdefault(name, _times(value, factor))
    return found


@lru_cache(maxsize=64)
def _foreign(canonical: tuple[str, ...]) -> frozenset[str]:
    """Return the names that say anything but the canonical: other units, no unit, a unit apart."""
    found = set(_UNIT_FIELDS)
    for name in canonical:
        stem, _, unit = name.rpartition("_")
        if unit in _FACTORS and stem:
            found |= {stem, *(f"{stem}_{other}" for other in _FACTORS[unit])}
    return frozenset(found - set(canonical))


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    try:
        return round(value * factor, 3)
    except (OverflowError, ValueError):
        return value
