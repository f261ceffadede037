"""
Mixed pallets by worked examples and a separate checker.

The examples are our own, with their arithmetic written out; products are invented. 144 mm is the height of a
wooden 800 × 1200 pallet (EN 13698-1).
"""

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.errors import Invalid, Refused
from rimekeep.picking.core.pallets import (
    Goods,
    Limits,
    Pallet,
    Part,
    Tier,
    build_pallets,
    pallet_faults,
    set_aside,
    work_order,
)

# Bottles: 8 × 18.5 = 148 kg a layer, 6 layers; a case bears the five above it, 5 × 18.5 = 92.5 kg.
BOTTLES = Goods(1, False, "800x1200", 18.5, 8, 6, case_height_mm=270)
# Cans in trays: 10 × 9 = 90 kg a layer; a tray is said to bear 30 kg.
CANS = Goods(2, False, "800x1200", 9.0, 10, 10, case_height_mm=130, crush_limit_kg=30.0)
KEGS = Goods(3, True, "800x1200", 62.0, 6, 3, case_height_mm=530)


def told(pallet):
    return [[(part.id, cases) for part, cases in tier.pieces] for tier in pallet.tiers]


def test_heavy_and_strong_stands_below():
    # 16 bottles are 2 layers, 20 cans 2 layers: 2/6 + 2/10 = 0.53 of a pallet, so one is enough.
    # 2 × 148 + 2 × 90 + 25 kg of wood = 501 kg. A can at the bottom would bear 3 layers: (148 + 148 + 90) / 10
    # = 38.6 kg, over its 30; with cans above bottles the lower can bears 90 / 10 = 9 kg.
    parts = [Part(20, CANS, 20), Part(10, BOTTLES, 16)]
    built = build_pallets(parts)
    assert [told(pallet) for pallet in built.pallets] == [[[(10, 8)], [(10, 8)], [(20, 10)], [(20, 10)]]]
    assert built.pallets[0].mass_kg == pytest.approx(501)
    assert built.is_proven
    assert built.pallets[0].lowest_tier == {10: 1, 20: 3}


def test_a_heavy_but_weak_layer_goes_up():
    # Glass gift packs: 160 kg a layer and heavier than bottles (148), but a case bears 5 kg: 8 × 5 = 40 kg in
    # all. Bottles on top of it weigh 148 > 40. The other way round a bottle bears 160 / 8 = 20 kg of its 92.5.
    weak = replace(BOTTLES, product_id=4, case_mass_kg=20.0, crush_limit_kg=5.0)
    built = build_pallets([Part(1, weak, 8), Part(2, BOTTLES, 8)])
    assert [told(pallet) for pallet in built.pallets] == [[[(2, 8)], [(1, 8)]]]


def test_what_bears_nothing_stands_on_top_and_two_of_it_on_two_pallets():
    # Neither layer may carry the other: two pallets, although 2/6 of one is filled.
    one = replace(BOTTLES, product_id=4, crush_limit_kg=0.0)
    other = replace(BOTTLES, product_id=5, crush_limit_kg=0.0)
    built = build_pallets([Part(1, one, 8), Part(2, other, 8)])
    assert (len(built.pallets), built.bound) == (2, 1)


def test_a_product_is_not_divided_where_as_many_pallets_do_without():
    # Three beers of 20 cases are 2.5 layers each, 7.5 in all: two pallets of 6. Filled up layer by layer, the ends of
    # all three would go onto the second; kept together, two beers stand on the first and one on the other.
    beers = [replace(BOTTLES, product_id=number) for number in (1, 2, 3)]
    built = build_pallets([Part(number, one, 20) for number, one in enumerate(beers)])
    assert sorted(sorted(pallet.cases.items()) for pallet in built.pallets) == [[(0, 20), (1, 20)], [(2, 20)]]
    assert built.is_proven


def test_kegs_stand_apart_from_cartons():
    # 1 keg and 1 case: two pallets, although neither is a tenth full; each kind needs one, so the bound is 2.
    built = build_pallets([Part(1, KEGS, 1), Part(2, BOTTLES, 1)])
    assert [told(pallet) for pallet in built.pallets] == [[[(1, 1)]], [[(2, 1)]]]
    assert built.bound == 2


def test_remainders_of_one_height_fill_up_a_layer_together():
    # 5 + 3 bottles of two beers in the same case: 5/8 + 3/8 = one layer, which carries 8 more of a third.
    other, third = replace(BOTTLES, product_id=4), replace(BOTTLES, product_id=5, case_mass_kg=12.0)
    built = build_pallets([Part(1, BOTTLES, 5), Part(2, other, 3), Part(3, third, 8)])
    assert [told(pallet) for pallet in built.pallets] == [[[(1, 5), (2, 3)], [(3, 8)]]]


