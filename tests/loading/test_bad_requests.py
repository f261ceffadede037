"""What nobody can mean is answered by place, fact and mend; nothing is guessed and nothing left out."""

from typing import Any

import pytest

from builders.fleets import CENTRE_AXLE, FULL_TRAILER, RIGID, SEMI, load, pallets
from rimekeep.errors import Invalid
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import MOST_PALLETS, load_request


def _faults(deck: dict[str, Any]) -> dict[str, str]:
    with pytest.raises(Invalid) as caught:
        load_request(deck)
    return {fault.field: f"{fault.detail} {fault.mend}" for fault in caught.value.faults}


@pytest.mark.parametrize(
    ("pallet", "field", "words"),
    [
        ({"weight": 500}, "pallets[0].weight", "has no unit"),
        ({"mass": 500}, "pallets[0].mass", "has no unit"),
        ({"weight_lb": 500, "unit": "kg"}, "pallets[0].unit", "may contradict"),
        ({"weight_lb": 500, "weight_kg": 500}, "pallets[0].weight_lb", "weight_kg says 500 and weight_lb"),
        ({"mass_lb": 500, "weight_kg": 500}, "pallets[0]", "both a weight and a mass"),
        ({}, "pallets[0].weight_kg", "missing"),
        ({"weight_kg": "500 lb"}, "pallets[0].weight_kg", "not a finite number"),
        ({"weight_kg": 500, "height": 1500}, "pallets[0].height", "has no unit"),
        ({"weight_kg": 500, "footprint": "pallet"}, "pallets[0].footprint", "800x1200"),
        ({"weight_kg": 500, "footprint": "8x12"}, "pallets[0].footprint", "on no deck"),
    ],
)
def test_pallet_without_a_clear_weight_or_size_is_refused(
    pallet: dict[str, Any], field: str, words: str
) -> None:
    found = _faults(load([SEMI], [{"stop": "A", **pallet}]))
    assert words in found[field]


def test_pounds_are_taken_where_they_are_said() -> None:
    """International pound: 0.45359237 kg exactly."""
    for name in ("weight_lb", "mass_lb"):
        request = load_request(load([SEMI], [{"stop": "A", name: 1000, "height_in": 60}]))
        assert (request.pallets[0].mass_kg, request.pallets[0].height_mm) == (453.592, 1524)


@pytest.mark.parametrize(
    ("truck", "field", "words"),
    [
        (RIGID | {"wheelbase_mm": 0}, "trucks[0].wheelbase_mm", "above 0"),
        (SEMI | {"WB_mm": 0}, "trucks[0].WB_mm", "above 0"),
        (SEMI | {"e_mm": 3700}, "trucks[0].e_mm", "ahead of the front axle"),
        (RIGID | {"rear_axles": 4, "rear_spacing_mm": 2700}, "trucks[0]", "wrong order"),
        (RIGID | {"driven_axles": 2, "rear_axles": 1}, "trucks[0].driven_axles", "2 of 1 axles"),
        (CENTRE_AXLE | {"coupling_x_mm": -950}, "trucks[0].coupling_x_mm", "ahead of the front axle"),
        (CENTRE_AXLE | {"coupling_x_mm": 1000, "trailer": CENTRE_AXLE["trailer"] | {"eye_x_mm": 1000}},
         "trucks[0]", "wrong order"),
        (CENTRE_AXLE | {"trailer": CENTRE_AXLE["trailer"] | {"eye_x_mm": 1600}},
         "trucks[0].trailer.axle_x_mm", "not behind eye_x_mm"),
        (FULL_TRAILER | {"trailer": FULL_TRAILER["trailer"] | {"rear_x_mm": 300}},
         "trucks[0].trailer.rear_x_mm", "not behind front_x_mm"),
        (CENTRE_AXLE | {"trailer": CENTRE_AXLE["trailer"] | {"type": "sledge"}},
         "trucks[0].trailer.type", "centre_axle"),
        ({key: value for key, value in CENTRE_AXLE.items() if key != "trailer"}, "trucks[0].trailer", "Give"),
        (CENTRE_AXLE | {"trailer_max_kg": 3000}, "trucks[0].trailer_max_kg", "3600 kg and may weigh 3000"),
        (RIGID | {"body_height_mm": 2000, "roof_gap_mm": 2000}, "trucks[0].roof_gap_mm", "leaves nothing"),
        (RIGID | {"side_doors": [{"side": "left", "first_row": 2, "last_row": 3}]},
         "trucks[0].side_doors[0]", "deck of 3 rows"),
    ],
)  # fmt: skip
def test_truck_that_cannot_stand_is_refused(truck: dict[str, Any], field: str, words: str) -> None:
    found = _faults(load([truck], pallets("A", 1, 300)))
    assert words in found[field], found


def test_ten_thousand_pallets_are_answered_at_once() -> None:
    found = _faults(load([SEMI], pallets("A", 10_000, 300)))
    assert "10000 pallets" in found["pallets"]
    assert str(MOST_PALLETS) in found["pallets"]


def test_a_drop_with_nothing_is_named_and_the_rest_is_planned() -> None:
    deck = load([SEMI], pallets("A", 2, 300))
    deck["stops"].append({"id": "B", "seq": 9})
    plan = plan_loads(load_request(deck))
    assert plan.status == "optimal"
    assert plan.reasons == ("Nothing is to be delivered at stop B; remove it, or add its pallets.",)
