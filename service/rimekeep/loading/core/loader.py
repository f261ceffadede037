"""Whether a load has a legal deck: by its moments where they tell, else by the exact model."""

from collections.abc import Sequence

from rimekeep.loading.core.deck import Counts, Deck, DeckGroup, Form, can_be_parted
from rimekeep.loading.core.exact_loader import Key, Loader, Undecided
from rimekeep.loading.core.moments import MomentDeck
from rimekeep.loading.core.stacking import paired, places_needed, taken_apart

# What the exact model may spend on a load that moments leave open: few are, and most of those fail.
_EFFORT = 0.3
# What it may spend in all on loads that need stacks across drops or against axles.
_STACKS_EFFORT = 5.0
# How many loads that bulkheads have to part it may look at, one truck's decks alone; each takes long.
_PARTED_SOLVES = 60


class QuickLoader(Loader):
    """A `Loader` that asks for the solver only when moments leave a load undecided."""

    def __init__(self, deck: Deck, *, seed: int = 0, effort: float = _EFFORT) -> None:
        super().__init__(deck, seed=seed, effort=effort)
        self._moments = MomentDeck(deck)
        self._plain: dict[tuple[float, Form], bool] = {}
        self._undecided: set[tuple[DeckGroup, ...]] = set()
        self._parted = 0
        # What fits flat on the deck is not stacked, and is found sooner.
        self._flat = QuickLoader(deck.flat, seed=seed, effort=effort) if deck.has_stacks else None

    def _arrange(self, groups: Sequence[DeckGroup]) -> Counts | None:
        key = self._key(groups)
        if key not in self._known and self._flat is not None:
            self._look_for_stacks(key, groups)
        if key not in self._known and self.deck.is_parted(groups):
            self._look_past_bulkheads(key, groups)
        if key not in self._known and self.is_apt(groups):
            found = self._moments.arrange(groups)
            # Moments know nothing of empties. It must be legal without those too, so their no holds.
            if found == "unknown" or (found is not None and any(group.back for group in groups)):
                found = self._solve(groups)
            self._known[key] = found
        return super()._arrange(groups)

    def _look_past_bulkheads(self, key: Key, groups: Sequence[DeckGroup]) -> None:
        """Note the answer where moments tell it: no deck even with one air, or one that can be parted."""
        if not self._is_plain(groups):
            return
        found = self._moments.arrange(groups)
        if found is None or (
            found != "unknown"
            and not any(group.back for group in groups)
            and can_be_parted(self.deck, groups, found)
        ):
            self._known[key] = found

    def _look_for_stacks(self, key: Key, groups: Sequence[DeckGroup]) -> None:
        """Note the answer where it is seen at once: flat, with stacks of one drop each, or too few places."""
        if (found := self._flat_counts(groups)) is not None:
            self._known[key] = found
        elif places_needed(self.deck, ((group.form, group.count) for group in groups)) > sum(
            row.lanes for row in self.deck.rows
        ):
            self._known[key] = None
        elif (stacks := paired(self.deck, groups)) is not None and (
            counts := self._flat_counts(stacks[0])
        ) is not None:
            self._known[key] = taken_apart(groups, stacks[1], counts)

    def _flat_counts(self, groups: Sequence[DeckGroup]) -> Counts | None:
        """Return a deck with nothing on top of anything else, None where there is none or none was found."""
        if self._flat is None:
            return None
        try:
            return self._flat.arrange(groups)
        except Undecided:
            return None

    def _spread(self, groups: Sequence[DeckGroup], first: Counts, effort: float) -> Counts:
        flat = self._flat_counts(groups)
        if self._flat is None or flat is None:
            return super()._spread(groups, first, effort)
        return self._flat._spread(groups, flat, effort)

    def is_apt(self, groups: Sequence[DeckGroup]) -> bool:
        """Tell whether moments decide: one air, every pallet in every row, and the rear doors the way out."""
        return not self.deck.is_parted(groups) and self._is_plain(groups)

    def _is_plain(self, groups: Sequence[DeckGroup]) -> bool:
        if not groups or not self._moments.is_apt:
            return False
        for group in groups:
            kind = (group.mass_kg, group.form)
            if kind not in self._plain:
                self._plain[kind] = self.deck.is_plain(group)
        return all(self._plain[group.mass_kg, group.form] for group in groups)

    def _solve(self, groups: Sequence[DeckGroup]) -> Counts | None:
        key = tuple(groups)
        if self.deck.is_parted(groups):
            self._parted += 1
            if self._parted > _PARTED_SOLVES:
                raise Undecided
        if key in self._undecided or (self._flat is not None and self.spent > _STACKS_EFFORT):
            raise Undecided
        try:
            return super()._solve(groups)
        except Undecided:
            self._undecided.add(key)
            raise