def test_small_remainders_stand_on_larger_ones():
    # 4 of 8 bottles cover 0.5, 6 of 10 cans 0.6: side by side 1.1 of a layer is too much. Bottles on cans cover
    # less than what carries them, and each can bears 4 × 18.5 / 6 = 12.3 kg of its 30.
    built = build_pallets([Part(1, BOTTLES, 4), Part(2, CANS, 6)])
    assert [told(pallet) for pallet in built.pallets] == [[[(2, 6)], [(1, 4)]]]
    # Cans that bear 10 kg will not do, and cans on bottles would hang over: two pallets.
    soft = replace(CANS, crush_limit_kg=10.0)
    assert len(build_pallets([Part(1, BOTTLES, 4), Part(2, soft, 6)]).pallets) == 2


def test_height_and_mass_divide_a_pallet():
    # 48 bottles are 6 layers: 144 + 6 × 270 = 1,764 mm and 6 × 148 + 25 = 913 kg.
    parts = [Part(1, BOTTLES, 48)]
    assert len(build_pallets(parts, Limits(1764, 913)).pallets) == 1
    # 1,700 mm take (1,700 − 144) / 270 = 5.76, so 5 layers: 40 + 8 cases. Bound: 6 / 5.76 = 1.04, so 2.
    lower = build_pallets(parts, Limits(height_mm=1700))
    assert [pallet.cases for pallet in lower.pallets] == [{1: 40}, {1: 8}]
    assert lower.is_proven
    # 500 kg take (500 − 25) / 148 = 3.2, so 3 layers. Bound: 888 / 475 = 1.87, so 2.
    lighter = build_pallets(parts, Limits(mass_kg=500))
    assert [pallet.cases for pallet in lighter.pallets] == [{1: 24}, {1: 24}]
    assert lighter.is_proven


def test_beers_without_a_common_temperature_never_share_a_pallet():
    cold, mild = replace(BOTTLES, carry_min_c=0, carry_max_c=4), replace(CANS, carry_min_c=8, carry_max_c=14)
    assert len(build_pallets([Part(1, cold, 8), Part(2, mild, 10)]).pallets) == 2


def test_a_case_over_the_limits_is_named():
    with pytest.raises(Refused, match="product 3 on a pallet is heavier"):
        build_pallets([Part(1, KEGS, 1)], Limits(mass_kg=80))
    with pytest.raises(Refused, match="higher"):
        build_pallets([Part(1, KEGS, 1)], Limits(height_mm=600))
    with pytest.raises(Invalid, match="Part 7: 0 cases"):
        build_pallets([Part(7, KEGS, 0)])


@st.composite
def some_parts(draw):
    """Invented orders of up to seven parts of up to five products."""
    goods = [
        Goods(
            number,
            draw(st.booleans()),
            draw(st.sampled_from(["800x1200", "800x1200", "1000x1200"])),
            draw(st.sampled_from([6.5, 9.0, 18.5, 40.0])),
            draw(st.integers(2, 12)),
            draw(st.integers(1, 8)),
            carry_min_c=draw(st.sampled_from([0.0, 6.0])),
            carry_max_c=draw(st.sampled_from([5.0, 9.0])) + (2 if number == 0 else 0),
            case_height_mm=draw(st.sampled_from([None, 130, 135, 270])),
            crush_limit_kg=draw(st.sampled_from([None, 0.0, 20.0, 60.0])),
        )
        for number in range(draw(st.integers(1, 5)))
    ]
    goods = [one if one.carry_min_c <= one.carry_max_c else replace(one, carry_min_c=0.0) for one in goods]
    return [
        Part(number, draw(st.sampled_from(goods)), draw(st.integers(1, 60)))
        for number in range(draw(st.integers(1, 7)))
    ]


limits = st.builds(
    Limits, st.sampled_from([None, 600.0, 1200.0, 1800.0]), st.sampled_from([None, 120.0, 500.0, 900.0])
)


@settings(deadline=None, max_examples=30)
@given(some_parts(), limits, st.randoms())
def test_every_pallet_passes_the_separate_checker_and_the_bound_holds(parts, limits, random):
    built = build_pallets(parts, limits)
    assert pallet_faults(parts, built.pallets, limits) == []
    assert 1 <= built.bound <= len(built.pallets)
    assert build_pallets(random.sample(parts, len(parts)), limits) == built


