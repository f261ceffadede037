"""Hours until a core passes its limit, against textbook coolings and cores followed step by step."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from builders.checks import by_id, records
from rimekeep.excursions.core.outlook import Core, soonest
from rimekeep.shelflife.core.thermal import core_temperature


@pytest.mark.parametrize("record", records("core_temperature", "lumped_time_to_reach"), ids=by_id)
def test_hours_agree_with_the_textbook(record: dict[str, Any]) -> None:
    """Çengel, *Introduction to Thermodynamics and Heat Transfer*, problems 11-17 and 11-18: milk warmed in a bath."""
    asked, expected = record["inputs"], record["expected"]
    core = Core("MILK", 1 / asked["b_per_s"] / 3600, asked["initial_c"], asked["target_c"], 1)
    found = soonest([core], air_c=asked["ambient_c"], side="above")
    assert found is not None
    assert found.hours == pytest.approx(expected["time_s"] / 3600, rel=record["tolerance"]["rel"])
    assert found.hours * 3600 == pytest.approx(expected["as_printed_s"], abs=0.5)


def constant_air() -> list[tuple[dict[str, Any], float, float]]:
    found = []
    for record in records("core_temperature", "lumped_response"):
        asked = record["inputs"]
        if len({knot["temp_c"] for knot in asked["air_knots"]}) == 1:
            found += [
                (asked, at_h, core_c)
                for at_h, core_c in zip(asked["report_at_h"], record["expected"]["core_c"], strict=True)
                if at_h
            ]
    return found


def test_a_core_is_at_its_limit_when_the_integration_says_so() -> None:
    """Own cases of the check file, followed by scipy's DOP853 before this code existed: read backwards."""
    cases = constant_air()
    assert len(cases) >= 5
    for asked, at_h, core_c in cases:
        air_c = asked["air_knots"][0]["temp_c"]
        side: Any = "above" if air_c > asked["initial_core_c"] else "below"
        core = Core("KEG", asked["tau_h"], asked["initial_core_c"], core_c, 1)
        found = soonest([core], air_c=air_c, side=side)
        assert found is not None
        # The file's last digit, 1e-6 °C, is worth more hours the closer the core is to the air.
        slack_h = asked["tau_h"] * 1e-6 / abs(core_c - air_c)
        assert found.hours == pytest.approx(at_h, abs=slack_h + 1e-9)


@given(
    st.floats(0.1, 100),
    st.floats(-5, 30),
    st.floats(-5, 30),
    st.floats(-5, 30),
    st.sampled_from(["above", "below"]),
)
def test_the_core_followed_to_the_hour_named_is_at_its_limit(
    tau_h: float, core_c: float, limit_c: float, air_c: float, side: Any
) -> None:
    found = soonest([Core("X", tau_h, core_c, limit_c, 1)], air_c=air_c, side=side)
    assert found is not None
    sign = 1 if side == "above" else -1
    if found.hours is None:
        assert found.words == "never in this air"
        assert sign * core_c < sign * limit_c
        # However long one waits.
        late = core_temperature([0, 1], [air_c, air_c], tau_h=tau_h, start_c=core_c, at_h=1e6)
        assert sign * late <= sign * limit_c + 1e-9
    elif found.hours == 0:
        assert found.words == "already past" or sign * core_c < sign * limit_c
    else:
        then = core_temperature([0, 1], [air_c, air_c], tau_h=tau_h, start_c=core_c, at_h=found.hours)
        assert then == pytest.approx(limit_c, abs=1e-6)


def test_the_soonest_pack_is_named_whatever_the_order() -> None:
    slow, quick, safe = (
        Core("KEG", 30.0, 4.0, 8.0, 10),
        Core("CAN", 6.0, 4.0, 8.0, 20),
        Core("STRONG", 6.0, 4.0, 20.0, 30),
    )
    for cores in itertools.permutations([slow, quick, safe]):
        found = soonest(cores, air_c=12.0, side="above")
        assert found is not None
        assert found.core is quick


def test_a_core_at_its_limit_is_past_it_and_one_in_air_at_the_limit_never_gets_there() -> None:
    at_it = soonest([Core("CAN", 6.0, 8.0, 8.0, 1)], air_c=8.0, side="above")
    assert at_it is not None
    assert (at_it.hours, at_it.words) == (0.0, "already past")
    towards = soonest([Core("CAN", 6.0, 4.0, 8.0, 1)], air_c=8.0, side="above")
    assert towards is not None
    assert (towards.hours, towards.words) == (None, "never in this air")
    assert soonest([], air_c=8.0, side="above") is None


def test_without_lag_the_core_is_the_air() -> None:
    past = soonest([Core("GLASS", 0.0, 4.0, 8.0, 1)], air_c=9.0, side="above")
    never = soonest([Core("GLASS", 0.0, 4.0, -2.5, 1)], air_c=-1.0, side="below")
    assert past is not None
    assert never is not None
    assert (past.hours, never.hours) == (0.0, None)


def test_one_past_its_limit_goes_before_one_that_will_be() -> None:
    found = soonest([Core("A", 6.0, 4.0, 8.0, 1), Core("B", 6.0, 9.0, 8.0, 1)], air_c=12.0, side="above")
    assert found is not None
    assert found.core.sku == "B"
