"""
How many lashings hold a load.

Caution: a count is the least, for sound straps, sound anchor points and pallets that hold together. The
driver's check, the strap's label and local rules decide; blocking against the front wall is often the better
way.
"""

from math import ceil, isfinite, radians, sin

from rimekeep.errors import invalid
from rimekeep.units import G_M_S2
from rimekeep.wording import say

# A load computed as exactly n lashings must not become n + 1 through the last bit.
_ROUNDING = 1e-9


def _at_least(name: str, value: float, least: float, *, is_above: bool = False) -> None:
    if not isfinite(value) or value < least or (is_above and value == least):
        word = say("above") if is_above else say("of at least")
        raise invalid(
            name,
            say("The value is {value}.", value=value),
            say("Give a number {word} {least:g}.", word=word, least=least),
        )


def lashings_needed(
    mass_kg: float,
    *,
    friction: float,
    angle_deg: float,
    tension_dan: float,
    acceleration: float,
    safety_factor: float,
) -> int:
    """
    Return how many top-over lashings hold a load by friction alone.

    ``n >= (c − μ) m g f_s / (2 μ sin α F_T)`` [1]_; none when friction alone holds, that is when μ >= c.

    Parameters
    ----------
    mass_kg
        Mass held, >= 0. [kg]
    friction
        Friction factor μ between load and deck, > 0. [-]
    angle_deg
        Lashing against the deck, above 0 up to 90. [°]
    tension_dan
        Standard tension force of one lashing as its label states, > 0. [daN]
    acceleration
        Coefficient c: 0.8 forwards, 0.5 sideways and backwards on the road. [-]
    safety_factor
        f_s: 1.25 forwards, 1.1 otherwise (from memory), >= 1. [-]

    Returns
    -------
    int
        Lashings, each over the load and fastened on both sides. [-]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] EN 12195-1:2010, friction lashing; formula as circulated, the standard's text was not read.

    Examples
    --------
    >>> lashings_needed(
    ...     4000, friction=0.3, angle_deg=60, tension_dan=300, acceleration=0.8, safety_factor=1.25
    ... )
    16
    """
    _at_least("mass_kg", mass_kg, 0)
    _at_least("friction", friction, 0, is_above=True)
    _at_least("angle_deg", angle_deg, 0, is_above=True)
    _at_least("tension_dan", tension_dan, 0, is_above=True)
    _at_least("acceleration", acceleration, 0)
    _at_least("safety_factor", safety_factor, 1)
    if angle_deg > 90:
        raise invalid(
            "angle_deg",
            say("The value is {angle_deg}.", angle_deg=angle_deg),
            say("Measure the flat angle, 90° at most."),
        )
    if friction >= acceleration:
        return 0
    force_n = (acceleration - friction) * mass_kg * G_M_S2 * safety_factor
    one_n = 2 * friction * sin(radians(angle_deg)) * tension_dan * 10
    if not (one_n > 0 and isfinite(force_n / one_n)):
        raise invalid(
            "angle_deg", say("Such a strap holds nothing."), say("Check friction, angle and tension.")
        )
    return max(0, ceil(force_n / one_n - _ROUNDING))


def tiedowns_required(length_ft: float, weight_lb: float, *, blocked_forward: bool) -> int:
    """
    Return the least number of tiedowns for one article on a United States road.

    Blocked against forward movement: one per 10 ft or part. Otherwise one up to 5 ft and 1,100 lb, two up to
    10 ft (or short and heavier), then one more per further 10 ft or part [1]_.

    Parameters
    ----------
    length_ft
        Length of the article, > 0. [ft]
    weight_lb
        Its weight, >= 0. [lb]
    blocked_forward
        True when a wall, bulkhead or other cargo stops it moving forwards.

    Returns
    -------
    int
        Tiedowns; the working load limit may ask for more (see `tiedowns_for_working_load`). [-]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] 49 CFR 393.110(b)-(c); section text from memory, agreed in secondary public sources.

    Examples
    --------
    >>> tiedowns_required(20.5, 5000, blocked_forward=False)
    4
    """
    _at_least("length_ft", length_ft, 0, is_above=True)
    _at_least("weight_lb", weight_lb, 0)
    if blocked_forward:
        return ceil(length_ft / 10 - _ROUNDING)
    if length_ft <= 5 and weight_lb <= 1100:
        return 1
    if length_ft <= 10:
        return 2
    return 2 + ceil((length_ft - 10) / 10 - _ROUNDING)


def tiedowns_for_working_load(
    weight_lb: float, *, working_load_limit_lb: float, is_vehicle_to_cargo: bool
) -> int:
    """
    Return how many tiedowns reach an aggregate working load limit of half the weight.

    A tiedown from the vehicle to the cargo counts with half its limit, one that passes over to another anchor
    point with all of it [1]_.

    Parameters
    ----------
    weight_lb
        Weight of the article, >= 0. [lb]
    working_load_limit_lb
        Limit of one tiedown as marked, > 0. [lb]
    is_vehicle_to_cargo
        True when each tiedown ends at the cargo itself.

    Returns
    -------
    int
        Tiedowns. [-]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] 49 CFR 393.106(d); from memory and a secondary source.

    Examples
    --------
    >>> tiedowns_for_working_load(46000, working_load_limit_lb=3333, is_vehicle_to_cargo=False)
    7
    """
    _at_least("weight_lb", weight_lb, 0)
    _at_least("working_load_limit_lb", working_load_limit_lb, 0, is_above=True)
    each = working_load_limit_lb * (0.5 if is_vehicle_to_cargo else 1.0)
    return ceil(weight_lb / 2 / each - _ROUNDING)
