"""From cases to tiers: whole layers of one product, then layers filled up from several."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby

from rimekeep.picking.core.pallets.records import LEVEL_MM, MIXED_FILL, ROUNDING, SUPPORT, Goods, Part, Tier


@dataclass(frozen=True)
class Level:
    """A tier with what packing asks of it."""

    tier: Tier

    @cached_property
    def goods(self) -> tuple[Goods, ...]:
        """Return its different products."""
        return tuple(dict.fromkeys(part.goods for part, _ in self.tier.pieces))

    @cached_property
    def fill(self) -> float:
        """Return how much of the pallet's area is covered."""
        return sum(cases / part.goods.cases_per_layer for part, cases in self.tier.pieces)

    @cached_property
    def mass_kg(self) -> float:
        """Return the mass of its cases. [kg]"""
        return sum(part.goods.case_mass_kg * cases for part, cases in self.tier.pieces)

    @cached_property
    def share(self) -> float:
        """Return its share of a full pallet's height, after the products' own patterns."""
        return max(1 / goods.layers_per_pallet for goods in self.goods)

    def height_mm(self, stack_mm: float) -> float:
        """Return its height; unknown ones count as their share of the height allowed. [mm]"""
        return max(_height_mm(goods, stack_mm) for goods in self.goods)

    @cached_property
    def is_level(self) -> bool:
        """Tell whether its cases are all of one height."""
        heights = [goods.case_height_mm for goods in self.goods]
        if len(heights) == 1:
            return True
        known = [height for height in heights if height is not None]
        return len(known) == len(heights) and max(known) - min(known) <= LEVEL_MM

    @cached_property
    def carries(self) -> bool:
        """Tell whether a whole layer may stand on it."""
        return self.is_level and self.fill >= SUPPORT - ROUNDING

    @cached_property
    def bears_kg(self) -> float:
        """Return the mass it may carry in all; every case bears by its area. [kg]"""
        if not self.is_level:
            return 0.0
        return min(goods.bears_kg * goods.cases_per_layer for goods in self.goods) * self.fill


def _height_mm(goods: Goods, stack_mm: float) -> float:
    return goods.case_height_mm or stack_mm / goods.layers_per_pallet


def levels_of(parts: Iterable[Part], *, most_kg: float | None, is_side_by_side: bool = True) -> list[Level]:
    """
    Return the tiers the cases make; none is heavier than ``most_kg`` unless a single case is.

    Whole layers of one product first. What is left over of products of one height and one temperature range
    fills up layers together, the heavy and strong first. What is left of those is put side by side if asked,
    where heights need not match, or else stands in tiers of its own, the smaller on the larger.
    """
    layers: list[Level] = []
    left: dict[Goods, list[tuple[Part, int]]] = {}
    by_goods: dict[Goods, list[Part]] = defaultdict(list)
    for part in parts:
        by_goods[part.goods].append(part)
    for goods, members in sorted(by_goods.items(), key=lambda one: one[0].product_id):
        fit = goods.cases_per_layer
        if most_kg is not None:
            fit = max(1, min(fit, int(most_kg / goods.case_mass_kg + ROUNDING)))
        for tier in _poured([(part, part.cases) for part in members], area=fit / goods.cases_per_layer):
            level = Level(tier)
            if sum(cases for _, cases in tier.pieces) == fit:
                layers.append(level)
            else:
                left[goods] = list(tier.pieces)
    rest: list[Level] = []
    for _, same in groupby(sorted(left, key=_evenness), key=_evenness):
        members_left = sorted(same, key=lambda one: (-_weight_and_strength(one), one.product_id))
        area = 1.0 if len({goods.cases_per_layer for goods in members_left}) == 1 else MIXED_FILL
        # A remainder larger than what a mixed layer may cover stays by itself.
        alone = [goods for goods in members_left if _area(left[goods]) > area]
        rest += [Level(Tier(tuple(left[goods]))) for goods in alone]
        pieces = [piece for goods in members_left if goods not in alone for piece in left[goods]]
        rest += [Level(tier) for tier in _poured(pieces, area=area, most_kg=most_kg)]
    carrying = [level for level in rest if level.carries]
    small = [level for level in rest if not level.carries]
    return layers + carrying + (_tops(small, most_kg) if is_side_by_side else small)


def _evenness(goods: Goods) -> tuple[int, float, float, float]:
    """Return what products share whose cases may stand in one layer with something on top."""
    own = goods.product_id if goods.case_height_mm is None else 0
    height = round((goods.case_height_mm or 0) / LEVEL_MM)
    return own, height, goods.carry_min_c, goods.carry_max_c


def _weight_and_strength(goods: Goods) -> float:
    return (goods.case_mass_kg + goods.bears_kg) * goods.cases_per_layer


def _area(pieces: Iterable[tuple[Part, int]]) -> float:
    return sum(cases / part.goods.cases_per_layer for part, cases in pieces)


def _poured(
    pieces: Iterable[tuple[Part, int]], *, area: float, most_kg: float | None = None
) -> Iterator[Tier]:
    """Yield tiers filled case by case up to an area and a mass."""
    tier: list[tuple[Part, int]] = []
    covered = mass_kg = 0.0
    for part, whole in pieces:
        cases = whole
        while cases:
            goods = part.goods
            fit = int((area - covered) * goods.cases_per_layer + ROUNDING)
            if most_kg is not None:
                fit = min(fit, int((most_kg - mass_kg) / goods.case_mass_kg + ROUNDING))
            if fit < 1 and tier:
                yield Tier(tuple(tier))
                tier, covered, mass_kg = [], 0.0, 0.0
                continue
            put = min(cases, max(fit, 1))
            tier.append((part, put))
            covered += put / goods.cases_per_layer
            mass_kg += put * goods.case_mass_kg
            cases -= put
    if tier:
        yield Tier(tuple(tier))


def _tops(levels: list[Level], most_kg: float | None) -> list[Level]:
    """Put what may only stand on top side by side where the area allows."""
    tops: list[Level] = []
    for level in sorted(levels, key=lambda one: (-one.fill, one.tier.pieces[0][0].id)):
        for place, top in enumerate(tops):
            joined = Level(Tier(top.tier.pieces + level.tier.pieces))
            if (
                joined.fill <= MIXED_FILL + ROUNDING
                and share_a_range(joined.goods)
                and (most_kg is None or joined.mass_kg <= most_kg + ROUNDING)
            ):
                tops[place] = joined
                break
        else:
            tops.append(level)
    return tops


def share_a_range(goods: Iterable[Goods]) -> bool:
    """Tell whether there is an air temperature all of them may be carried at."""
    known = list(goods)
    return max(one.carry_min_c for one in known) <= min(one.carry_max_c for one in known)
