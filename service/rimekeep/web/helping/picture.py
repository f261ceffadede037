"""The picture of the model: a warm spell, the core behind it, and the life it costs, by the model itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from rimekeep.shelflife.core.exposure import Route, cumulative_life
from rimekeep.shelflife.core.thermal import core_temperature

WIDTH, HEIGHT = 600, 180
HOURS, COLD_C, WARM_C = 72, 3.0, 15.0
FROM_H, UNTIL_H, TAU_H = 12.0, 24.0, 9.0
TOP_C = 18.0
# As in the demo: furfural in pasteurised beer; the life at 20 °C is invented.
ROUTE = Route("staling", reference_c=20.0, reference_life_days=60.0, activation_kj_mol=101.8)


@dataclass(frozen=True, slots=True)
class WarmSpell:
    """Lines as SVG points in a frame of `WIDTH` × `HEIGHT`, and the figures told beside them."""

    air: str
    core: str
    used: str
    peak_core_c: float
    lost_hours_cold: float
    width: int = WIDTH
    height: int = HEIGHT
    warm_c: float = WARM_C
    cold_c: float = COLD_C
    tau_h: float = TAU_H


@cache
def warm_spell() -> WarmSpell:
    """Reckon the picture."""
    air_h = np.array([0, FROM_H, FROM_H, UNTIL_H, UNTIL_H, HOURS], float)
    air_c = np.array([COLD_C, COLD_C, WARM_C, WARM_C, COLD_C, COLD_C])
    at_h = np.linspace(0, HOURS, 145)
    core_c = np.asarray(core_temperature(air_h, air_c, tau_h=TAU_H, at_h=at_h))
    # Life by the hour: the core itself is handed in as what the beer saw.
    used = cumulative_life(at_h, core_c, routes=[ROUTE]).used["staling"]
    quiet = cumulative_life([0, HOURS], [COLD_C, COLD_C], routes=[ROUTE]).used["staling"][-1]
    lost_h = (used[-1] - quiet) / quiet * HOURS
    top = float(used[-1])
    return WarmSpell(
        air=_points(air_h, HEIGHT * (1 - air_c / TOP_C)),
        core=_points(at_h, HEIGHT * (1 - core_c / TOP_C)),
        used=_points(at_h, HEIGHT * (1 - used / top)),
        peak_core_c=float(core_c.max()),
        lost_hours_cold=float(lost_h),
    )


def _points(at_h: Sequence[float] | np.ndarray, y: Sequence[float] | np.ndarray) -> str:
    return " ".join(f"{hour * WIDTH / HOURS:.1f},{level:.1f}" for hour, level in zip(at_h, y, strict=True))
