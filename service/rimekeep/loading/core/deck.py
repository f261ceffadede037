"""
One deck, exactly: which pallets stand in which rows so that every drop can be reached and every axle is
legal.

Pallets alike in drop and mass are counted, not named. A boundary per drop falls from the front wall to the
doors: rows ahead of it may hold that drop or later ones, rows behind it that drop or earlier ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from ortools.sat.python import cp_model

from rimekeep.loading.core.statics import WeightRule, integer_rule
from rimekeep.loading.core.vehicle import Row, Rules


@dataclass(frozen=True, slots=True, order=True)
class DeckGroup:
    """Pallets of one drop and one mass; ``count`` is how many there are at most."""

    seq: int
    mass_kg: float
    count: int


Counts = tuple[tuple[int, ...], ...]
"""Pallets per row and group: ``counts[row][group]``."""


@dataclass(frozen=True, slots=True)
class Deck:
    """What the deck model needs of a truck."""

    rows: tuple[Row, ...]
    rules: Rules
    weight_rules: tuple[WeightRule, ...]

    @property
    def places(self) -> int:
        """Pallet places on the deck."""
        return sum(row.lanes for row in self.rows)


@dataclass(frozen=True, slots=True)
class DeckVariables:
    """The variables of one deck inside a model."""

    counts: list[list[cp_model.IntVar]]
    margins: list[tuple[cp_model.LinearExprT, int]]

    def loaded(self, group: int) -> cp_model.LinearExprT:
        """Return how many pallets of a group are on board."""
        return cp_model.LinearExpr.sum([row[group] for row in self.counts])


def add_deck(
    model: cp_model.CpModel, deck: Deck, groups: Sequence[DeckGroup], tag: str, *, margin: bool = False
) -> DeckVariables:
    """Add one deck to a model, with anything from no pallet to all of each group on board."""
    counts = [
        [model.new_int_var(0, min(row.lanes, g.count), f"{tag}r{r}g{i}") for i, g in enumerate(groups)]
        for r, row in enumerate(deck.rows)
    ]
    for r, row in enumerate(deck.rows):
        model.add(sum(counts[r]) <= row.lanes)
    if deck.rules.has_drop_order:
        _add_drop_order(model, deck, groups, counts, tag)
    if not deck.rules.is_gap_allowed:
        _add_no_gaps(model, deck, counts, tag)
    return DeckVariables(counts, _add_weights(model, deck, groups, counts, tag, margin=margin))


def _add_drop_order(
    model: cp_model.CpModel,
    deck: Deck,
    groups: Sequence[DeckGroup],
    counts: list[list[cp_model.IntVar]],
    tag: str,
) -> None:
    """
    Keep later drops ahead of earlier ones.

    ``open_to[r][s]`` says: row r or one ahead of it may hold drop s, and no row behind r may hold a later
    one. It only ever turns true towards the doors and towards later drops.
    """
    seqs = sorted({g.seq for g in groups})
    open_to = [[model.new_bool_var(f"{tag}o{r}s{s}") for s in seqs] for r in range(len(deck.rows))]
    for r in range(len(deck.rows)):
        for k in range(len(seqs)):
            if k:
                model.add_implication(open_to[r][k - 1], open_to[r][k])
            if r:
                model.add_implication(open_to[r - 1][k], open_to[r][k])
        for k, seq in enumerate(seqs):
            here = [counts[r][i] for i, g in enumerate(groups) if g.seq == seq]
            model.add(sum(here) <= deck.rows[r].lanes * open_to[r][k])
            if r and k:
                model.add(sum(here) <= deck.rows[r].lanes * (1 - open_to[r - 1][k - 1]))


def _add_no_gaps(model: cp_model.CpModel, deck: Deck, counts: list[list[cp_model.IntVar]], tag: str) -> None:
    for r in range(1, len(deck.rows)):
        is_full = model.new_bool_var(f"{tag}full{r - 1}")
        model.add(sum(counts[r - 1]) >= deck.rows[r - 1].lanes * is_full)
        model.add(sum(counts[r]) <= deck.rows[r].lanes * is_full)


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
    flat = [(r, i) for r in range(len(deck.rows)) for i in range(len(groups))]
    margins: list[tuple[cp_model.LinearExprT, int]] = []
    for rule in deck.weight_rules:
        coefficients, room, scale = integer_rule(rule, [g.mass_kg for g in groups], deck.places)
        for state in states[:1] if rule.is_eased_by_unloading else states:
            on_board = [(r, i) for r, i in flat if state is None or groups[i].seq > state]
            weight = cp_model.LinearExpr.weighted_sum(
                [counts[r][i] for r, i in on_board], [coefficients[r][i] for r, i in on_board]
            )
            limit = model.add(weight <= room)
            if room < 0:
                is_loaded = model.new_bool_var(f"{tag}{rule.name}{state}")
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
    """Answers, and remembers, whether a composition can be loaded on one kind of deck."""

    def __init__(self, deck: Deck, *, seed: int = 0, effort: float = 5.0) -> None:
        self.deck = deck
        self._seed = seed
        self._effort = effort
        self._known: dict[tuple[tuple[int, float, int], ...], Counts | None] = {}

    @staticmethod
    def _key(groups: Sequence[DeckGroup]) -> tuple[tuple[int, float, int], ...]:
        ranks = {seq: k for k, seq in enumerate(sorted({g.seq for g in groups}))}
        return tuple((ranks[g.seq], g.mass_kg, g.count) for g in groups)

    def learn(self, groups: Sequence[DeckGroup], counts: Counts) -> None:
        """Remember a deck found elsewhere."""
        self._known.setdefault(self._key(groups), counts)

    def arrange(self, groups: Sequence[DeckGroup]) -> Counts | None:
        """Return counts per row and group, None when no deck is legal; may raise `Undecided`."""
        key = self._key(groups)
        if key not in self._known:
            self._known[key] = None if self._is_too_much(groups) else self._search(groups)
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
