"""Whether a load has a legal deck: by its moments where they tell, else by the exact model."""

from collections.abc import Sequence

from rimekeep.loading.core.deck import Counts, Deck, DeckGroup, Loader, Undecided
from rimekeep.loading.core.moments import MomentDeck

# What the exact model may spend on a load that moments leave open: few are, and most of those fail.
_EFFORT = 0.3


class QuickLoader(Loader):
    """A `Loader` that asks for the solver only when moments leave a load undecided."""

    def __init__(self, deck: Deck, *, seed: int = 0, effort: float = _EFFORT) -> None:
        super().__init__(deck, seed=seed, effort=effort)
        self._moments = MomentDeck(deck)
        self._undecided: set[tuple[DeckGroup, ...]] = set()

    def _search(self, groups: Sequence[DeckGroup]) -> Counts | None:
        if self._moments.is_apt and groups:
            found = self._moments.arrange(groups)
            if found != "unknown":
                return found
        return self._solve(groups)

    def _solve(self, groups: Sequence[DeckGroup]) -> Counts | None:
        key = tuple(groups)
        if key in self._undecided:
            raise Undecided
        try:
            return super()._solve(groups)
        except Undecided:
            self._undecided.add(key)
            raise
