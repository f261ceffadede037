"""Activation energies fitted to rates, against published and independent fits."""

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import linregress

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.shelflife.core.calibration import fit_arrhenius
from rimekeep.shelflife.core.kinetics import arrhenius_rate
from rimekeep.units import GAS_CONSTANT_J_MOL_K


@pytest.mark.parametrize("record", records("arrhenius_fits", "arrhenius_linear_fit"), ids=by_id)
def test_fit_agrees_with_the_reference(record: dict[str, Any]) -> None:
    given_, expected = record["inputs"], record["expected"]
    fit = fit_arrhenius(given_["temps_k"], given_["k"])
    assert fit.activation_kj_mol == pytest.approx(expected["ea_kj_per_mol"], rel=1e-7)
    assert fit.stderr_kj_mol == pytest.approx(expected["ea_se_kj_per_mol"], rel=1e-5)
    assert fit.ln_a == pytest.approx(expected["ln_a"], rel=1e-7)


def test_fit_agrees_with_another_regression_on_noisy_rates() -> None:
    rng = np.random.default_rng(3)
    temps_k = np.array([277.0, 283.0, 293.0, 293.0, 303.0, 310.0])
    rates = np.exp(40 - 12_000 / temps_k + 0.1 * rng.standard_normal(temps_k.size))
    fit, line = fit_arrhenius(temps_k, rates), linregress(1 / temps_k, np.log(rates))
    assert fit.activation_kj_mol == pytest.approx(-line.slope * GAS_CONSTANT_J_MOL_K / 1000, rel=1e-9)
    assert fit.stderr_kj_mol == pytest.approx(line.stderr * GAS_CONSTANT_J_MOL_K / 1000, rel=1e-7)
    assert fit.rate(288.15) == pytest.approx(math.exp(line.intercept + line.slope / 288.15), rel=1e-9)


def test_the_covariance_of_energy_and_intercept_is_polyfit_s() -> None:
    """numpy.polyfit of ln k on −1/RT, scaled by the residual variance."""
    rng = np.random.default_rng(4)
    temps_k = np.array([277.0, 283.0, 293.0, 303.0, 310.0])
    rates = np.exp(40 - 12_000 / temps_k + 0.1 * rng.standard_normal(temps_k.size))
    fit = fit_arrhenius(temps_k, rates)
    _, covariance = np.polyfit(-1000 / (GAS_CONSTANT_J_MOL_K * temps_k), np.log(rates), 1, cov=True)
    assert np.array(fit.covariance) == pytest.approx(covariance, rel=1e-6)
    assert math.sqrt(fit.covariance[0][0]) == pytest.approx(fit.stderr_kj_mol)


def test_rates_of_a_known_law_give_the_law_back() -> None:
    temps_c = np.array([5.0, 20.0, 30.0, 37.0])
    rates = arrhenius_rate(temps_c, reference_c=20, reference_life_days=45, activation_kj_mol=95)
    fit = fit_arrhenius(temps_c + 273.15, rates)
    assert fit.activation_kj_mol == pytest.approx(95, rel=1e-9)
    assert fit.stderr_kj_mol == pytest.approx(0, abs=1e-6)
    assert 1 / fit.rate(293.15) == pytest.approx(45, rel=1e-9)


@pytest.mark.parametrize(
    ("temps_k", "rates", "field"),
    [
        ([280, 300], [1, 2], "rates"),
        ([300, 300, 300], [1, 2, 3], "temps_k"),
        ([280, 290, 300], [1, 0, 3], "rates"),
        ([280, 290, 300], [1, math.nan, 3], "rates"),
        ([-5, 290, 300], [1, 2, 3], "temps_k"),
        ([280, 290, 300], [1, 2], "rates"),
    ],
)
def test_data_that_cannot_carry_a_fit_are_refused_by_name(
    temps_k: list[float], rates: list[float], field: str
) -> None:
    with pytest.raises(Invalid) as caught:
        fit_arrhenius(temps_k, rates)
    assert caught.value.faults[0].field == field
    assert caught.value.faults[0].mend
