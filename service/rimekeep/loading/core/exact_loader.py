"""Whether a load has a legal deck, by the exact model; and the deck with the most slack."""

from collections.abc import Sequence
from fractions import Fraction

from ortools.sat.python import cp_model

from rimekeep.loading.core.deck import Back, Counts, Deck, DeckGroup, Form, is_half
from rimekeep.loading.core.deck_model import DeckVariables, add_deck

# Slack looked at, and what one stack fewer is worth more than. [kg]
_MOST_SLACK_KG = 1_000_000

Key = tuple[tuple[int, float, int, Form, str, tuple[Back, ...]], ...]


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
        # Effort spent so far.
        self.spent = 0.0
        self._known: dict[Key, Counts | None] = {}
        self._parts = (
            [type(self)(deck.alone(t), seed=seed, effort=effort) for t in range(len(deck.trucks))]
            if deck.is_choice
            else [self]
        )

    def _key(self, groups: Sequence[DeckGroup]) -> Key:
        ranks = {seq: k for k, seq in enumerate(sorted({g.seq for g in groups}))}
        return tuple(
            (
                ranks[g.seq], g.mass_kg, g.count, g.form,
                g.temperature_class if self.deck.is_divided else "", g.back,
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
            self._known[key] = None if self._is_too_much(groups) else self._solve(groups)
        return self._known[key]

    def _is_too_much(self, groups: Sequence[DeckGroup]) -> bool:
        if sum(g.count for g in groups) > self.deck.places:
            return True
        masses = sum(Fraction(g.mass_kg).limit_denominator(1000) * g.count for g in groups)
        return any(
            masses * min(rule.factors) > rule.room_kg and not rule.is_loaded_only
            for rule in self.deck.weight_rules
        )

    def _solve(self, groups: Sequence[DeckGroup]) -> Counts | None:
        model = cp_model.CpModel()
        variables = add_deck(model, self.deck, groups, "")
        for i, g in enumerate(groups):
            model.add(variables.loaded(i) == g.count)
        search = solver(self._effort, self._seed)
        status = search.solve(model)
        self.spent += search.response_proto.deterministic_time
        if status == cp_model.INFEASIBLE:
            return None
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            raise Undecided
        return tuple(tuple(search.value(n) for n in row) for row in variables.counts)

    def _stacks(
        self, model: cp_model.CpModel, groups: Sequence[DeckGroup], variables: DeckVariables
    ) -> list[cp_model.IntVar]:
        """Return for each row how many of its pallets find no place of their own."""
        if not self.deck.has_stacks:
            return []
        found = []
        for r, row in enumerate(self.deck.rows):
            truck = self.deck.trucks[self.deck.truck_of[r]]
            halves = [1 if is_half(truck, row, group.form) else 2 for group in groups]
            over = model.new_int_var(0, row.lanes, f"over{r}")
            taken = cp_model.LinearExpr.weighted_sum(variables.counts[r], halves)
            model.add(2 * over >= taken - 2 * row.lanes)
            found.append(over)
        return found

    def spread(self, groups: Sequence[DeckGroup], first: Counts, *, effort: float = 0.2) -> Counts:
        """Return the legal deck found with the fewest stacks, then the most slack on its axles, in kg."""
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
        least = model.new_int_var(0, _MOST_SLACK_KG, "least_kg")
        for slack, scale in variables.margins:
            model.add(slack >= least * scale)
        for row, known in zip(variables.counts, first, strict=True):
            for n, value in zip(row, known, strict=True):
                model.add_hint(n, value)
        model.maximize(least - (_MOST_SLACK_KG + 1) * sum(self._stacks(model, groups, variables)))
        search = solver(effort, self._seed)
        if search.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return first
        return tuple(tuple(search.value(n) for n in row) for row in variables.counts)
