"""Dew point of the air, and whether a cold carton will get wet in it."""

import math

from rimekeep.errors import invalid
from rimekeep.wording import say

# Magnus form over water, WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B.
MAGNUS_FACTOR = 17.62
MAGNUS_OFFSET_C = 243.12
MAGNUS_RANGE_C = (-45.0, 60.0)


def dew_point_c(air_c: float, relative_humidity_pct: float) -> float:
    """
    Return the temperature at which air of this humidity starts to wet a surface.

    Parameters
    ----------
    air_c
        Air temperature, −45…60, the range the form was fitted for. [°C]
    relative_humidity_pct
        Over water, above 0, up to 100. [%]

    Returns
    -------
    float
        Dew point over water; never above the air temperature. [°C]

    Raises
    ------
    Invalid
        A value lies outside its range.

    References
    ----------
    WMO-No. 8, Guide to Instruments and Methods of Observation, part I, annex 4.B (Magnus form, 17.62 and
    243.12 °C).

    Examples
    --------
    >>> round(dew_point_c(25, 60), 4)
    16.6931
    """
    low_c, high_c = MAGNUS_RANGE_C
    if not low_c <= air_c <= high_c:
        raise invalid(
            "air_c",
            say("{air_c} °C is outside {low_c:g} to {high_c:g} °C.", air_c=air_c, low_c=low_c, high_c=high_c),
            say("Check the unit and the sensor."),
        )
    # Divided first: a positive number so small that its share vanishes is no humidity either.
    if not 0 < relative_humidity_pct / 100 <= 1:
        raise invalid(
            "relative_humidity_pct",
            say(
                "{relative_humidity_pct} % is not above 0 and up to 100.",
                relative_humidity_pct=relative_humidity_pct,
            ),
            say("Give percent, not a fraction; a sensor reading above 100 is wet or out of calibration."),
        )
    g = math.log(relative_humidity_pct / 100) + MAGNUS_FACTOR * air_c / (MAGNUS_OFFSET_C + air_c)
    # Full air is at its dew point: rounding must not lift that above it and wet a carton as warm as the air.
    return min(MAGNUS_OFFSET_C * g / (MAGNUS_FACTOR - g), float(air_c))


def condenses(surface_c: float, *, air_c: float, relative_humidity_pct: float) -> bool:
    """Return whether water settles on a surface: it is colder than the air's dew point. [°C, %]"""
    return surface_c < dew_point_c(air_c, relative_humidity_pct)
