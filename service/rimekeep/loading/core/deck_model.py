"""
One deck, exactly: which pallets stand in which rows so that every drop can be reached and every axle is
legal.

A boundary per drop falls from the front wall to the doors: rows ahead of it may hold that drop or later ones,
rows behind it that drop or earlier ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ortools.sat.python import cp_model

from rimekeep.loading.core.deck import Deck, DeckGroup, can_bear, is_half
from rimekeep.loading.core.deck_empties import EmptiesVariables, add_empties
from rimekeep.loading.core.statics import integer_rule


@dataclass(frozen=True, slots=True)
class DeckVariables:
    """The variables of one deck inside a model; ``chosen`` says per truck of a choice whether it is used."""

    counts: list[list[cp_model.IntVar]]
    margins: list[tuple[cp_model.LinearExprT, int]]
    chosen: list[cp_model.IntVar]
    empties: EmptiesVariables

    def loaded(self, group: int) -> cp_model.LinearExprT:
        """Return how many pallets of a group are on board."""
        return cp_model.LinearExpr.sum([row[group] for row in self.counts])


def add_deck(
    model: cp_model.CpModel, deck: Deck, groups: Sequence[DeckGroup], tag: str, *, margin: bool = False
) -> DeckVariables:
    """Add one deck to a model, with anything from no pallet to all of each group on board."""
    counts = [
        [model.new_int_var(0, min(deck.room(r, g), g.count), f"{tag}r{r}g{i}") for i, g in enumerate(groups)]
        for r in range(len(deck.rows))
    ]
    chosen = [model.new_bool_var(f"{tag}t{t}") for t in range(len(deck.trucks))] if deck.is_choice else []
    if chosen:
        model.add_exactly_one(chosen)
    used = [_add_row(model, deck, groups, counts, r, tag) for r in range(len(deck.rows))]
    for r, row in enumerate(deck.rows):
        model.add(used[r] <= deck.density * row.lanes * (chosen[deck.truck_of[r]] if chosen else 1))
    for rows in _bodies(deck):
        if deck.rules.has_drop_order:
            _add_drop_order(model, deck, groups, counts, rows, tag)
        if not deck.rules.is_gap_allowed:
            _add_no_gaps(model, deck, counts, used, rows, tag)
    if deck.is_divided and deck.clashes:
        for t, truck in enumerate(deck.trucks):
            first = deck.rows_of(t).start
            for body in truck.bodies:
                _add_compartments(model, deck, groups, counts, [first + r for r in body], tag)
    margins = _add_weights(model, deck, groups, counts, tag, margin=margin)
    empties = add_empties(model, deck, groups, counts, tag)
    return DeckVariables(counts, margins, chosen, empties)


def _add_row(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    r: int,
    tag: str,
) -> cp_model.LinearExprT:
    """
    Return how much of a row is taken: places, or halves of places where two pallets may share one.

    Of pallets standing in pairs on each other the upper one takes nothing. Halves stand two to a place, so
    that an odd one takes the other half too; with whole places left over it makes no difference.
    """
    if deck.density == 1:
        return sum(counts[r])
    truck, row = deck.trucks[deck.truck_of[r]], deck.rows[r]
    paired: list[list[cp_model.IntVar]] = [[] for _ in groups]
    pairs = []
    for i, base in enumerate(groups):
        for j, top in enumerate(groups):
            if deck.has_stacks and can_bear(truck, row, base, top):
                pair = model.new_int_var(0, row.lanes, f"{tag}p{r}g{i}g{j}")
                pairs.append(pair)
                paired[i].append(pair)
                paired[j].append(pair)
    for i, own in enumerate(paired):
        if own:
            model.add(sum(own) <= counts[r][i])
    taken = [1 if is_half(truck, row, group.form) else 2 for group in groups]
    return cp_model.LinearExpr.weighted_sum(counts[r], taken) - 2 * sum(pairs)


def _bodies(deck: Deck) -> list[list[int]]:
    """Return the rows of every body, front wall first; each has doors of its own."""
    found: dict[tuple[int, int], list[int]] = {}
    for r, row in enumerate(deck.rows):
        found.setdefault((deck.truck_of[r], row.body), []).append(r)
    return list(found.values())


def _add_drop_order(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    rows: Sequence[int],
    tag: str,
) -> None:
    """
    Keep later drops of a body ahead of earlier ones, as far as its rear doors are the only way out.

    ``open_to[r][s]`` says: row r or one ahead of it may hold drop s, and no row behind r may hold a later
    one. It only ever turns true towards the doors and towards later drops.
    """
    doors = deck.trucks[deck.truck_of[rows[0]]].side_doors
    if doors:
        _add_ways_out(model, deck, groups, counts, rows, tag)
        return
    seqs = sorted({g.seq for g in groups})
    open_to = {r: [model.new_bool_var(f"{tag}o{r}s{s}") for s in seqs] for r in rows}
    for r in rows:
        for k in range(len(seqs)):
            if k:
                model.add_implication(open_to[r][k - 1], open_to[r][k])
            if r != rows[0]:
                model.add_implication(open_to[r - 1][k], open_to[r][k])
        for k, seq in enumerate(seqs):
            here = [counts[r][i] for i, g in enumerate(groups) if g.seq == seq]
            model.add(sum(here) <= deck.density * deck.rows[r].lanes * open_to[r][k])
            if r != rows[0] and k:
                model.add(sum(here) <= deck.density * deck.rows[r].lanes * (1 - open_to[r - 1][k - 1]))


def _add_ways_out(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    rows: Sequence[int],
    tag: str,
) -> None:
    """
    Let every drop in a row leave by the rear doors or by a side door, past no later drop.

    Beside a side door the row itself is sorted: the earliest drop stands in the lane next to the door. From
    elsewhere the way leads through the door's nearest row, which may hold no later drop.
    """
    t = deck.truck_of[rows[0]]
    first = deck.rows_of(t).start
    beside = [range(first + door.first, first + door.last + 1) for door in deck.trucks[t].side_doors]
    seqs = sorted({g.seq for g in groups})
    holds_later = {(r, k): model.new_bool_var(f"{tag}l{r}s{k}") for r in rows for k in range(len(seqs) - 1)}
    for (r, k), later in holds_later.items():
        behind = [counts[r][i] for i, g in enumerate(groups) if g.seq > seqs[k]]
        model.add(sum(behind) <= deck.density * deck.rows[r].lanes * later)
    for r in rows:
        for k in range(len(seqs) - 1):
            here = [counts[r][i] for i, g in enumerate(groups) if g.seq == seqs[k]]
            ways = [[s for s in rows if s > r]]
            for door in beside:
                if door.start not in rows:
                    continue
                if r in door:
                    ways.append([])
                elif r < door.start:
                    ways.append([s for s in rows if r < s <= door.start])
                else:
                    ways.append([s for s in rows if door[-1] <= s < r])
            if any(not way for way in ways):
                continue
            taken = [model.new_bool_var(f"{tag}w{r}s{k}d{d}") for d in range(len(ways))]
            model.add(sum(here) <= deck.density * deck.rows[r].lanes * sum(taken))
            for way, is_taken in zip(ways, taken, strict=True):
                for s in way:
                    model.add_implication(is_taken, holds_later[s, k].negated())


def _add_compartments(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    rows: Sequence[int],
    tag: str,
) -> None:
    """
    Give every row of a body a compartment, numbered from the front wall, and every compartment one air.

    Bulkheads open for what stands ahead of them, so the drop order holds through the rear doors as ever.
    """
    truck = deck.trucks[deck.truck_of[rows[0]]]
    first = deck.rows_of(deck.truck_of[rows[0]]).start
    most = 1 if truck.has_one_air else truck.compartments
    number = {r: model.new_int_var(0, most - 1, f"{tag}c{r}") for r in rows}
    for ahead, behind in pairwise(rows):
        if truck.bulkhead_rows is None or ahead - first in truck.bulkhead_rows:
            model.add(number[behind] >= number[ahead])
        else:
            model.add(number[behind] == number[ahead])
    clashing = sorted({name for pair in deck.clashes for name in pair})
    carries = {}
    for name in clashing:
        own = [i for i, g in enumerate(groups) if g.temperature_class == name]
        if not own:
            continue
        for k in range(most):
            carries[name, k] = model.new_bool_var(f"{tag}b{rows[0]}k{k}{name}")
        for r in rows:
            holds = model.new_bool_var(f"{tag}h{r}{name}")
            model.add(sum(counts[r][i] for i in own) <= deck.density * deck.rows[r].lanes * holds)
            for k in range(most):
                is_here = model.new_bool_var(f"{tag}i{r}k{k}{name}")
                model.add(number[r] == k).only_enforce_if(is_here)
                model.add(number[r] != k).only_enforce_if(is_here.negated())
                model.add_bool_or([holds.negated(), is_here.negated(), carries[name, k]])
    for a, b in sorted(deck.clashes):
        for k in range(most):
            if (a, k) in carries and (b, k) in carries:
                model.add_at_most_one([carries[a, k], carries[b, k]])


def _add_no_gaps(
    model: cp_model.CpModel,
    deck: Deck,
    counts: list[list[cp_model.IntVar]],
    used: Sequence[cp_model.LinearExprT],
    rows: Sequence[int],
    tag: str,
) -> None:
    for r in rows[1:]:
        is_full = model.new_bool_var(f"{tag}full{r - 1}")
        # An odd half fills its place as far as gaps go.
        full = deck.density * deck.rows[r - 1].lanes - (deck.density - 1)
        model.add(used[r - 1] >= full * is_full)
        model.add(sum(counts[r]) <= deck.density * deck.rows[r].lanes * is_full)


def _add_weights(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    tag: str,
    *,
    margin: bool,
) -> list[tuple[cp_model.LinearExprT, int]]:
    """Add every weight rule in every state; return slack expressions with their units per kg."""
    seqs = sorted({g.seq for g in groups})
    states = [None, *seqs[:-1]] if deck.rules.has_weights_after_drops else [None]
    margins: list[tuple[cp_model.LinearExprT, int]] = []
    for rule in deck.weight_rules:
        flat = [(r, i) for r in deck.rows_of(rule.truck) for i in range(len(groups))]
        coefficients, room, scale = integer_rule(rule, [g.mass_kg for g in groups], deck.places)
        for state in states[:1] if rule.is_eased_by_unloading else states:
            on_board = [(r, i) for r, i in flat if state is None or groups[i].seq > state]
            weight = cp_model.LinearExpr.weighted_sum(
                [counts[r][i] for r, i in on_board], [coefficients[r][i] for r, i in on_board]
            )
            limit = model.add(weight <= room)
            if room < 0:
                is_loaded = model.new_bool_var(f"{tag}{rule.name}{rule.truck}{state}")
                pieces = cp_model.LinearExpr.sum([counts[r][i] for r, i in on_board])
                model.add(pieces <= deck.places * is_loaded)
                limit.only_enforce_if(is_loaded)
            elif margin and not rule.is_loaded_only and rule.name not in ("payload", "gross"):
                margins.append((room - weight, scale))
    return margins
