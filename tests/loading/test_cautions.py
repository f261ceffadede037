"""Cautions are said for every situation, and say who decides."""

from typing import Any, cast

import pytest

from builders.api import Api
from builders.journeys import Journey, confirmed_trip
from rimekeep.errors import Invalid
from rimekeep.loading.core.cautions import SITUATIONS, cautions
from rimekeep.platform.database import Database

GROUNDS = {"journey": confirmed_trip}


@pytest.fixture
def journey(api: Api, database: Database, clock: Any, ground: Any) -> Journey:
    return Journey(api, database, clock, *ground)


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


def test_cautions_are_said_where_somebody_acts(journey: Journey) -> None:
    plan = journey.api.ok("GET", f"/v1/load-plans/{journey.trip['plan_id']}")
    assert any("dock" in line for line in plan["cautions"])
    due = journey.api.ok("GET", f"{journey.path}/next")
    assert any("between a pallet and a wall" in line for line in due["cautions"])
    journey.load()
    gone = journey.api.as_("dispatcher").made(f"{journey.path}/depart")
    assert any("Weigh before the road" in line for line in gone["cautions"])
    given = journey.api.as_("picker").made(f"{journey.path}/drops/1/deliver", {})
    assert any("CO2" in line for line in given["cautions"])
