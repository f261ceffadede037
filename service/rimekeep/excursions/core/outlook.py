"""How long the beer in a failing room has, if nothing changes: until a core is where the air must not be."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rimekeep.shelflife.core.thermal import time_to_reach


@dataclass(frozen=True, slots=True)
class Core:
    """The core of one kind of pack in the room now, and the temperature it must not reach. [h, °C]"""

    sku: str
    tau_h: float
    core_c: float
    limit_c: float
    cases: int


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    The pack that passes its limit first.

    ``hours`` is 0 for one that is past it already and None for "never in this air". [h, °C]
    """

    core: Core
    air_c: float
    hours: float | None

    @property
    def words(self) -> str:
        """Return the answer in words."""
        if self.hours is None:
            return "never in this air"
        return "already past" if self.hours == 0 else f"in {self.hours:.1f} h"


def soonest(cores: Iterable[Core], *, air_c: float, side: Literal["above", "below"]) -> Outlook | None:
    """
    Return which pack's core passes its limit first while the air stays as it is.

    Parameters
    ----------
    cores
        The packs in the room.
    air_c
        The last value of the air, held. [°C]
    side
        Which side of the limit is outside; the limit itself counts as outside.

    Returns
    -------
    Outlook or None
        None for a room without packs whose core is known. Of equals the warmest (coldest) core is named.

    Examples
    --------
    >>> soonest([Core("LAGER", 10.0, 4.0, 8.0, 48)], air_c=12.0, side="above").words
    'in 6.9 h'
    """
    sign = 1.0 if side == "above" else -1.0

    def hours(core: Core) -> float:
        if sign * core.core_c >= sign * core.limit_c:
            return 0.0
        if core.tau_h == 0:
            return 0.0 if sign * air_c >= sign * core.limit_c else math.inf
        return time_to_reach(core.core_c, core.limit_c, ambient_c=air_c, tau_h=core.tau_h)

    ranked = [(hours(core), -sign * (core.core_c - core.limit_c), core.sku, core) for core in cores]
    if not ranked:
        return None
    first, _, _, core = min(ranked, key=lambda one: one[:3])
    return Outlook(core, air_c, first if math.isfinite(first) else None)
