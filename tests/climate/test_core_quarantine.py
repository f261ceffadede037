"""Which readings can only have been meant as °F, and that no real alarm is among them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.climate.core.quarantine import (
    Candidate,
    Neighbour,
    looks_like_fahrenheit,
    quarantined,
    suspects,
)
from rimekeep.units import f_to_c

# NIST SP 811, B.8: t/°C = (t/°F − 32)/1.8.
ROOM_2_C_IN_F = 35.6


def test_a_fahrenheit_value_after_a_celsius_one_is_suspect() -> None:
    assert looks_like_fahrenheit(600, ROOM_2_C_IN_F, Neighbour(0, 2.0))
    assert looks_like_fahrenheit(600, 38.0, Neighbour(0, 2.0))


@pytest.mark.parametrize(
    ("at_s", "temp_c", "before"),
    [
        (600, 38.0, None),  # nothing to hold it against
        (3600, 38.0, Neighbour(0, 2.0)),  # an hour is too long: a room can get anywhere
        (0, 38.0, Neighbour(0, 2.0)),
        (600, 17.0, Neighbour(0, 2.0)),  # 15 °C is no leap yet
        (600, 25.0, Neighbour(0, 2.0)),  # 25 °F is −3.9 °C: too far from 2 °C
        (600, 45.0, Neighbour(0, 2.0)),  # 45 °F is 7.2 °C
    ],
)
def test_one_sign_missing_leaves_it_in_the_air(at_s: float, temp_c: float, before: Neighbour | None) -> None:
    assert not looks_like_fahrenheit(at_s, temp_c, before)


@given(
    start_c=st.floats(-5, 15),
    end_c=st.floats(-5, 35),
    step_s=st.integers(10, 1800),
    tau_s=st.floats(3600, 36_000),
)
def test_a_room_that_warms_up_is_never_quarantined(
    start_c: float, end_c: float, step_s: int, tau_s: float
) -> None:
    """A door left open, a compressor trip: Newton's law with a time constant of an hour or more (our own bound)."""
    times = np.arange(0, 6 * 3600, step_s, dtype=np.float64)
    air = end_c + (start_c - end_c) * np.exp(-times / tau_s)
    readings = [
        Candidate(at, temp, Neighbour(times[place - 1], air[place - 1]) if place else None)
        for place, (at, temp) in enumerate(zip(times.tolist(), air.tolist(), strict=True))
    ]
    assert quarantined(readings, []) == {}


@pytest.mark.parametrize("room_c", [-1.0, 2.0, 4.0, 12.0])
def test_a_logger_switched_to_fahrenheit_stays_under_suspicion_until_it_fits_again(room_c: float) -> None:
    in_f = [room_c * 1.8 + 32 + wobble for wobble in (0.0, 0.5, -0.5)] * 10
    readings = [Candidate(600.0 * place, temp, Neighbour(-600.0, room_c)) for place, temp in enumerate(in_f)]
    readings.append(Candidate(600.0 * len(in_f), room_c + 0.3, Neighbour(-600.0, room_c)))
    # For five hours on, though the last reading in °C is long past; and the first in °C is taken.
    assert set(quarantined(readings, [])) == set(range(len(in_f)))


def test_what_waits_already_counts_as_the_reading_before() -> None:
    waiting = [Neighbour(7200.0, f_to_c(38.0))]
    assert 0 in quarantined([Candidate(7800.0, 38.4, Neighbour(0.0, 2.0))], waiting)
    assert quarantined([Candidate(7800.0, 38.4, Neighbour(0.0, 2.0))], []) == {}


def test_what_was_not_sent_as_celsius_is_not_doubted() -> None:
    assert quarantined([Candidate(600.0, 38.0, Neighbour(0.0, 2.0), is_celsius=False)], []) == {}


@given(
    st.lists(
        st.tuples(st.floats(0, 7200), st.floats(-60, 80), st.one_of(st.just(math.nan), st.floats(-60, 80))),
        min_size=1,
        max_size=30,
    )
)
def test_arrays_and_single_readings_are_judged_alike(rows: list[tuple[float, float, float]]) -> None:
    at, temp, before = (np.array(column) for column in zip(*rows, strict=True))
    marked = suspects(at, temp, np.zeros_like(at), before)
    for place, (at_s, temp_c, before_c) in enumerate(rows):
        near = None if math.isnan(before_c) else Neighbour(0.0, before_c)
        assert bool(marked[place]) == looks_like_fahrenheit(at_s, temp_c, near)
