"""
One deck, exactly: which pallets stand in which rows so that every drop can be reached and every axle is
legal.

Pallets alike in drop and mass are counted, not named. A boundary per drop falls from the front wall to the
doors: rows ahead of it may hold that drop or later ones, rows behind it that drop or earlier ones.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from ortools.sat.python import cp_model

from rimekeep.loading.core.statics import WeightRule, integer_rule, weight_rules
from rimekeep.loading.core.vehicle import Row, Rules, Truck


@dataclass(frozen=True, slots=True, order=True)
class Form:
    """What decides where a pallet may stand besides its mass; 0 is not known and binds nothing."""

    long_mm: float = 0.0
    short_mm: float = 0.0
    height_mm: float = 0.0
    has_dock: bool = True
    top_max_kg: float = 0.0
    is_stackable: bool = False


ANY_FORM = Form()


@dataclass(frozen=True, slots=True, order=True)
class DeckGroup:
    """Pallets of one drop, mass, form and temperature; ``count`` is how many there are at most."""

    seq: int
    mass_kg: float
    count: int
    form: Form = ANY_FORM
    temperature_class: str = ""


Counts = tuple[tuple[int, ...], ...]
"""Pallets per row and group: ``counts[row][group]``."""


@dataclass(frozen=True, slots=True)
class Deck:
    """
    What the deck model needs of a truck, or of several to choose from.

    Trucks to choose from stand side by side as one long deck of which a vehicle uses one truck's rows:
    ``truck_of`` names the truck of each row, and every weight rule the truck it binds.
    """

    rows: tuple[Row, ...]
    rules: Rules
    weight_rules: tuple[WeightRule, ...]
    trucks: tuple[Truck, ...]
    truck_of: tuple[int, ...]
    clashes: frozenset[tuple[str, str]] = frozenset()
    # Most pallets to a place: 2 where half pallets or pallets on top of each other are about.
    density: int = 1

    @property
    def is_divided(self) -> bool:
        """Whether classes that clash may share a vehicle, in compartments of their own."""
        return not self.rules.is_single_compartment

    @property
    def places(self) -> int:
        """Most pallets on the largest deck."""
        return max(self.places_of(t) for t in range(len(self.trucks)))

    @property
    def is_choice(self) -> bool:
        """Whether there is more than one truck to choose from."""
        return len(self.trucks) > 1

    def places_of(self, truck: int) -> int:
        """Most pallets on one truck."""
        return self.density * self.trucks[truck].places

    def rows_of(self, truck: int) -> range:
        """Return where one truck's rows stand in the long deck."""
        first = self.truck_of.index(truck)
        return range(first, first + len(self.trucks[truck].rows))

    def alone(self, truck: int) -> "Deck":
        """Return the deck of one truck of the choice."""
        if not self.is_choice:
            return self
        rows = self.rows_of(truck)
        rules = tuple(
            replace(rule, factors=rule.factors[rows.start : rows.stop], truck=0)
            for rule in self.weight_rules
            if rule.truck == truck
        )
        own = self.trucks[truck]
        return Deck(own.rows, self.rules, rules, (own,), (0,) * len(own.rows), self.clashes, self.density)

    def truck_loaded(self, counts: Counts) -> int:
        """Return the truck of the choice whose rows hold something, the first when none does."""
        return next((self.truck_of[r] for r, row in enumerate(counts) if any(row)), 0)

    def is_plain(self, groups: Sequence[DeckGroup]) -> bool:
        """Whether rear doors are the only way out, and every pallet may stand in every row."""
        if self.is_divided and len({group.temperature_class for group in groups}) > 1:
            return False
        return not any(truck.side_doors for truck in self.trucks) and all(
            self.room(r, group) == row.lanes for r, row in enumerate(self.rows) for group in groups
        )

    def room(self, r: int, group: DeckGroup) -> int:
        """Return how many pallets of a group a row takes, by form and by how they come off."""
        truck, row = self.trucks[self.truck_of[r]], self.rows[r]
        if not can_stand(truck, row, group):
            return 0
        is_alone = self.density == 1 or not (
            is_half(truck, row, group.form) or group.form.is_stackable or group.form.top_max_kg
        )
        return row.lanes * (1 if is_alone else 2)


def deck_of(
    trucks: Sequence[Truck],
    rules: Rules,
    clashes: frozenset[tuple[str, str]] = frozenset(),
    forms: Collection[Form] = (),
) -> Deck:
    """Return the deck of a choice of trucks for pallets of some forms."""
    rows = tuple(row for truck in trucks for row in truck.rows)
    truck_of = tuple(t for t, truck in enumerate(trucks) for _ in truck.rows)
    found = []
    for t, truck in enumerate(trucks):
        ahead = truck_of.index(t)
        behind = len(rows) - ahead - len(truck.rows)
        for rule in weight_rules(truck, rules):
            factors = (Fraction(0),) * ahead + rule.factors + (Fraction(0),) * behind
            found.append(replace(rule, factors=factors, truck=t))
    is_dense = any(form.is_stackable for form in forms) and any(form.top_max_kg for form in forms)
    is_dense = is_dense or any(
        is_half(truck, row, form) for truck in trucks for row in truck.rows for form in forms
    )
    return Deck(rows, rules, tuple(found), tuple(trucks), truck_of, clashes, 2 if is_dense else 1)


