"""Dew point and condensation, against a second published formula's values."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.climate.core.dewpoint import condenses, dew_point_c
from rimekeep.errors import Invalid


@pytest.mark.parametrize("record", records("dew_point", "dew_point"), ids=by_id)
def test_dew_point_agrees_with_both_published_forms(record: dict[str, Any]) -> None:
    found = dew_point_c(record["inputs"]["air_c"], record["inputs"]["rh_pct"])
    assert found == pytest.approx(record["expected"]["dew_point_c"], abs=1e-6)
    assert found == pytest.approx(record["expected"]["psychrolib_c"], abs=0.05)


@pytest.mark.parametrize("record", records("dew_point", "condensation"), ids=by_id)
def test_carton_gets_wet_below_the_dew_point(record: dict[str, Any]) -> None:
    given_ = record["inputs"]
    wet = condenses(given_["surface_c"], air_c=given_["air_c"], relative_humidity_pct=given_["rh_pct"])
    assert wet is record["expected"]["condensation"]


@given(st.floats(-45, 60), st.floats(0.5, 100), st.floats(0.5, 100))
def test_wetter_air_has_the_higher_dew_point_and_never_above_its_own(
    air_c: float, one: float, other: float
) -> None:
    dry, wet = sorted([one, other])
    assert dew_point_c(air_c, dry) <= dew_point_c(air_c, wet) <= air_c


def test_carton_as_warm_as_the_air_stays_dry_however_wet_the_air() -> None:
    for hundredths in range(-4500, 6001):
        air_c = hundredths / 100
        assert dew_point_c(air_c, 100) == pytest.approx(air_c, abs=1e-9)
        assert not condenses(air_c, air_c=air_c, relative_humidity_pct=100)


@pytest.mark.parametrize(
    ("air_c", "humidity", "field"),
    [
        (20, 0, "relative_humidity_pct"),
        (20, 101, "relative_humidity_pct"),
        (20, math.nan, "relative_humidity_pct"),
        (-60, 50, "air_c"),
        (math.nan, 50, "air_c"),
    ],
)
def test_air_outside_the_fitted_range_is_refused_by_name(air_c: float, humidity: float, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        dew_point_c(air_c, humidity)
    assert caught.value.faults[0].field == field
