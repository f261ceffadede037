"""Dates and quantities of a lot."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimekeep.errors import Invalid, Refused
from rimekeep.stock.core import dates, quantities


@pytest.mark.parametrize("days", [0, -1])
def test_best_before_is_later_than_packaging(days):
    made = date(2026, 3, 10)
    with pytest.raises(Invalid, match="not later"):
        dates.LotDates(made, made + timedelta(days=days))


def test_life_counts_the_leap_day():
    assert dates.life_days(date(2028, 2, 28), date(2028, 3, 1)) == 2


@given(st.integers(0, 100), st.integers(1, 2000))
def test_a_share_of_life_is_never_rounded_against_the_customer(percent, total):
    asked = dates.min_life_days(percent / 100, total_life_days=total)
    assert asked - 1 < Fraction(percent, 100) * total <= asked


@pytest.mark.parametrize(("share", "total"), [(-0.1, 10), (1.1, 10), (0.5, 0)])
def test_an_impossible_share_is_refused(share, total):
    with pytest.raises(Invalid):
        dates.min_life_days(share, total_life_days=total)


@given(st.integers(0, 10**6), st.integers(1, 40), st.integers(1, 20))
def test_a_split_adds_up_and_leaves_no_bigger_part_unused(cases, per_layer, layers):
    pattern = quantities.PalletPattern(per_layer, layers)
    parts = quantities.split(cases, pattern)
    assert parts.pallets * pattern.cases_per_pallet + parts.layers * per_layer + parts.cases == cases
    assert parts.cases < per_layer
    assert parts.layers < layers


@pytest.mark.parametrize("value", [1.5, 2.0, "3", True, -1, None])
def test_only_whole_cases_count(value):
    with pytest.raises(Invalid, match="whole number"):
        quantities.whole_cases(value)


@pytest.mark.parametrize("pattern", [(0, 4), (8, 0)])
def test_an_empty_pattern_is_refused(pattern):
    with pytest.raises(Invalid):
        quantities.PalletPattern(*pattern)


def test_an_adjustment_never_goes_below_zero():
    assert quantities.adjusted(5, -5) == 0
    assert quantities.adjusted(5, 2) == 7
    with pytest.raises(Refused, match="at most 5") as caught:
        quantities.adjusted(5, -6)
    assert caught.value.data == {"cases": 5, "change": -6}