def test_the_checker_sees_every_rule_broken():
    def faults(*tiers, limits=None):
        pallet = Pallet(tuple(Tier(tuple(tier)) for tier in tiers))
        parts = {part.id: part for tier in tiers for part, _ in tier}
        whole = [replace(part, cases=pallet.cases[part.id]) for part in parts.values()]
        return pallet_faults(whole, [pallet], limits or Limits())

    bottles, cans, kegs = Part(1, BOTTLES, 8), Part(2, CANS, 10), Part(3, KEGS, 6)
    assert faults([(bottles, 8)], [(cans, 10)]) == []
    assert faults([(bottles, 8)], [(kegs, 6)])[0] == "pallet 1: kegs stand with cartons"
    assert "covers 1.125" in faults([(bottles, 9)])[0]
    assert "0.50 full and carries" in faults([(bottles, 4)], [(cans, 10)])[0]
    assert "uneven" in faults([(bottles, 4), (cans, 5)], [(cans, 10)])[0]
    # (148 + 148 + 90) / 10 = 38.6 kg, as above.
    assert (
        "bears 38.6 kg, 30.0 kg at most"
        in faults([(cans, 10)], [(cans, 10)], [(bottles, 8)], [(bottles, 8)])[0]
    )
    assert "1.167 full pallets high" in faults(*[[(bottles, 8)]] * 7)[-1]
    assert "414 mm high" in faults([(bottles, 8)], limits=Limits(height_mm=400))[0]
    assert "173.0 kg heavy" in faults([(bottles, 8)], limits=Limits(mass_kg=170))[0]
    iso = Part(4, replace(BOTTLES, footprint="1000x1200", carry_min_c=9, carry_max_c=14), 8)
    assert faults([(bottles, 8)], [(iso, 8)]) == [
        "pallet 1: products of two footprints",
        "pallet 1: no air temperature suits all",
    ]
    assert pallet_faults([bottles], [], Limits()) == ["cases wanted {1: 8}, placed {}"]


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.sampled_from([6.0, 9.0, 18.5, 30.0]), st.sampled_from([0.0, 2.0, 6.0, 20.0])),
        min_size=1,
        max_size=5,
    )
)
def test_an_order_of_tiers_is_found_whenever_there_is_one(tiers):
    """All orders of up to five full layers are tried by hand; the builder needs one pallet just then."""
    goods = [
        Goods(number, False, "800x1200", mass, 8, 5, crush_limit_kg=bears)
        for number, (mass, bears) in enumerate(tiers)
    ]

    def stands(order):
        return all(
            sum(8 * above.case_mass_kg for above in order[place + 1 :]) / 8 <= one.bears_kg + 1e-9
            for place, one in enumerate(order)
        )

    built = build_pallets([Part(number, one, 8) for number, one in enumerate(goods)])
    assert (len(built.pallets) == 1) == any(stands(order) for order in permutations(goods))


def test_the_walk_is_turned_round_rather_than_cases_set_aside():
    # Bottles (part 1) stand under cans (part 2). Met cans first, 20 of them would be lifted off and put back.
    pallet = build_pallets([Part(1, BOTTLES, 16), Part(2, CANS, 20)]).pallets[0]
    assert set_aside([pallet], [2, 1]) == 20
    assert set_aside([pallet], [1, 2]) == 0
    length_m, order, lifted = work_order(
        [pallet], [2, 1], walk_again=lambda some: (40.0, some), length_m=40.0
    )
    assert (length_m, order, lifted) == (40.0, [1, 2], 0)


def test_a_longer_walk_is_taken_only_when_it_costs_less_than_the_lifting():
    # The bottles lie between two sorts of cans, so either way round 10 trays are set aside: 10 × 4 m = 40 m.
    # Bottles first and then the cans: two walks. At 2 × 30 m instead of 50 m it is 10 m longer and worth it; at
    # 2 × 50 m it is 50 m longer and not.
    other = replace(CANS, product_id=5)
    pallet = build_pallets([Part(1, BOTTLES, 24), Part(2, CANS, 10), Part(3, other, 10)]).pallets[0]
    for again_m, expected in ((30.0, (60.0, 0)), (50.0, (50.0, 10))):
        length_m, _, lifted = work_order(
            [pallet], [2, 1, 3], walk_again=lambda some, m=again_m: (m, some), length_m=50.0
        )
        assert (length_m, lifted) == expected
