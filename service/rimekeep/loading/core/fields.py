"""Taking checked fields from plain data, collecting every fault on the way."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

from rimekeep.errors import Fault
from rimekeep.wording import say


def _is_finite(value: float) -> bool:
    try:
        return isfinite(value)
    except OverflowError:  # a whole number too long for any float
        return False


class FieldReader:
    """Takes fields from a mapping and collects faults instead of stopping at the first."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def fault(self, where: str, detail: str, mend: str) -> None:
        """Note one fault."""
        self.faults.append(Fault(where, detail, mend))

    def part(self, data: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
        """Return the object under a key, an empty one with a fault when it is not there."""
        value = data.get(key)
        if isinstance(value, Mapping):
            return value
        self.fault(
            where, say("There is no object {key!r}.", key=key), say("Give {key!r} as a JSON object.", key=key)
        )
        return {}

    def items(self, data: Mapping[str, Any], key: str, where: str) -> Sequence[Any]:
        """Return the list under a key, an empty one with a fault when it is not there."""
        value = data.get(key)
        if isinstance(value, list | tuple) and value:
            return value
        self.fault(
            where,
            say("The list {key!r} is missing or empty.", key=key),
            say("Give {key!r} at least one entry.", key=key),
        )
        return ()

    def entry(self, value: object, where: str) -> Mapping[str, Any]:
        """Return a list's entry as an object."""
        if isinstance(value, Mapping):
            return value
        self.fault(where, say("The entry is not an object."), say("Give a JSON object with named fields."))
        return {}

    def number(
        self,
        data: Mapping[str, Any],
        key: str,
        where: str,
        *,
        default: float | None = None,
        least: float | None = 0,
        is_above: bool = False,
        most: float = 1e7,
        digits: int = 3,
    ) -> float:
        """
        Return a finite number within its bounds, to a thousandth of its unit; 1 with a fault otherwise.

        To a thousandth, but for what no planner reckons with, because the planner reckons in exact fractions
        of that: what it and the checker are given must be the same number.
        """
        value = data.get(key, default)
        field = f"{where}.{key}"
        if isinstance(value, float) and _is_finite(value):
            value = round(value, digits)
        if value is None:
            self.fault(field, say("The number is missing."), say("Give {key!r}.", key=key))
        elif isinstance(value, bool) or not isinstance(value, int | float) or not _is_finite(value):
            self.fault(
                field, say("{value!r:.40} is not a finite number.", value=value), say("Give a plain number.")
            )
        elif least is not None and (value < least or (is_above and value == least)):
            word = say("above") if is_above else say("of at least")
            self.fault(
                field,
                say("The value is {value}.", value=value),
                say("Give a number {word} {least:g}.", word=word, least=least),
            )
        elif abs(value) > most:
            self.fault(
                field,
                say("The value {value} is beyond any vehicle.", value=value),
                say("Give at most {most:g}.", most=most),
            )
        else:
            return value
        return 1.0

    def whole(
        self,
        data: Mapping[str, Any],
        key: str,
        where: str,
        *,
        least: int | None = None,
        most: int = 1_000_000,
        is_optional: bool = False,
    ) -> int | None:
        """Return a whole number within its bounds, None with a fault otherwise."""
        value = data.get(key)
        if value is None and is_optional:
            return None
        field = f"{where}.{key}"
        if isinstance(value, bool) or not isinstance(value, int):
            self.fault(
                field, say("{value!r:.40} is not a whole number.", value=value), say("Give a whole number.")
            )
        elif (least is not None and value < least) or abs(value) > most:
            low = "" if least is None else say("{least} to ", least=least)
            self.fault(
                field,
                say("The value is {value!r:.40}.", value=value),
                say("Give a whole number, {low}{most} at most.", low=low, most=most),
            )
        else:
            return value
        return None

    def switch(self, data: Mapping[str, Any], key: str, where: str, *, default: bool) -> bool:
        """Return true or false, the default with a fault when it is something else."""
        value = data.get(key, default)
        if not isinstance(value, bool):
            self.fault(
                f"{where}.{key}",
                say("{value!r:.40} is not true or false.", value=value),
                say("Give true or false."),
            )
            return default
        return value

    def footprint(self, value: object, where: str) -> tuple[float, float]:
        """Return the longer and the shorter side of a footprint such as 800x1200, in mm."""
        sides = value.lower().replace("×", "x").split("x") if isinstance(value, str) else []
        if len(sides) != 2 or not all(side.strip().isdecimal() for side in sides):
            self.fault(
                where,
                say("{value!r:.40} is not a footprint.", value=value),
                say('Give it in mm, as in "800x1200".'),
            )
            return (0.0, 0.0)
        longer, shorter = sorted((float(side) for side in sides), reverse=True)
        if not (shorter >= 200 and longer <= 3000):
            self.fault(
                where,
                say("A footprint of {value!r:.40} mm is on no deck.", value=value),
                say("Give both sides in mm."),
            )
        return (longer, shorter)

    def text(self, data: Mapping[str, Any], key: str, where: str) -> str:
        """Return a text, an empty one with a fault otherwise."""
        value = data.get(key)
        if isinstance(value, str) and value:
            return value
        self.fault(
            f"{where}.{key}",
            say("The name is missing or not a text."),
            say("Give {key!r} as a text.", key=key),
        )
        return ""
