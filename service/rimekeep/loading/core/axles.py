"""
What the axles carry: moments of a loaded deck, and the United States bridge formula.

Caution: axle loads computed from stated masses and dimensions are a forecast. A certified weighbridge
decides, and overloaded axles lose braking and steering; local law and the vehicle's plate come first.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rimekeep.errors import invalid
from rimekeep.loading.core.limits import US_GROSS_MAX_LB, US_TANDEM_AXLE_MAX_LB, US_TWO_TANDEM_MIN_FT
from rimekeep.wording import say

Floats = NDArray[np.float64]


def _moments(masses_kg: ArrayLike, x_mm: ArrayLike, *, name: str) -> tuple[Floats, Floats]:
    """Return total mass and first moment about the deck's front, summed over the last axis."""
    masses = np.asarray(masses_kg, dtype=np.float64)
    places = np.asarray(x_mm, dtype=np.float64)
    if not (np.isfinite(masses).all() and np.isfinite(places).all()):
        raise invalid(
            name, say("A mass or a position is not a finite number."), say("Give kilograms and millimetres.")
        )
    if (masses < 0).any():
        raise invalid("masses_kg", say("A mass is negative."), say("Give masses of 0 kg or more."))
    try:
        moment = masses * places
    except ValueError:
        raise invalid(
            name,
            say(
                "Masses of shape {shape} do not match positions of shape {places_shape}.",
                shape=masses.shape,
                places_shape=places.shape,
            ),
            say("Give one position per mass."),
        ) from None
    return (np.broadcast_to(masses, moment.shape)).sum(axis=-1), moment.sum(axis=-1)


def kingpin_and_bogie_kg(
    masses_kg: ArrayLike, x_mm: ArrayLike, *, d_k_mm: float, l_s_mm: float
) -> tuple[Floats, Floats]:
    """
    Return what a load puts on the kingpin and on the bogie of a semi-trailer.

    The trailer is a beam on two supports, so ``bogie = Σ m (x − d_k) / l_s`` and the kingpin takes the rest.
    A pallet behind the bogie lifts the kingpin, one ahead of the kingpin lifts the bogie.

    Parameters
    ----------
    masses_kg
        Pallet masses, >= 0, shape (..., n). [kg]
    x_mm
        Pallet centres from the inside of the front wall, broadcast against the masses. [mm]
    d_k_mm
        Kingpin from the same wall. [mm]
    l_s_mm
        Kingpin to the middle of the bogie, > 0. [mm]

    Returns
    -------
    tuple of numpy.ndarray
        Kingpin and bogie load without tare, shape (...). [kg]

    Raises
    ------
    Invalid
        A number is not finite, a mass negative, a length not positive, or the shapes do not match.

    References
    ----------
    .. [1] Moment equilibrium of a beam on two supports.

    Examples
    --------
    >>> kingpin, bogie = kingpin_and_bogie_kg([800] * 4, [500, 1500, 2500, 3500], d_k_mm=900, l_s_mm=4200)
    >>> round(float(kingpin)), round(float(bogie))
    (2362, 838)
    """
    if not l_s_mm > 0:
        raise invalid(
            "l_s_mm", say("Kingpin to bogie is {l_s_mm} mm.", l_s_mm=l_s_mm), say("Give a length above 0 mm.")
        )
    total, moment = _moments(masses_kg, x_mm, name="masses_kg, x_mm")
    bogie = (moment - d_k_mm * total) / l_s_mm
    return total - bogie, bogie


def tractor_axles_kg(
    kingpin_kg: ArrayLike, *, front_tare_kg: float, drive_tare_kg: float, e_mm: float, wheelbase_mm: float
) -> tuple[Floats, Floats]:
    """
    Return the loads on a two-axle tractor's front and drive axle under a kingpin load.

    Parameters
    ----------
    kingpin_kg
        Load on the kingpin beyond what the tares already hold, any shape. [kg]
    front_tare_kg, drive_tare_kg
        Axle loads with the empty trailer coupled. [kg]
    e_mm
        Fifth wheel ahead of the drive axle. [mm]
    wheelbase_mm
        Front to drive axle, > 0. [mm]

    Returns
    -------
    tuple of numpy.ndarray
        Front and drive axle load, same shape as ``kingpin_kg``. [kg]

    Raises
    ------
    Invalid
        The wheelbase is not positive.

    References
    ----------
    .. [1] Moment equilibrium of a beam on two supports.

    Examples
    --------
    >>> front, drive = tractor_axles_kg(
    ...     10000, front_tare_kg=4500, drive_tare_kg=2500, e_mm=1000, wheelbase_mm=4000
    ... )
    >>> float(front), float(drive)
    (7000.0, 10000.0)
    """
    if not wheelbase_mm > 0:
        raise invalid(
            "wheelbase_mm",
            say("The wheelbase is {wheelbase_mm} mm.", wheelbase_mm=wheelbase_mm),
            say("Give a length above 0 mm."),
        )
    kingpin = np.asarray(kingpin_kg, dtype=np.float64)
    on_front = kingpin * (e_mm / wheelbase_mm)
    return front_tare_kg + on_front, drive_tare_kg + (kingpin - on_front)


