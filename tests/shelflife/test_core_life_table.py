"""Life over temperature with its error, and where a route lies among published ratios."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.errors import Invalid
from rimekeep.shelflife.core.life_table import keeping, life_at, life_table
from rimekeep.shelflife.core.plausibility import PUBLISHED, RULE_OF_THUMB, plausibility
from rimekeep.shelflife.core.routes import AnyRoute, Q10Route, Route, SquareRootRoute
from rimekeep.units import f_to_c

FURFURAL = Route("staling", 20, 100, 101.8, 6, 4, 0.4)


def test_the_table_is_the_published_rate_turned_round() -> None:
    """Kvasný průmysl 24(2) 30-32 (1978), DOI 10.18832/kp1978005: daily rates in furfural units, 100 of them a life."""
    for record in records("staling_furfural", "daily_rate"):
        temp_c = record["inputs"]["temp_c"]
        days = keeping(Route("staling", 20, 100, 101.8), temp_c).days
        assert days == pytest.approx(100 / record["expected"]["fu_per_day"], rel=1e-9)


@pytest.mark.parametrize(
    "route",
    [
        FURFURAL,
        Q10Route("haze", 20, 100, 3.0, 6, 0.2, -0.5),
        SquareRootRoute("growth", 20, 30, -4.0, 2, 0.6, 0.7),
    ],
    ids=lambda route: str(route.form),
)
@pytest.mark.parametrize("temp_c", [2.0, 12.0, 20.0, 35.0])
def test_its_error_is_the_spread_of_lives_drawn_at_random(route: AnyRoute, temp_c: float) -> None:
    """Monte Carlo with a tenth of the stated deviations, where the first order must hold."""
    rng = np.random.default_rng(1)
    assert route.life_sd_days is not None
    assert route.parameter_sd is not None
    a, b = rng.standard_normal((2, 4000))
    b = route.correlation * a + np.sqrt(1 - route.correlation**2) * b
    parameter = getattr(route, route.parameter_field)
    drawn = [
        1
        / type(route)(
            "drawn",
            route.reference_c,
            route.reference_life_days + 0.1 * route.life_sd_days * x,
            parameter + 0.1 * route.parameter_sd * y,
        ).rate_per_day(temp_c)
        for x, y in zip(a, b, strict=True)
    ]
    # 4000 draws know a standard deviation to 1.1 %.
    assert keeping(route, temp_c).sd_days == pytest.approx(10 * np.std(drawn), rel=0.04)


def test_the_share_of_the_temperature_parameter_grows_away_from_the_reference() -> None:
    shares = [keeping(FURFURAL, temp_c).parameter_share for temp_c in (20.0, 12.0, 4.0)]
    assert shares[0] == 0
    assert shares == sorted(shares, key=lambda share: share or 0.0)
    assert (shares[2] or 0) > 0.5


def test_the_table_names_the_route_that_ends_it_first_in_every_row() -> None:
    haze = Route("haze", 20, 150, 50, 10, 5)
    rows = life_table([FURFURAL, haze], -2, 40)
    assert [row.temp_c for row in rows] == [float(temp_c) for temp_c in range(-2, 41)]
    assert (rows[0].limited_by, rows[-1].limited_by) == ("haze", "staling")
    for row in rows:
        ending = next(one for one in row.routes if one.route == row.limited_by)
        assert (row.days, row.sd_days) == (ending.days, ending.sd_days)
        assert row.days == min(one.days for one in row.routes if one.days is not None)
    days = [row.days for row in rows if row.days is not None]
    assert days == sorted(days, reverse=True)


def test_what_is_not_known_is_left_open() -> None:
    growth = SquareRootRoute("growth", 20, 30, 5.0, 2, 1)
    cold = life_at([growth], 3.0)
    assert (cold.limited_by, cold.days, cold.sd_days) == (None, None, None)
    assert keeping(Route("staling", 20, 100, 101.8), 4.0).sd_days is None
    assert keeping(Route("staling", 20, 100, 101.8, 5), 4.0).sd_days is None
    assert keeping(Route("staling", 20, 100, 101.8, 5, 0), 20.0).sd_days == pytest.approx(5)
    mixed = life_at([growth, FURFURAL], 3.0)
    assert mixed.limited_by == "staling"


@pytest.mark.parametrize(
    ("from_c", "to_c", "field"), [(4, 4, "to_c"), (-99, 4, "from_c"), (4, float("nan"), "to_c")]
)
def test_a_range_nobody_can_mean_is_refused(from_c: float, to_c: float, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        life_table([FURFURAL], from_c, to_c)
    assert caught.value.faults[0].field == field


# Plausibility


@pytest.mark.parametrize("record", records("staling_ratios", "two_temperature_ratio"), ids=by_id)
def test_a_route_of_the_published_activation_energy_lies_at_the_published_ratio(
    record: dict[str, Any],
) -> None:
    """LWT 154 (2022) 112688, abstract: 140, 90 and 20 times faster at 37 than at 4 °C."""
    asked = record["inputs"]
    told = plausibility(Route("staling", 20, 100, record["expected"]["implied_ea_kj_per_mol"]))
    assert told.ratio == pytest.approx(asked["ratio_warm_over_cold"], rel=record["tolerance"]["rel"])
    assert told.nearest is not None
    assert (told.nearest.what, told.nearest.ratio) == (asked["class"], asked["ratio_warm_over_cold"])
    assert "LWT 154 (2022) 112688" in told.nearest.source
    assert plausibility(
        Q10Route("staling", 20, 100, record["expected"]["implied_q10"])
    ).ratio == pytest.approx(asked["ratio_warm_over_cold"], rel=1e-8)


def test_the_furfural_law_lies_within_what_others_measured() -> None:
    (record,) = records("staling_ratios", "arrhenius_ratio")
    told = plausibility(FURFURAL)
    assert told.ratio == pytest.approx(record["expected"]["ratio_warm_over_cold"], rel=1e-9)
    assert told.place == "within"
    furfural = next(one for one in PUBLISHED if one.what == "furfural")
    assert furfural.ratio == pytest.approx(record["expected"]["ratio_warm_over_cold"], rel=1e-5)


@pytest.mark.parametrize(
    ("energy", "place"), [(40, "below"), (60, "below"), (70, "within"), (105, "within"), (115, "above")]
)
def test_the_place_is_said_and_never_refused(energy: float, place: str) -> None:
    told = plausibility(Route("staling", 20, 100, energy))
    assert told.place == place
    assert place in told.text


def test_nothing_at_four_degrees_is_said_in_words() -> None:
    told = plausibility(SquareRootRoute("growth", 20, 30, 6.0))
    assert (told.ratio, told.place, told.nearest) == (None, "above", None)
    assert [step.route_ratio is None for step in told.thumb] == [False, True]


def test_the_rule_of_thumb_stands_beside_with_its_own_ratios() -> None:
    """3-30-300: common practice, no source; the implied activation energies are those computed from it outside."""
    (record,) = records("staling_ratios", "rule_of_thumb")
    points = [(one["temp_f"], one["days"]) for one in record["inputs"]["points"]]
    assert points == [(temp_f, days) for temp_f, days in RULE_OF_THUMB]
    for energy, step in (("ea_kj_per_mol_90_72", 0), ("ea_kj_per_mol_72_38", 1)):
        shown = plausibility(Route("staling", 20, 100, record["expected"][energy])).thumb[step]
        assert shown.rule_ratio == 10
        assert shown.route_ratio == pytest.approx(10, rel=1e-9)
    assert [step.warm_c for step in plausibility(FURFURAL).thumb] == pytest.approx([f_to_c(90), f_to_c(72)])


@settings(max_examples=50, deadline=None)
@given(energy=st.floats(1, 300), life=st.floats(1, 1000), reference_c=st.floats(-5, 60))
def test_the_ratio_knows_nothing_of_the_reference(energy: float, life: float, reference_c: float) -> None:
    ratio = plausibility(Route("x", reference_c, life, energy)).ratio
    assert ratio == pytest.approx(plausibility(Route("x", 20, 100, energy)).ratio, rel=1e-9)
