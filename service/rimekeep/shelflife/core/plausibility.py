"""Whether a route of ageing is of the size others have measured: a word beside a profile, no refusal."""

import math
from dataclasses import dataclass
from itertools import pairwise

from rimekeep.shelflife.core.routes import AnyRoute
from rimekeep.units import f_to_c

COLD_C, WARM_C = 4.0, 37.0


@dataclass(frozen=True, slots=True)
class Published:
    """How many times faster beer ages at 37 °C than at 4 °C, by somebody's measurement."""

    what: str
    ratio: float
    source: str


_LWT = (
    "I. M. Ferreira et al., Impact of temperature during beer storage on beer chemical profile, "
    "LWT 154 (2022) 112688 (abstract read)"
)
PUBLISHED = (
    Published("esters", 20.0, _LWT),
    Published("aldehydes", 90.0, _LWT),
    Published(
        "furfural",
        109.998,
        "Kvasný průmysl 24(2) 30-32 (1978), DOI 10.18832/kp1978005: E = 101.8 kJ/mol, fitted at 20 to 37 °C; "
        "the ratio is computed from it",
    ),
    Published("furanic compounds", 140.0, _LWT),
)
# The rule's days at its temperatures in °F.
RULE_OF_THUMB = ((90, 3.0), (72, 30.0), (38, 300.0))
RULE_SOURCE = (
    "the 3-30-300 rule: common practice, no source; its two halves differ by a factor of two in activation "
    "energy, so it is no law and nothing is fitted to it"
)


@dataclass(frozen=True, slots=True)
class Thumb:
    """One step of the 3-30-300 rule: how much longer beer keeps where it is colder, by rule and by route."""

    warm_c: float
    cold_c: float
    rule_ratio: float
    route_ratio: float | None


@dataclass(frozen=True, slots=True)
class Plausibility:
    """
    Where a route lies among published ratios of the rates at 37 and 4 °C.

    ``ratio`` is None when nothing happens at 4 °C. ``place`` is ``"below"``, ``"within"`` or ``"above"`` the
    published ones; ``nearest`` is the closest of them (by logarithm).
    """

    route: str
    ratio: float | None
    lowest: Published
    highest: Published
    place: str
    nearest: Published | None
    thumb: tuple[Thumb, ...]
    thumb_source: str
    text: str


def plausibility(route: AnyRoute) -> Plausibility:
    """
    Return where a route's answer to temperature lies among those measured in beer.

    Parameters
    ----------
    route
        Any form. What was published is about flavour; haze and growth may well lie elsewhere.

    Returns
    -------
    Plausibility
        With the sources, and beside it the 3-30-300 rule.

    References
    ----------
    Those of `PUBLISHED`.

    Examples
    --------
    >>> from rimekeep.shelflife.core.routes import Route
    >>> plausibility(Route("staling", 20, 120, 97.0)).text
    'ages 88.1 times faster at 37 than at 4 °C; within the published 20 (esters) to 140 (furanic compounds)'
    """
    lowest, highest = PUBLISHED[0], PUBLISHED[-1]
    ratio = _ratio(route, WARM_C, COLD_C)
    bracket = f"the published {lowest.ratio:g} ({lowest.what}) to {highest.ratio:g} ({highest.what})"
    if ratio is None:
        place, nearest, words = "above", None, f"does not age at {COLD_C:g} °C at all; above {bracket}"
    else:
        place = "below" if ratio < lowest.ratio else "above" if ratio > highest.ratio else "within"
        known = math.log(ratio)
        nearest = min(PUBLISHED, key=lambda one: abs(math.log(one.ratio) - known))
        words = f"ages {ratio:.3g} times faster at {WARM_C:g} than at {COLD_C:g} °C; {place} {bracket}"
    steps = pairwise(RULE_OF_THUMB)
    thumb = tuple(
        Thumb(
            f_to_c(warm_f),
            f_to_c(cold_f),
            cold_days / warm_days,
            _ratio(route, f_to_c(warm_f), f_to_c(cold_f)),
        )
        for (warm_f, warm_days), (cold_f, cold_days) in steps
    )
    return Plausibility(route.name, ratio, lowest, highest, place, nearest, thumb, RULE_SOURCE, words)


def _ratio(route: AnyRoute, warm_c: float, cold_c: float) -> float | None:
    cold = route.rate_per_day(cold_c)
    return route.rate_per_day(warm_c) / cold if cold > 0 else None
