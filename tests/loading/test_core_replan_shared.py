"""Changed days on decks with stacks and half pallets: fewest moves, against trying every way on small decks."""

from collections.abc import Iterator, Mapping
from itertools import permutations, product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loading.test_core_replan import TRUCK as FLAT
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.replan import Replan, replan
from rimekeep.loading.core.replan_model import Former
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.vehicle import LoadRequest

TRUCK: dict[str, Any] = FLAT | {
    "pallet": "800x1200",
    "body_height_mm": 2500,
    "rows": [{"x_mm": 600, "lanes": 1}, {"x_mm": 1800, "lanes": 2}],
}
PLACES = [(0, 0), (1, 0), (1, 1)]
KINDS: dict[str, dict[str, Any]] = {
    "light": {"weight_kg": 250, "height_mm": 1100, "stackable": True, "footprint": "800x1200"},
    "strong": {"weight_kg": 600, "height_mm": 1200, "top_max_kg": 300, "footprint": "800x1200"},
    "both": {
        "weight_kg": 300,
        "height_mm": 1200,
        "top_max_kg": 300,
        "stackable": True,
        "footprint": "800x1200",
    },
    "tall": {"weight_kg": 500, "height_mm": 2000, "footprint": "800x1200"},
    "half": {"weight_kg": 200, "height_mm": 1000, "footprint": "600x800"},
}
Spot = tuple[int, int, str | None]
"""Row, lane, and the pallet below."""


def _request(pallets: Mapping[str, tuple[int, str]], available: int = 1, **rules: bool) -> LoadRequest:
    """Pallets by name as (stop 0 to 1, kind)."""
    return load_request(
        {
            "truck": {**TRUCK, "available": available},
            "rules": rules,
            "temperature_classes": {"any": {"min_c": 2, "max_c": 6}},
            "stops": [{"id": "AB"[s], "seq": s + 1} for s in range(2)],
            "pallets": [
                {"id": name, "stop": "AB"[s], "class": "any", **KINDS[kind]}
                for name, (s, kind) in pallets.items()
            ],
        }
    )


def _is_half(pallets: Mapping[str, tuple[int, str]], name: str) -> bool:
    return pallets[name][1] == "half"


def _legal(pallets: Mapping[str, tuple[int, str]], **rules: bool) -> Iterator[dict[str, Spot]]:
    """Yield every legal way to put the pallets on one deck, judged by the separate checker."""
    request = _request(pallets, **rules)
    for chosen in product(PLACES, repeat=len(pallets)):
        by_place = {
            place: [n for n, at in zip(pallets, chosen, strict=True) if at == place] for place in PLACES
        }
        if any(len(names) > 2 for names in by_place.values()):
            continue
        ways = [list(permutations(names)) for names in by_place.values()]
        for columns in product(*ways):
            deck = [(name, *place) for place, names in zip(PLACES, columns, strict=True) for name in names]
            if any(len(c) == 2 and all(_is_half(pallets, n) for n in c) and c[0] > c[1] for c in columns):
                continue  # which half is named first makes no difference
            if not check_plan(request, [deck]):
                yield _spots(pallets, dict(zip(PLACES, columns, strict=True)))


def _spots(
    pallets: Mapping[str, tuple[int, str]], columns: Mapping[tuple[int, int], tuple[str, ...]]
) -> dict[str, Spot]:
    return {
        name: (*place, names[0] if k and not _is_half(pallets, name) else None)
        for place, names in columns.items()
        for k, name in enumerate(names)
    }


def _former(spots: Mapping[str, Spot], **more: Any) -> Former:
    places = {name: (0, row, lane) for name, (row, lane, _) in spots.items()}
    return Former(places, (0,), upper=frozenset(n for n, (_, _, low) in spots.items() if low), **more)


def _found(pallets: Mapping[str, tuple[int, str]], answer: Replan) -> dict[str, Spot]:
    columns: dict[tuple[int, int], tuple[str, ...]] = {}
    for name, row, lane in answer.placed[0]:
        columns[row, lane] = (*columns.get((row, lane), ()), name)
    spots = _spots(pallets, columns)
    assert answer.upper == {name for name, (_, _, low) in spots.items() if low}
    return spots


one_pallet = st.tuples(st.integers(0, 1), st.sampled_from(sorted(KINDS)))


