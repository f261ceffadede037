"""How long a beer keeps at each constant temperature, and how surely: the table behind a plot."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.errors import invalid
from rimekeep.shelflife.core.exposure import check_plausible
from rimekeep.shelflife.core.routes import AnyRoute
from rimekeep.wording import say

LONGEST_DAYS = 36_500.0
MOST_ROWS = 200


@dataclass(frozen=True, slots=True)
class Keeping:
    """
    Life of one route at one temperature.

    ``days`` is None beyond a century; ``sd_days`` when a standard deviation is missing; ``parameter_share``
    is the part of the variance that comes from the parameter of temperature, not from the reference life.
    """

    route: str
    days: float | None
    sd_days: float | None
    parameter_share: float | None


@dataclass(frozen=True, slots=True)
class LifeAt:
    """Life at one constant temperature; ``limited_by`` is the route that ends it first, None if none does."""

    temp_c: float
    limited_by: str | None
    days: float | None
    sd_days: float | None
    routes: tuple[Keeping, ...]


def keeping(route: AnyRoute, temp_c: float) -> Keeping:
    """
    Return how long one route lets beer keep at a constant temperature.

    To first order ``sd² = life²·((σ_L/L)² + (h·σ_p)² − 2ρ·(σ_L/L)·h·σ_p)`` with h = ∂ln r/∂p, p the form's
    parameter and ρ its correlation with L.

    Examples
    --------
    >>> from rimekeep.shelflife.core.routes import Route
    >>> kept = keeping(Route("staling", 20, 100, 101.8, 5, 4, 0.0), 4.0)
    >>> round(kept.days), round(kept.sd_days), round(kept.parameter_share, 2)
    (1115, 119, 0.78)
    """
    temps = np.array([temp_c], dtype=np.float64)
    rates = route.rates(temps)
    rate = float(rates[0])
    if not rate * LONGEST_DAYS >= 1:
        return Keeping(route.name, None, None, None)
    days = 1 / rate
    if route.life_sd_days is None or route.parameter_sd is None:
        return Keeping(route.name, days, None, None)
    of_life = route.life_sd_days / route.reference_life_days
    of_parameter = float(route.slopes(temps, rates)[0][0]) / rate * route.parameter_sd
    variance = of_life**2 + of_parameter**2 - 2 * route.correlation * of_life * of_parameter
    both = of_life**2 + of_parameter**2
    share = of_parameter**2 / both if both > 0 else None
    return Keeping(route.name, days, days * math.sqrt(max(variance, 0.0)), share)


def life_at(routes: Sequence[AnyRoute], temp_c: float) -> LifeAt:
    """Return life at a constant temperature on every route, and the route that ends it."""
    kept = tuple(keeping(route, temp_c) for route in routes)
    ending = min((one for one in kept if one.days is not None), key=lambda one: one.days or 0.0, default=None)
    if ending is None:
        return LifeAt(temp_c, None, None, None, kept)
    return LifeAt(temp_c, ending.route, ending.days, ending.sd_days, kept)


def life_table(routes: Sequence[AnyRoute], from_c: float, to_c: float) -> list[LifeAt]:
    """
    Return life at constant temperatures, one row a degree.

    Parameters
    ----------
    routes
        The ways the beer goes off, one or more.
    from_c, to_c
        First and last temperature, −60…80, the first below the last; the last row is at or just below
        ``to_c``. [°C]

    Returns
    -------
    list of LifeAt
        Coldest first. Of a core at that temperature; an oxygen exponent is not applied.

    Raises
    ------
    Invalid
        A temperature is not plausible, or the range is empty.
    """
    check_plausible("from_c", from_c)
    check_plausible("to_c", to_c)
    if not from_c < to_c:
        raise invalid(
            "to_c",
            say("{to_c:g} °C is not above {from_c:g} °C.", to_c=to_c, from_c=from_c),
            say("Give the colder end first."),
        )
    rows = min(math.floor(to_c - from_c + 1e-9) + 1, MOST_ROWS)
    return [life_at(routes, from_c + row) for row in range(rows)]