def rigid_axles_kg(
    masses_kg: ArrayLike,
    x_mm: ArrayLike,
    *,
    front_axle_x_mm: float,
    wheelbase_mm: float,
    front_tare_kg: float = 0.0,
    rear_tare_kg: float = 0.0,
) -> tuple[Floats, Floats]:
    """
    Return the loads on a rigid truck's front and rear axle.

    Parameters
    ----------
    masses_kg
        Pallet masses, >= 0, shape (..., n). [kg]
    x_mm
        Pallet centres from the inside of the body's front wall. [mm]
    front_axle_x_mm
        Front axle from the same wall, negative when it lies ahead of it. [mm]
    wheelbase_mm
        Front to rear axle (to the middle of a rear group), > 0. [mm]
    front_tare_kg, rear_tare_kg
        Axle loads of the empty truck. [kg]

    Returns
    -------
    tuple of numpy.ndarray
        Front and rear axle load, shape (...). [kg]

    Raises
    ------
    Invalid
        A number is not finite, a mass negative, the wheelbase not positive, or the shapes do not match.

    References
    ----------
    .. [1] Moment equilibrium of a beam on two supports.

    Examples
    --------
    >>> front, rear = rigid_axles_kg([1000], [4000], front_axle_x_mm=-1000, wheelbase_mm=5000)
    >>> float(front), float(rear)
    (0.0, 1000.0)
    """
    if not wheelbase_mm > 0:
        raise invalid(
            "wheelbase_mm",
            say("The wheelbase is {wheelbase_mm} mm.", wheelbase_mm=wheelbase_mm),
            say("Give a length above 0 mm."),
        )
    total, moment = _moments(masses_kg, x_mm, name="masses_kg, x_mm")
    rear = (moment - front_axle_x_mm * total) / wheelbase_mm
    return front_tare_kg + (total - rear), rear_tare_kg + rear


def bridge_limit_lb(axles: int, length_ft: float, *, is_two_tandems: bool = False) -> int:
    """
    Return the heaviest group of consecutive axles United States interstates allow.

    ``W = 500 (L N / (N − 1) + 12 N + 36)`` to the nearest 500 lb, a tie going down, and never above 80,000 lb
    [1]_.

    Parameters
    ----------
    axles
        Axles in the group, >= 2. [-]
    length_ft
        Between the outermost axles, > 0. [ft]
    is_two_tandems
        True for two consecutive tandem sets: at 36 ft or more they may carry 34,000 lb each.

    Returns
    -------
    int
        Limit on the group. [lb]

    Raises
    ------
    Invalid
        Fewer than two axles, or a length that is not positive and finite.

    References
    ----------
    .. [1] 23 U.S.C. 127(a)(2).

    Examples
    --------
    >>> bridge_limit_lb(5, 51)
    80000
    """
    if axles < 2:
        raise invalid(
            "axles",
            say("A group of {axles} axles spans nothing.", axles=axles),
            say("Give two axles or more."),
        )
    if not (np.isfinite(length_ft) and length_ft > 0):
        raise invalid(
            "length_ft",
            say("The length is {length_ft} ft.", length_ft=length_ft),
            say("Give a length above 0 ft."),
        )
    steps = length_ft * axles / (axles - 1) + 12 * axles + 36
    whole = int(np.ceil(steps - 0.5 - 1e-9))
    limit = 500 * whole
    if is_two_tandems and axles == 4 and length_ft >= US_TWO_TANDEM_MIN_FT:
        limit = max(limit, 2 * US_TANDEM_AXLE_MAX_LB)
    return min(limit, US_GROSS_MAX_LB)


def over_bridge_lb(
    axle_loads_lb: Sequence[float], axle_x_ft: Sequence[float]
) -> list[tuple[int, int, float]]:
    """Return every consecutive axle group over its bridge limit as (first, last, pounds over)."""
    if len(axle_loads_lb) != len(axle_x_ft):
        raise invalid(
            "axle_x_ft", say("Loads and positions differ in number."), say("Give one position per axle.")
        )
    over = []
    for first in range(len(axle_x_ft)):
        for last in range(first + 1, len(axle_x_ft)):
            limit = bridge_limit_lb(last - first + 1, axle_x_ft[last] - axle_x_ft[first])
            excess = sum(axle_loads_lb[first : last + 1]) - limit
            if excess > 0:
                over.append((first, last, excess))
    return over