@settings(max_examples=60, deadline=None)
@given(st.lists(one_pallet, min_size=3, max_size=4), one_pallet, st.booleans(), st.data())
def test_a_changed_day_moves_as_few_as_enumeration_finds(
    goods: list[tuple[int, str]], late: tuple[int, str], are_gaps_allowed: bool, data: st.DataObject
) -> None:
    rules = {"gaps_allowed": are_gaps_allowed}
    before = {f"P{k}": one for k, one in enumerate(goods)}
    ways = list(_legal(before, **rules))
    if not ways:
        return
    stood = data.draw(st.sampled_from(ways))
    # A pallet comes, and one may go; some are on board, and of a stack never the upper one alone.
    after = {**before, "late": late}
    if data.draw(st.booleans()):
        del after[data.draw(st.sampled_from(sorted(before)))]
    aboard = set(data.draw(st.lists(st.sampled_from(sorted(stood)), max_size=2))) & set(after)
    aboard |= {low for name in aboard if (low := stood[name][2])}
    if not aboard <= set(after):
        return
    counts = [
        sum(at[name] != spot for name, spot in stood.items() if name in after)
        for at in _legal(after, **rules)
        if all(at[name] == stood[name] for name in aboard)
    ]
    answer = replan(_request(after, **rules), _former(stood, aboard=frozenset(aboard)))
    if not counts:
        assert answer.placed == ()
        assert answer.reasons
        return
    assert check_plan(_request(after, **rules), answer.placed) == []
    now = _found(after, answer)
    moved = {name for name, spot in stood.items() if name in after and now[name] != spot}
    assert set(answer.moved) == moved
    assert (len(moved), answer.moved_bound, answer.is_proven) == (min(counts), min(counts), True)
    assert not aboard & moved


def test_who_draws_away_the_lower_one_moves_the_upper_one_with_it() -> None:
    """Counted by hand: the lower one may not stay below what is for a later stop, so both of the stack move."""
    before = {"low": (1, "strong"), "top": (1, "light"), "back": (0, "tall")}
    stood: dict[str, Spot] = {"low": (0, 0, None), "top": (0, 0, "low"), "back": (1, 0, None)}
    changed = {**before, "low": (0, "strong")}
    answer = replan(_request(changed), _former(stood))
    assert check_plan(_request(changed), answer.placed) == []
    assert answer.is_proven
    now = _found(changed, answer)
    assert set(answer.moved) == {name for name in stood if now[name] != stood[name]}
    assert "top" in answer.moved
    pinned = replan(_request(changed), _former(stood, pinned={"top": (0, 0, 0)}))
    assert pinned.placed == ()
    assert "pinned" in pinned.reasons[0]


def test_a_pinned_upper_pallet_holds_the_lower_one_too() -> None:
    before = {"low": (1, "both"), "top": (1, "both")}
    stood: dict[str, Spot] = {"low": (1, 0, None), "top": (1, 0, "low")}
    after = {**before, "late": (1, "tall")}
    answer = replan(_request(after), _former(stood, pinned={"top": (0, 1, 0)}))
    assert (answer.moved, answer.is_proven) == ((), True)
    assert answer.upper == {"top"}


def test_a_deck_that_lost_a_pallet_is_mended_though_the_late_one_joins_another_vehicle() -> None:
    """Without gaps what stood behind the lost pallet moves up; the late one is frozen, as the other vehicle."""

    def request(*names: str) -> LoadRequest:
        return load_request(
            {
                "truck": {**TRUCK, "available": 2},
                "rules": {"gaps_allowed": False},
                "temperature_classes": {
                    "beer": {"min_c": 2, "max_c": 6},
                    "ice": {"min_c": -20, "max_c": -18},
                },
                "stops": [{"id": "A", "seq": 1}],
                "pallets": [
                    {"id": name, "stop": "A", "class": name.rstrip("01"), "weight_kg": 300} for name in names
                ],
            }
        )

    before, after = request("beer0", "beer1", "ice0"), request("beer1", "ice0", "ice1")
    places = {"beer0": (0, 0, 0), "beer1": (0, 1, 0), "ice0": (1, 0, 0)}
    assert check_plan(before, [[("beer0", 0, 0), ("beer1", 1, 0)], [("ice0", 0, 0)]], [0, 0]) == []
    answer = replan(after, Former(places, (0, 0)))
    assert check_plan(after, answer.placed, answer.trucks) == []
    assert (answer.moved, answer.moved_bound, answer.is_proven) == (("beer1",), 1, True)


@pytest.mark.parametrize("late", ["half", "light"])
def test_the_same_change_gives_the_same_decks(late: str) -> None:
    goods = {f"P{k}": (k % 2, kind) for k, kind in enumerate(["strong", "light", "half", "half"])}
    plan = plan_loads(_request(goods), effort=2.0)
    places = {name: (v, r, lane) for v, deck in enumerate(plan.placed) for name, r, lane in deck}
    upper = frozenset(p.pallet for v in plan.vehicles for p in v.placements if p.tier)
    after = _request({**goods, "late": (1, late)}, available=2)
    answers = [replan(after, Former(places, tuple(plan.trucks), upper=upper)) for _ in range(2)]
    assert answers[0] == answers[1]
    assert check_plan(after, answers[0].placed, answers[0].trucks) == []