def is_half(truck: Truck, row: Row, form: Form) -> bool:
    """
    Return whether two pallets of a form share a place of a row.

    Beside side doors each keeps a place: which of two comes out first cannot be told by rows there.
    """
    if not (row.along_mm and form.long_mm) or truck.side_doors:
        return False
    small, large = sorted((row.along_mm, row.across_mm))
    return form.long_mm <= small and 2 * form.short_mm <= large


def can_bear(truck: Truck, row: Row, base: DeckGroup, top: DeckGroup) -> bool:
    """
    Return whether a pallet may stand on another in a row.

    The lower one bears it and is not unloaded before it, both heights are known and fit below door and roof,
    and it hangs over no edge. Beside side doors nothing is stacked.
    """
    below, above = base.form, top.form
    room = truck.room_height_mm(row)
    return (
        above.is_stackable
        and below.top_max_kg >= top.mass_kg
        and base.seq >= top.seq
        and below.height_mm > 0
        and above.height_mm > 0
        and below.height_mm + above.height_mm <= room
        and (above.long_mm <= below.long_mm and above.short_mm <= below.short_mm)
        and (above.long_mm > 0) == (below.long_mm > 0)
        and not truck.side_doors
        and not is_half(truck, row, below)
        and not is_half(truck, row, above)
    )


def can_stand(truck: Truck, row: Row, group: DeckGroup) -> bool:
    """Return whether a pallet fits a row's places, passes the door and can be set down at its stop."""
    form = group.form
    room = truck.room_height_mm(row)
    if room and form.height_mm > room:
        return False
    lift = math.inf if truck.has_ramps else truck.tail_lift_max_kg or 0.0
    if not form.has_dock and group.mass_kg > lift:
        return False
    if not (row.along_mm and form.long_mm):
        return True
    place = sorted((row.along_mm, row.across_mm))
    return form.short_mm <= place[0] and form.long_mm <= place[1]


@dataclass(frozen=True, slots=True)
class DeckVariables:
    """The variables of one deck inside a model; ``chosen`` says per truck of a choice whether it is used."""

    counts: list[list[cp_model.IntVar]]
    margins: list[tuple[cp_model.LinearExprT, int]]
    chosen: list[cp_model.IntVar]

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
            _add_compartments(model, deck, groups, counts, rows, tag)
    return DeckVariables(counts, _add_weights(model, deck, groups, counts, tag, margin=margin), chosen)


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
            if can_bear(truck, row, base, top):
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
    number = {r: model.new_int_var(0, truck.compartments - 1, f"{tag}c{r}") for r in rows}
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
        for k in range(truck.compartments):
            carries[name, k] = model.new_bool_var(f"{tag}b{rows[0]}k{k}{name}")
        for r in rows:
            holds = model.new_bool_var(f"{tag}h{r}{name}")
            model.add(sum(counts[r][i] for i in own) <= deck.density * deck.rows[r].lanes * holds)
            for k in range(truck.compartments):
                is_here = model.new_bool_var(f"{tag}i{r}k{k}{name}")
                model.add(number[r] == k).only_enforce_if(is_here)
                model.add(number[r] != k).only_enforce_if(is_here.negated())
                model.add_bool_or([holds.negated(), is_here.negated(), carries[name, k]])
    for a, b in sorted(deck.clashes):
        for k in range(truck.compartments):
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


class Undecided(Exception):  # noqa: N818 - an answer of the solver, not a fault
    """The solver's effort ran out before a deck was found or ruled out."""


def solver(effort: float, seed: int) -> cp_model.CpSolver:
    """Return a solver whose answer depends on model, effort and seed only, never on the machine's speed."""
    made = cp_model.CpSolver()
    made.parameters.num_workers = 1
    made.parameters.max_deterministic_time = effort
    made.parameters.random_seed = seed
    # Probing the row boundaries finds nothing that search does not find sooner.
    made.parameters.cp_model_probing_level = 0
    return made


