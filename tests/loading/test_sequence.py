"""The order of loading: on a deck whose drops can be reached, nothing is ever put behind something else."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from rimekeep.loading.core.sequence import Spot, in_loading_order, next_to_load, next_to_unload, shut_out


@st.composite
def reachable_decks(draw):
    """Decks of two lanes whose drops fall from the front wall to the doors, places free and stacks here and there."""
    drops = sorted(draw(st.lists(st.integers(1, 5), min_size=1, max_size=20)), reverse=True)
    places = [(row, lane) for row in range(15) for lane in range(2)]
    chosen = sorted(draw(st.permutations(places))[: len(drops)])
    tall = draw(st.lists(st.integers(1, 2), min_size=len(drops), max_size=len(drops)))
    stood = [(*place, tier) for place, high in zip(chosen, tall, strict=True) for tier in range(high)]
    spots = [
        Spot(k, f"{k:018d}", row, lane, drop, False, tier)
        for k, ((row, lane, tier), drop) in enumerate(zip(stood, drops, strict=False))
    ]
    return draw(st.permutations(spots))


def below(spots, one):
    return [spot for spot in spots if (spot.row, spot.lane, spot.tier) == (one.row, one.lane, one.tier - 1)]


def put(spots, one, is_loaded):
    return [replace(spot, is_loaded=is_loaded) if spot.unit_id == one.unit_id else spot for spot in spots]


@given(reachable_decks(), st.randoms(use_true_random=False))
def test_units_are_loaded_from_the_front_wall_and_unloaded_from_the_doors(spots, chance):
    rows, drops = [], []
    while due := next_to_load(spots):
        one = chance.choice(due)
        rows.append(one.row)
        drops.append(one.drop)
        assert all(spot.is_loaded for spot in below(spots, one))
        spots = put(spots, one, is_loaded=True)
        assert shut_out(spots) == []
    assert len(rows) == len(spots)
    assert rows == sorted(rows)
    assert drops == sorted(drops, reverse=True)
    while free := next_to_unload(spots):
        one = chance.choice(free)
        assert one.row == rows.pop()
        assert not any(one in below(spots, spot) and spot.is_loaded for spot in spots)
        spots = put(spots, one, is_loaded=False)
    assert not any(spot.is_loaded for spot in spots)


@given(reachable_decks())
def test_the_printed_order_is_one_the_scanner_admits(spots):
    for one in in_loading_order(spots):
        assert one.unit_id in [spot.unit_id for spot in next_to_load(spots)]
        spots = put(spots, one, is_loaded=True)
