"""Conversions between the units people use and the ones computed with. Factors are exact by definition."""

KELVIN_OFFSET = 273.15
GAS_CONSTANT_J_MOL_K = 8.314462618  # CODATA 2018, exact since the 2019 SI
LB_PER_KG = 1 / 0.45359237  # international avoirdupois pound, exact
M_PER_FT = 0.3048  # international foot, exact
MM_PER_IN = 25.4  # international inch, exact
G_M_S2 = 9.81  # as EN 12195-1 uses it


def c_to_k(temp_c: float) -> float:
    """Return kelvin for °C."""
    return temp_c + KELVIN_OFFSET


def k_to_c(temp_k: float) -> float:
    """Return °C for kelvin."""
    return temp_k - KELVIN_OFFSET


def f_to_c(temp_f: float) -> float:
    """Return °C for °F."""
    return (temp_f - 32) / 1.8


def c_to_f(temp_c: float) -> float:
    """Return °F for °C."""
    return temp_c * 1.8 + 32
