"""Moments against the exact model of a deck: a yes is a legal deck, a no is a proof."""

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.exact_loader import Loader
from rimekeep.loading.core.moments import MomentDeck
from rimekeep.loading.core.problem import problem_of
from rimekeep.loading.core.request import load_request

SEMI: dict[str, Any] = {
    "d_k_mm": 900,
    "L_s_mm": 3200,
    "WB_mm": 3600,
    "e_mm": 500,
    "F0_kg": 5000,
    "D0_kg": 3600,
    "B0_kg": 2800,
    "K_max_kg": 2600,
    "drive_min_share_pct": 25,
}
RIGID: dict[str, Any] = {
    "kind": "rigid",
    "front_axle_x_mm": -800,
    "wheelbase_mm": 3000,
    "front_tare_kg": 4000,
    "rear_tare_kg": 3000,
    "steer_min_share_pct": 45,
}


@st.composite
def decks(draw: st.DrawFn) -> dict[str, Any]:
    """Return one deck and what is to stand on it; about half cannot."""
    is_semi = draw(st.booleans())
    limits = (
        {
            "front_max_kg": draw(st.sampled_from([5300, 7100])),
            "drive_max_kg": draw(st.sampled_from([4900, 5400])),
            "bogie_max_kg": draw(st.sampled_from([4300, 5500])),
            "K_min_kg": draw(st.sampled_from([-500, 0, 300])),
        }
        if is_semi
        else {
            "front_max_kg": draw(st.sampled_from([4700, 5600])),
            "rear_max_kg": draw(st.sampled_from([4400, 6000])),
        }
    )
    stops = draw(st.integers(1, 4))
    pallets = draw(
        st.lists(
            st.tuples(st.integers(0, stops - 1), st.sampled_from([250.5, 400, 700, 1200])),
            min_size=1,
            max_size=9,
        )
    )
    lanes = draw(st.lists(st.integers(1, 3), min_size=2, max_size=4))
    return {
        "truck": (SEMI if is_semi else RIGID)
        | limits
        | {
            "payload_max_kg": draw(st.sampled_from([3000, 9000])),
            "gross_max_kg": 21_000,
            "rows": [{"x_mm": 500 + 1100 * r, "lanes": n} for r, n in enumerate(lanes)],
        },
        "rules": {
            "gaps_allowed": draw(st.booleans()),
            "weights_checked": draw(st.sampled_from(["at departure", "at departure and after every stop"])),
        },
        "temperature_classes": {"any": {"min_c": 0, "max_c": 3}},
        "stops": [{"id": "ABCD"[s], "seq": s + 1} for s in range(stops)],
        "pallets": [
            {"id": f"P{k}", "stop": "ABCD"[s], "class": "any", "weight_kg": kg}
            for k, (s, kg) in enumerate(pallets)
        ],
    }


@settings(max_examples=150, deadline=None)
@given(decks())
def test_moments_never_contradict_the_exact_model(deck: dict[str, Any]) -> None:
    request = load_request(deck)
    problem = problem_of(request)
    groups = problem.deck_groups(problem.demand)
    moments = MomentDeck(problem.deck)
    assert moments.is_apt
    quick = moments.arrange(groups)
    exact = Loader(problem.deck).arrange(groups)
    if quick == "unknown":
        return
    assert (quick is None) == (exact is None)
    if quick is None:
        return
    left = [list(group.pallets) for group in problem.groups]
    placed = []
    for r, row in enumerate(quick):
        names = [left[g].pop() for g, n in enumerate(row) for _ in range(n)]
        placed += [(name, r, lane) for lane, name in enumerate(names)]
    assert check_plan(request, [placed]) == []


def test_deck_without_drop_order_is_left_to_the_exact_model() -> None:
    deck = {
        "truck": SEMI
        | {
            "front_max_kg": 7100,
            "drive_max_kg": 9000,
            "bogie_max_kg": 9000,
            "payload_max_kg": 9000,
            "gross_max_kg": 21_000,
            "rows": [{"x_mm": 500, "lanes": 2}],
        },
        "rules": {"lifo": False},
        "temperature_classes": {"any": {"min_c": 0, "max_c": 3}},
        "stops": [{"id": "A", "seq": 1}],
        "pallets": [{"id": "P", "stop": "A", "class": "any", "weight_kg": 400}],
    }
    assert not MomentDeck(problem_of(load_request(deck)).deck).is_apt
