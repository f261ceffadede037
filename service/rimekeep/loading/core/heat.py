"""
Heat a refrigerated body takes in: walls, doors, warm cargo.

Advisory: the unit's maker and the body's ATP certificate decide what a vehicle may carry.
"""

from math import isfinite

from rimekeep.errors import invalid
from rimekeep.wording import say

# ATP Annex 1: bodies "heavily insulated" have K of at most this.
ATP_HEAVILY_INSULATED_MAX_W_M2K = 0.40
# ATP Annex 1, Appendix 2 (from memory): capacity against wall loss in the class test.
ATP_CAPACITY_FACTOR = 1.75


def _not_negative(**values: float) -> None:
    for name, value in values.items():
        if not isfinite(value) or value < 0:
            raise invalid(name, say("The value is {value}.", value=value), say("Give a number of 0 or more."))


def wall_load_w(area_m2: float, k_w_m2k: float, delta_k: float) -> float:
    """
    Return the heat through the walls of an insulated body, ``K S ΔT`` [1]_.

    Parameters
    ----------
    area_m2
        Mean surface, the geometric mean of inside and outside, >= 0. [m²]
    k_w_m2k
        Overall coefficient of heat transfer, >= 0. [W/(m² K)]
    delta_k
        Outside minus inside air; negative when heat leaves. [K]

    Returns
    -------
    float
        Heat flow inwards. [W]

    Raises
    ------
    Invalid
        Area or coefficient negative, or a number not finite.

    References
    ----------
    .. [1] ATP, Annex 1: K = W / (S ΔT).

    Examples
    --------
    >>> round(wall_load_w(150.041, 0.4, 50), 2)
    3000.82
    """
    _not_negative(area_m2=area_m2, k_w_m2k=k_w_m2k)
    if not isfinite(delta_k):
        raise invalid(
            "delta_k", say("The value is {delta_k}.", delta_k=delta_k), say("Give a finite difference.")
        )
    return area_m2 * k_w_m2k * delta_k


def capacity_needed_w(wall_w: float, *, factor: float = ATP_CAPACITY_FACTOR) -> float:
    """Return the unit capacity that covers a wall load with the class test's factor. [W]"""
    _not_negative(wall_w=wall_w, factor=factor)
    return wall_w * factor


def door_energy_j(*, peak_w: float, open_s: float, flow_factor: float, protection: float = 0.0) -> float:
    """
    Return the heat one door opening lets in.

    Parameters
    ----------
    peak_w
        Heat flow of fully developed exchange through the open door, >= 0. [W]
    open_s
        Time open, >= 0. [s]
    flow_factor
        Share of that flow reached on average, 0...1. [-]
    protection
        Share a curtain or flap keeps out, 0...1. [-]

    Returns
    -------
    float
        Heat per opening. [J]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] Energy balance; flow factor and protection enter as plain shares.

    Examples
    --------
    >>> round(door_energy_j(peak_w=95930, open_s=600, flow_factor=0.8) / 1e6, 2)
    46.05
    """
    _not_negative(peak_w=peak_w, open_s=open_s, flow_factor=flow_factor, protection=protection)
    for name, share in (("flow_factor", flow_factor), ("protection", protection)):
        if share > 1:
            raise invalid(
                name, say("The value is {share}.", share=share), say("Give a share between 0 and 1.")
            )
    return peak_w * open_s * flow_factor * (1 - protection)


def door_load_w(
    *,
    peak_w: float,
    open_s: float,
    stops: int,
    trip_hours: float,
    flow_factor: float = 0.8,
    protection: float = 0.0,
) -> float:
    """
    Return the heat of all door openings of a trip, spread over the trip.

    Parameters
    ----------
    peak_w, open_s, flow_factor, protection
        As in `door_energy_j`, per stop.
    stops
        Openings, >= 0. [-]
    trip_hours
        Length of the trip, > 0. [h]

    Returns
    -------
    float
        Mean heat flow. [W]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] Energy balance.

    Examples
    --------
    >>> round(door_load_w(peak_w=95930, open_s=600, stops=3, trip_hours=8))
    4796
    """
    _not_negative(stops=stops, trip_hours=trip_hours)
    if trip_hours == 0:
        raise invalid("trip_hours", say("The trip takes no time."), say("Give hours above 0."))
    one_j = door_energy_j(peak_w=peak_w, open_s=open_s, flow_factor=flow_factor, protection=protection)
    return one_j * stops / (trip_hours * 3600)


def product_load_w(mass_kg: float, cp_j_kgk: float, delta_k: float, hours: float) -> float:
    """
    Return the mean heat flow that cools a load within a time, ``m c ΔT / t``.

    Parameters
    ----------
    mass_kg
        Mass of the load, >= 0. [kg]
    cp_j_kgk
        Specific heat, >= 0; beer is close to water, about 4000 (common practice, no source). [J/(kg K)]
    delta_k
        Load minus setpoint; negative when the load is colder. [K]
    hours
        Time allowed, > 0. [h]

    Returns
    -------
    float
        Heat flow to take out. [W]

    Raises
    ------
    Invalid
        A parameter breaks its bound.

    References
    ----------
    .. [1] Energy balance.

    Examples
    --------
    >>> product_load_w(3600, 4000, 2, 8)
    1000.0
    """
    _not_negative(mass_kg=mass_kg, cp_j_kgk=cp_j_kgk, hours=hours)
    if not isfinite(delta_k):
        raise invalid(
            "delta_k", say("The value is {delta_k}.", delta_k=delta_k), say("Give a finite difference.")
        )
    if hours == 0:
        raise invalid("hours", say("No time is given."), say("Give hours above 0."))
    return mass_kg * cp_j_kgk * delta_k / (hours * 3600)
