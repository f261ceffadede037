"""
Mixed pallets: as few as can be, heavy and strong below.

Caution: figures decide what fits, not whether it stands. Wrap or strap every built pallet before it is
lifted, keep to the site's own rules for stacking and truck loads, and let licensed drivers judge stability.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import ceil, inf

from rimekeep.errors import Refused, invalid
from rimekeep.picking.core.pallets.records import PALLET_MM, ROUNDING, Built, Limits, Pallet, Part
from rimekeep.picking.core.pallets.tiers import Level, levels_of, share_a_range
from rimekeep.wording import say

# Steps of the search after the quick rules; a few hundredths of a second.
MOST_STEPS = 400

Stacks = list[list[Level]]


def build_pallets(parts: Iterable[Part], limits: Limits | None = None) -> Built:
    """
    Put cases onto as few pallets as can be.

    Parameters
    ----------
    parts
        Cases to be placed, >= 1 each; a part may be divided over pallets.
    limits
        Greatest height and mass of a pallet, the wood included.

    Returns
    -------
    Built
        Kegs never stand with cartons, and only products of one footprint and of a common temperature range
        stand together. A tier is a full layer of one product, or filled up from several. One that is less
        than three quarters full carries only what covers no more than itself, an uneven one nothing.
        Tiers stand by weight, the heaviest below, unless a case would bear more than it can; then by the sum
        of weight and strength, the order that holds whenever any does. ``bound`` counts pallets by pattern,
        height and mass alone.

    Raises
    ------
    Invalid
        A count, mass or pattern is not positive.
    Refused
        A single case is more than a pallet may weigh or measure.

    Notes
    -----
    That order: of two neighbouring tiers with masses w and bearable loads c, the one with the greater w + c
    may always stand below, since w1 + x <= c2 implies w2 + x <= c1 then. Whether cases of different outline
    really fit side by side is not looked into; only nine tenths of a layer are given to them.

    Examples
    --------
    >>> lager = Goods(1, False, "800x1200", 10.0, 8, 5)
    >>> built = build_pallets([Part(7, lager, 44)])
    >>> len(built.pallets), built.bound, [pallet.cases for pallet in built.pallets]
    (2, 2, [{7: 40}, {7: 4}])
    """
    known = limits or Limits()
    groups: dict[tuple[bool, str], list[Part]] = defaultdict(list)
    for part in sorted(parts, key=lambda one: one.id):
        _check(part, known)
        groups[part.goods.is_keg, part.goods.footprint].append(part)
    pallets: list[Pallet] = []
    bound = 0
    for _, members in sorted(groups.items(), reverse=True):
        least = _bound(members, known)
        bound += least
        pallets += [
            Pallet(tuple(level.tier for level in ordered))
            for stack in _packed(members, known, least)
            if (ordered := standing(stack)) is not None
        ]
    return Built(tuple(pallets), bound)


def standing(stack: Sequence[Level]) -> list[Level] | None:
    """Return tiers in an order they may stand in, from the bottom up; None where there is none."""
    tops = [level for level in stack if not level.is_level]
    if len(tops) > 1:
        return None
    small = sorted(
        (level for level in stack if level.is_level and not level.carries),
        key=lambda level: (-level.fill, *_by_weight(level)),
    )
    below = [level for level in stack if level.carries]
    for first in (_by_weight, _by_weight_and_strength):
        ordered = [*sorted(below, key=first), *small, *tops]
        above_kg = widest = 0.0
        for level in reversed(ordered):
            overhangs = not level.carries and widest > level.fill + ROUNDING
            if overhangs or above_kg > level.bears_kg + ROUNDING:
                break
            above_kg += level.mass_kg
            widest = max(widest, level.fill)
        else:
            return ordered
    return None


def _by_weight(level: Level) -> tuple[float, float, int]:
    return -level.mass_kg, -level.bears_kg, level.goods[0].product_id


def _by_weight_and_strength(level: Level) -> tuple[float, float, int]:
    return -level.mass_kg - level.bears_kg, -level.mass_kg, level.goods[0].product_id


def _check(part: Part, limits: Limits) -> None:
    goods = part.goods
    if (
        part.cases < 1
        or not 0 < goods.case_mass_kg < inf
        or goods.cases_per_layer < 1
        or goods.layers_per_pallet < 1
    ):
        raise invalid(
            "parts",
            say(
                "Part {id}: {cases} cases of {case_mass_kg:g} kg, {cases_per_layer} a layer, "
                "{layers_per_pallet} layers.",
                id=part.id,
                cases=part.cases,
                case_mass_kg=goods.case_mass_kg,
                cases_per_layer=goods.cases_per_layer,
                layers_per_pallet=goods.layers_per_pallet,
            ),
            say("Give counts of 1 or more and a mass above 0."),
        )
    too_heavy = limits.mass_kg is not None and goods.pallet_tare_kg + goods.case_mass_kg > limits.mass_kg
    too_high = limits.height_mm is not None and PALLET_MM + (goods.case_height_mm or 0) > limits.height_mm
    if too_heavy or too_high:
        raise Refused(
            "case-over-limits",
            say(
                "One case of product {product_id} on a pallet is {which} than a unit may be there. "
                "Correct the product or the limit.",
                product_id=goods.product_id,
                which=say("heavier") if too_heavy else say("higher"),
            ),
            data={
                "product_id": goods.product_id,
                "max_mass_kg": limits.mass_kg,
                "max_height_mm": limits.height_mm,
            },
        )


def _bound(parts: list[Part], limits: Limits) -> int:
    """Return a number of pallets that is needed however the cases are stacked."""
    needs = [sum(part.cases / part.goods.full_cases for part in parts)]
    if limits.mass_kg is not None:
        room_kg = limits.mass_kg - min(part.goods.pallet_tare_kg for part in parts)
        needs.append(sum(part.cases * part.goods.case_mass_kg for part in parts) / room_kg)
    if limits.height_mm is not None:
        stack_mm = limits.height_mm - PALLET_MM
        needs.append(
            sum(
                part.cases / part.goods.cases_per_layer
                * (part.goods.case_height_mm or stack_mm / part.goods.layers_per_pallet)
                for part in parts
            )
            / stack_mm
        )  # fmt: skip
    return ceil(max(needs) - ROUNDING)


def _fits(stack: list[Level], limits: Limits) -> bool:
    """Tell whether tiers may stand on one pallet."""
    if sum(level.share for level in stack) > 1 + ROUNDING:
        return False
    goods = [one for level in stack for one in level.goods]
    if limits.mass_kg is not None:
        mass_kg = sum(level.mass_kg for level in stack) + max(one.pallet_tare_kg for one in goods)
        if mass_kg > limits.mass_kg + ROUNDING:
            return False
    if limits.height_mm is not None:
        stack_mm = limits.height_mm - PALLET_MM
        if sum(level.height_mm(stack_mm) for level in stack) > stack_mm + ROUNDING:
            return False
    return share_a_range(goods) and standing(stack) is not None


def _packed(parts: list[Part], limits: Limits, bound: int) -> Stacks:
    """Return the best of a few quick rules; where it is not proven fewest, of a short search too."""
    most_kg = None
    if limits.mass_kg is not None:
        most_kg = limits.mass_kg - max(part.goods.pallet_tare_kg for part in parts)
    rules: list[Callable[[Level], tuple[float, ...]]] = [
        # One product after another keeps picks together; the others fill better.
        lambda one: (not one.carries, one.goods[0].product_id, -one.mass_kg),
        lambda one: (not one.carries, -one.share, -one.mass_kg),
        lambda one: (not one.carries, -one.mass_kg - one.bears_kg),
        lambda one: (-one.share, -one.mass_kg),
    ]
    tiers = [levels_of(parts, most_kg=most_kg, is_side_by_side=beside) for beside in (True, False)]
    tried = [_kept_together(parts, limits, most_kg)]
    tried += [_first_fit(sorted(levels, key=rule), limits) for levels in tiers for rule in rules]
    best = min(tried, key=lambda stacks: (len(stacks), _divided(stacks)))
    for levels in tiers:
        if len(best) > bound:
            best = _searched(sorted(levels, key=rules[1]), limits, best, bound)
    return best


def _kept_together(parts: list[Part], limits: Limits, most_kg: float | None) -> Stacks:
    """Return pallets on which a product stands as a whole, but for what fills pallets by itself."""
    closed: Stacks = []
    open_parts: list[tuple[list[Part], list[Level]]] = []
    by_goods: dict[int, list[Part]] = defaultdict(list)
    for part in parts:
        by_goods[part.goods.product_id].append(part)
    ends: list[list[Part]] = []
    for members in by_goods.values():
        *whole, last = _first_fit(levels_of(members, most_kg=most_kg), limits)
        closed += whole
        pieces: dict[Part, int] = defaultdict(int)
        for level in last:
            for part, cases in level.tier.pieces:
                pieces[part] += cases
        ends.append([replace(part, cases=cases) for part, cases in pieces.items()])
    for some in sorted(ends, key=lambda end: (-sum(p.cases / p.goods.full_cases for p in end), end[0].id)):
        for place, (there, _) in enumerate(open_parts):
            stack = _as_one([*there, *some], limits, most_kg)
            if stack is not None:
                open_parts[place] = ([*there, *some], stack)
                break
        else:
            alone = _as_one(some, limits, most_kg)
            if alone is None:
                closed += _first_fit(levels_of(some, most_kg=most_kg), limits)
            else:
                open_parts.append((some, alone))
    return [*closed, *(stack for _, stack in open_parts)]


def _as_one(parts: list[Part], limits: Limits, most_kg: float | None) -> list[Level] | None:
    """Return the tiers of one pallet with all the parts, or None where they do not fit on one."""
    for is_side_by_side in (True, False):
        levels = levels_of(parts, most_kg=most_kg, is_side_by_side=is_side_by_side)
        if _fits(levels, limits):
            return levels
    return None


def _first_fit(levels: list[Level], limits: Limits) -> Stacks:
    stacks: Stacks = []
    for level in levels:
        for stack in stacks:
            if _fits([*stack, level], limits):
                stack.append(level)
                break
        else:
            stacks.append([level])
    return stacks


def _divided(stacks: Stacks) -> int:
    """Return on how many pallets parts stand, counted once for every part."""
    return sum(len({part.id for level in stack for part, _ in level.tier.pieces}) for stack in stacks)


def _searched(levels: list[Level], limits: Limits, best: Stacks, bound: int) -> Stacks:
    """Return fewer pallets if a depth-first search of bounded length finds any."""
    steps = 0

    def place(number: int, stacks: Stacks) -> None:
        nonlocal best, steps
        steps += 1
        if steps > MOST_STEPS or len(best) == bound:
            return
        if number == len(levels):
            best = [list(stack) for stack in stacks]
            return
        for stack in stacks:
            if _fits([*stack, levels[number]], limits):
                stack.append(levels[number])
                place(number + 1, stacks)
                stack.pop()
        if len(stacks) + 1 < len(best):
            place(number + 1, [*stacks, [levels[number]]])

    place(0, [])
    return best
