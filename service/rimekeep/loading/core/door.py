"""Warm air through an open door: the exchange that buoyancy drives, dry and damp heat together."""

import math

from rimekeep.climate.core.dewpoint import MAGNUS_FACTOR, MAGNUS_OFFSET_C, MAGNUS_RANGE_C
from rimekeep.errors import invalid
from rimekeep.units import KELVIN_OFFSET
from rimekeep.wording import say

# Properties of moist air at sea level; textbook values, from memory. [Pa, J/(kg K), J/(kg K), J/kg]
PRESSURE_PA = 101_325.0
AIR_GAS_J_KGK = 287.06
AIR_HEAT_J_KGK = 1006.0
VAPOUR_HEAT_J_KGK = 1860.0
EVAPORATION_J_KG = 2_501_000.0
VAPOUR_TO_AIR = 0.622
SATURATION_AT_0_PA = 611.2
FREE_FALL_M_S2 = 9.80665
# W. B. Gosney and H. A.-L. Olama, "Heat and enthalpy gains through cold room doorways", Proc. Inst. Refrig.
# 72 (1975), as refrigeration handbooks give it (from memory). The factor is the same as 13.26 ft³/min per
# ft² and ft/s in a published door estimator (T. Jekel, 2017): 13.26/60 = 0.221.
GOSNEY_OLAMA = 0.221


def humidity_ratio(air_c: float, relative_humidity_pct: float) -> float:
    """Return the water in moist air. [kg/kg of dry air]"""
    low_c, high_c = MAGNUS_RANGE_C
    if not low_c <= air_c <= high_c:
        raise invalid(
            "air_c",
            say("{air_c} °C is outside {low_c:g} to {high_c:g} °C.", air_c=air_c, low_c=low_c, high_c=high_c),
            say("Check the unit."),
        )
    if not 0 <= relative_humidity_pct <= 100:
        raise invalid(
            "humidity_pct",
            say("{relative_humidity_pct} % is not 0 to 100.", relative_humidity_pct=relative_humidity_pct),
            say("Give percent."),
        )
    full_pa = SATURATION_AT_0_PA * math.exp(MAGNUS_FACTOR * air_c / (MAGNUS_OFFSET_C + air_c))
    vapour_pa = relative_humidity_pct / 100 * full_pa
    return VAPOUR_TO_AIR * vapour_pa / (PRESSURE_PA - vapour_pa)


def enthalpy_j_kg(air_c: float, water: float) -> float:
    """Return the enthalpy of moist air over dry air at 0 °C. [J/kg of dry air]"""
    return AIR_HEAT_J_KGK * air_c + water * (EVAPORATION_J_KG + VAPOUR_HEAT_J_KGK * air_c)


def density_kg_m3(air_c: float, water: float) -> float:
    """Return the density of moist air at sea level. [kg/m³]"""
    kelvin = air_c + KELVIN_OFFSET
    return PRESSURE_PA / (AIR_GAS_J_KGK * kelvin) * (1 + water) / (1 + water / VAPOUR_TO_AIR)


def door_peak_w(
    *,
    width_m: float,
    height_m: float,
    outside_c: float,
    inside_c: float,
    outside_humidity_pct: float,
    inside_humidity_pct: float = 90.0,
) -> float:
    """
    Return the heat of fully developed exchange through an open door [1]_.

    ``0.221 A (h_o − h_i) ρ_i (1 − ρ_o/ρ_i)^½ (g H)^½ F_m``, ``F_m = (2/(1 + (ρ_i/ρ_o)^⅓))^1.5``.

    Parameters
    ----------
    width_m, height_m
        Of the opening, > 0. [m]
    outside_c, inside_c
        Air on either side, −45…60. [°C]
    outside_humidity_pct, inside_humidity_pct
        Over water, 0…100; the inside of a loaded reefer is damp (common practice, no source). [%]

    Returns
    -------
    float
        Heat inwards; 0 where the outside is not warmer and lighter. [W]

    Raises
    ------
    Invalid
        A value is outside its range.

    References
    ----------
    .. [1] W. B. Gosney and H. A.-L. Olama, Proc. Inst. Refrig. 72 (1975), as refrigeration handbooks give it.

    Examples
    --------
    >>> round(door_peak_w(width_m=2.5, height_m=2.6, outside_c=30, inside_c=4, outside_humidity_pct=60))
    151879
    """
    for name, value in (("width_m", width_m), ("height_m", height_m)):
        if not (math.isfinite(value) and value > 0):
            raise invalid(name, say("The value is {value}.", value=value), say("Give metres above 0."))
    outer, inner = (
        humidity_ratio(outside_c, outside_humidity_pct),
        humidity_ratio(inside_c, inside_humidity_pct),
    )
    light, heavy = density_kg_m3(outside_c, outer), density_kg_m3(inside_c, inner)
    gain = enthalpy_j_kg(outside_c, outer) - enthalpy_j_kg(inside_c, inner)
    if light >= heavy or gain <= 0:
        return 0.0
    factor = math.pow(2 / (1 + math.pow(heavy / light, 1 / 3)), 1.5)
    flow = math.sqrt(1 - light / heavy) * math.sqrt(FREE_FALL_M_S2 * height_m) * factor
    return GOSNEY_OLAMA * width_m * height_m * gain * heavy * flow
