"""Cautions are said for every situation, and say who decides."""

from typing import Any, cast

import pytest

from rimekeep.errors import Invalid
from rimekeep.loading.core.cautions import SITUATIONS, cautions


@pytest.mark.parametrize("situation", SITUATIONS)
def test_every_situation_has_lines_that_end_with_who_decides(situation: Any) -> None:
    lines = cautions(situation)
    assert len(lines) >= 3
    assert "licensed practice" in lines[-1]
    assert all(line.endswith(".") for line in lines)
    assert len(set(lines)) == len(lines)


@pytest.mark.parametrize(
    ("situation", "word"),
    [
        ("loading", "Chock"), ("loading", "ramp"), ("loading", "between a pallet and a wall"),
        ("loading", "Weigh before the road"), ("tail_lift", "below the platform"), ("dock", "lock"),
        ("depart", "Weigh before the road"), ("deliver", "CO2"), ("dry_ice", "CO2"), ("securing", "strap"),
        ("cold", "CO2"),
    ],
)  # fmt: skip
def test_what_can_hurt_is_named_where_it_can(situation: Any, word: str) -> None:
    assert any(word in line for line in cautions(situation))


def test_an_unknown_situation_is_said_so() -> None:
    with pytest.raises(Invalid, match="input"):
        cautions(cast("Any", "rain"))