class Loader:
    """
    Answers, and remembers, whether a composition can be loaded on one truck, or on one of a choice.

    A choice is asked truck by truck; each truck has a loader of its own.
    """

    def __init__(self, deck: Deck, *, seed: int = 0, effort: float = 5.0) -> None:
        self.deck = deck
        self._seed = seed
        self._effort = effort
        self._known: dict[tuple[tuple[int, float, int, Form, str], ...], Counts | None] = {}
        self._parts = (
            [type(self)(deck.alone(t), seed=seed, effort=effort) for t in range(len(deck.trucks))]
            if deck.is_choice
            else [self]
        )

    def _key(self, groups: Sequence[DeckGroup]) -> tuple[tuple[int, float, int, Form, str], ...]:
        ranks = {seq: k for k, seq in enumerate(sorted({g.seq for g in groups}))}
        return tuple(
            (
                ranks[g.seq], g.mass_kg, g.count, g.form,
                g.temperature_class if self.deck.is_divided else "",
            )
            for g in groups
        )  # fmt: skip

    def learn(self, groups: Sequence[DeckGroup], counts: Counts) -> None:
        """Remember a deck found elsewhere."""
        truck = self.deck.truck_loaded(counts)
        rows = self.deck.rows_of(truck)
        self._parts[truck]._known.setdefault(self._key(groups), counts[rows.start : rows.stop])

    def arrange(self, groups: Sequence[DeckGroup]) -> Counts | None:
        """
        Return counts per row and group, None when no deck is legal; may raise `Undecided`.

        Of a choice the first truck that takes it is used, and the other trucks' rows are empty.
        """
        is_open = False
        for t in range(len(self._parts)):
            try:
                found = self.arrange_on(groups, t)
            except Undecided:
                is_open = True
                continue
            if found is not None:
                return found
        if is_open:
            raise Undecided
        return None

    def arrange_on(self, groups: Sequence[DeckGroup], truck: int) -> Counts | None:
        """Return the same with one truck of the choice."""
        found = self._parts[truck]._arrange(groups)
        return None if found is None else self._widened(found, truck, len(groups))

    def trucks_for(self, groups: Sequence[DeckGroup]) -> list[int]:
        """Return the trucks of the choice that take a composition, as far as that is known."""
        found = []
        for t in range(len(self._parts)):
            try:
                if self.arrange_on(groups, t) is not None:
                    found.append(t)
            except Undecided:
                continue
        return found

    def _widened(self, counts: Counts, truck: int, groups: int) -> Counts:
        """Return counts of one truck's rows as counts of all rows of the choice."""
        if not self.deck.is_choice:
            return counts
        rows = self.deck.rows_of(truck)
        none = ((0,) * groups,)
        return none * rows.start + counts + none * (len(self.deck.rows) - rows.stop)

    def _arrange(self, groups: Sequence[DeckGroup]) -> Counts | None:
        key = self._key(groups)
        if key not in self._known:
            if self._is_too_much(groups):
                self._known[key] = None
            else:
                is_plain = self.deck.is_plain(groups)
                self._known[key] = self._search(groups) if is_plain else self._solve(groups)
        return self._known[key]

    def _is_too_much(self, groups: Sequence[DeckGroup]) -> bool:
        if sum(g.count for g in groups) > self.deck.places:
            return True
        masses = sum(Fraction(g.mass_kg).limit_denominator(1000) * g.count for g in groups)
        return any(
            masses * min(rule.factors) > rule.room_kg and not rule.is_loaded_only
            for rule in self.deck.weight_rules
        )

    def _search(self, groups: Sequence[DeckGroup]) -> Counts | None:
        """Look for a deck where rear doors are the only way out and every pallet may stand in every row."""
        return self._solve(groups)

    def _solve(self, groups: Sequence[DeckGroup]) -> Counts | None:
        model = cp_model.CpModel()
        variables = add_deck(model, self.deck, groups, "")
        for i, g in enumerate(groups):
            model.add(variables.loaded(i) == g.count)
        search = solver(self._effort, self._seed)
        status = search.solve(model)
        if status == cp_model.INFEASIBLE:
            return None
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            raise Undecided
        return tuple(tuple(search.value(n) for n in row) for row in variables.counts)

    def spread(self, groups: Sequence[DeckGroup], first: Counts, *, effort: float = 0.2) -> Counts:
        """Return the legal deck found with the most slack, in kg, on its tightest axle of any state."""
        truck = self.deck.truck_loaded(first)
        rows = self.deck.rows_of(truck)
        found = self._parts[truck]._spread(groups, first[rows.start : rows.stop], effort)
        return self._widened(found, truck, len(groups))

    def _spread(self, groups: Sequence[DeckGroup], first: Counts, effort: float) -> Counts:
        model = cp_model.CpModel()
        variables = add_deck(model, self.deck, groups, "", margin=True)
        for i, g in enumerate(groups):
            model.add(variables.loaded(i) == g.count)
        if not variables.margins:
            return first
        least = model.new_int_var(0, 1_000_000, "least_kg")
        for slack, scale in variables.margins:
            model.add(slack >= least * scale)
        for row, known in zip(variables.counts, first, strict=True):
            for n, value in zip(row, known, strict=True):
                model.add_hint(n, value)
        model.maximize(least)
        search = solver(effort, self._seed)
        if search.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return first
        return tuple(tuple(search.value(n) for n in row) for row in variables.counts)
