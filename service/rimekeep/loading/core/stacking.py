"""A quick yes or no to whether a load fits a deck with pallets on top of each other, where one is seen."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from rimekeep.loading.core.deck import Counts, Deck, DeckGroup, Form, can_bear, is_half

Pairs = dict[tuple[int, int], int]
"""How many pallets of one group (first) have one of another (second) on top."""


def places_needed(deck: Deck, pallets: Iterable[tuple[Form, int]]) -> Fraction:
    """
    Return the places pallets need at least, given as forms and counts.

    Halves need half a place. What stands on another needs none, and whatever bears it bears one only.
    """
    halves = whole = tops = bases = 0
    for form, n in pallets:
        if deck.has_halves and any(is_half(truck, row, form) for truck in deck.trucks for row in truck.rows):
            halves += n
        else:
            whole += n
        if deck.has_stacks:
            tops += n * form.is_stackable
            bases += n * bool(form.top_max_kg)
    return Fraction(whole - min(tops, bases, whole // 2)) + Fraction(halves, 2)


def paired(deck: Deck, groups: Sequence[DeckGroup]) -> tuple[list[DeckGroup], Pairs] | None:
    """
    Return groups with as many pallets of one drop stacked as find no place, each stack as one pallet.

    None where that is not so simple: it tells nothing then. Pallets left single come first, in their order,
    the stacks after them in that of the pairs; the lightest go on top.
    """
    truck = deck.trucks[0]
    excess = sum(group.count for group in groups) - truck.places
    if excess <= 0 or deck.has_halves or deck.is_choice:
        return None
    left = [group.count for group in groups]
    pairs: Pairs = {}
    for j in sorted(range(len(groups)), key=lambda j: groups[j].mass_kg):
        for i in sorted(range(len(groups)), key=lambda i: groups[i].form.top_max_kg):
            if excess and _may_stack(deck, groups[i], groups[j]):
                n = min(excess, left[i] // 2 if i == j else min(left[i], left[j]))
                if n:
                    pairs[i, j] = n
                    left[i] -= n
                    left[j] -= n
                    excess -= n
    if excess:
        return None
    single = [replace(group, count=n) for group, n in zip(groups, left, strict=True) if n]
    stacks = [_as_one(groups[i], groups[j], n) for (i, j), n in pairs.items()]
    return [*single, *stacks], pairs


def _may_stack(deck: Deck, base: DeckGroup, top: DeckGroup) -> bool:
    truck = deck.trucks[0]
    return (base.seq, base.temperature_class) == (top.seq, top.temperature_class) and all(
        can_bear(truck, row, base, top) for row in truck.rows
    )


def _as_one(base: DeckGroup, top: DeckGroup, count: int) -> DeckGroup:
    form = replace(
        base.form, height_mm=base.form.height_mm + top.form.height_mm, top_max_kg=0.0, is_stackable=False
    )
    return replace(base, mass_kg=round(base.mass_kg + top.mass_kg, 6), count=count, form=form)


def taken_apart(groups: Sequence[DeckGroup], pairs: Pairs, counts: Counts) -> Counts:
    """Return counts of the groups themselves from those of single pallets and stacks."""
    stacked = [0] * len(groups)
    for (i, j), n in pairs.items():
        stacked[i] += n
        stacked[j] += n
    members = [(g,) for g, group in enumerate(groups) if group.count > stacked[g]]
    parts = [*members, *pairs]
    found = []
    for row in counts:
        own = [0] * len(groups)
        for part, n in zip(parts, row, strict=True):
            for g in part:
                own[g] += n
        found.append(tuple(own))
    return tuple(found)
