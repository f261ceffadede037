"""
Empties that come on board at drops, inside the model of a deck.

They stand in rows that hold no goods for later drops and have none nearer the doors, and keep a way clear
along one wall until the last drop. What a drop gives back may come or not: a deck is legal without any of it
and with all of it on every vehicle that serves the drop. Any share of all lies between these two; what comes
of some drops only is not looked at.
"""

from collections.abc import Mapping, Sequence
from math import ceil

from ortools.sat.python import cp_model

from rimekeep.loading.core.deck import Deck, DeckGroup
from rimekeep.loading.core.statics import WeightRule, integer_rule

EmptiesVariables = Mapping[tuple[int, int, int], cp_model.IntVar]
"""Places taken, by drop, item among what it gives back, and row."""

Counted = Sequence[Sequence[cp_model.IntVar]]


def add_empties(
    model: cp_model.CpModel, deck: Deck, groups: Sequence[DeckGroup], counts: Counted, tag: str
) -> EmptiesVariables:
    """Add what the drops on board give back, on places that are free and in nobody's way."""
    back = {group.seq: group.back for group in groups if group.back}
    if not back:
        return {}
    rows = range(len(deck.rows))
    taken = {
        (seq, i, r): model.new_int_var(0, deck.rows[r].lanes, f"{tag}e{seq}i{i}r{r}")
        for seq, items in back.items()
        for i in range(len(items))
        for r in rows
    }
    for seq, items in back.items():
        here = [n for i, group in enumerate(groups) if group.seq == seq for n in _column(counts, i)]
        visits = model.new_bool_var(f"{tag}back{seq}")
        model.add(sum(here) <= deck.places * visits)
        for i, item in enumerate(items):
            model.add(sum(taken[seq, i, r] for r in rows) == item.places * visits)
        _add_reach(model, deck, groups, counts, taken, seq, tag)
    _add_room(model, deck, groups, counts, taken, tag)
    if deck.rules.has_weights_after_drops:
        for rule in deck.weight_rules:
            _add_weights(model, deck, groups, counts, taken, rule, tag)
    return taken


def _column(counts: Counted, i: int) -> list[cp_model.IntVar]:
    return [row[i] for row in counts]


def _later(groups: Sequence[DeckGroup], seq: int) -> list[int]:
    return [i for i, group in enumerate(groups) if group.seq > seq]


def _add_reach(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: Counted,
    taken: EmptiesVariables,
    seq: int,
    tag: str,
) -> None:
    """Let a row take empties at a drop only when neither it nor a row behind it holds goods for later."""
    later = _later(groups, seq)
    for r, row in enumerate(deck.rows):
        t = deck.truck_of[r]
        is_open = model.new_bool_var(f"{tag}back{seq}r{r}")
        model.add(sum(n for (s, _, at), n in taken.items() if (s, at) == (seq, r)) <= row.lanes * is_open)
        behind = [s for s in deck.rows_of(t) if s >= r and deck.rows[s].body == row.body]
        left = [counts[s][i] for s in behind for i in later]
        if left:
            model.add(sum(left) <= deck.places * (1 - is_open))
        if deck.is_choice:
            # A truck that carries nothing is given nothing.
            goods = [n for s in deck.rows_of(t) for n in counts[s]]
            model.add(sum(goods) >= is_open)


def _add_room(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: Counted,
    taken: EmptiesVariables,
    tag: str,
) -> None:
    """Keep empties to their row's places, and off the way while there are goods on board."""
    for seq in sorted({group.seq for group in groups}):
        later = _later(groups, seq)
        is_loaded = model.new_bool_var(f"{tag}goods{seq}")
        left = [row[i] for row in counts for i in later]
        if left:
            model.add(sum(left) <= deck.places * is_loaded)
        for r, row in enumerate(deck.rows):
            here = [n for (s, _, at), n in taken.items() if s <= seq and at == r]
            if here:
                model.add(sum(here) <= row.lanes - _way(deck, r) * is_loaded)


def _way(deck: Deck, r: int) -> int:
    """Return the lanes of a row that stay clear: as wide as any place of the body, all beside side doors."""
    row, rows = deck.rows[r], deck.rows_of(deck.truck_of[r])
    truck = deck.trucks[deck.truck_of[r]]
    if any(door.first <= r - rows.start <= door.last for door in truck.side_doors):
        return row.lanes
    widest = max(deck.rows[s].across_mm for s in rows if deck.rows[s].body == row.body)
    return min(row.lanes, ceil(widest / row.across_mm) if row.across_mm else 1)


def _add_weights(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: Counted,
    taken: EmptiesVariables,
    rule: WeightRule,
    tag: str,
) -> None:
    """
    Keep a rule in every state with empties on board.

    With no goods left, a least that even the empty truck misses must not be missed by more.
    """
    back = {group.seq: group.back for group in groups}
    items = [(seq, i) for seq, own in back.items() for i in range(len(own))]
    masses = [g.mass_kg for g in groups] + [back[seq][i].place_kg for seq, i in items]
    coefficients, room, _ = integer_rule(rule, masses, 2 * deck.places)
    first = min(seq for seq, _ in items)
    rows = deck.rows_of(rule.truck)
    for state in sorted(seq for seq in back if seq >= first):
        goods = [(r, i) for r in rows for i in _later(groups, state)]
        aboard = [(r, k) for r in rows for k, (seq, _) in enumerate(items) if seq <= state]
        left = [counts[r][i] for r, i in goods]
        empties = [taken[(*items[k], r)] for r, k in aboard]
        weight = cp_model.LinearExpr.weighted_sum(
            [*left, *empties],
            [coefficients[r][i] for r, i in goods] + [coefficients[r][len(groups) + k] for r, k in aboard],
        )
        if room >= 0:
            model.add(weight <= room)
            continue
        if rule.is_loaded_only:
            model.add(weight <= 0)
        pieces = left if rule.is_loaded_only else [*left, *empties]
        if pieces:
            is_loaded = model.new_bool_var(f"{tag}{rule.name}{rule.truck}back{state}")
            model.add(sum(pieces) <= 2 * deck.places * is_loaded)
            model.add(weight <= room).only_enforce_if(is_loaded)
