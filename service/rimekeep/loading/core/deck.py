"""
What a deck is to the planner: rows to choose from, groups of pallets alike, and who may stand where.

Pallets alike in drop and mass are counted, not named.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from rimekeep.loading.core.statics import WeightRule, weight_rules
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
class Back:
    """Empties of one kind that come on board at a drop."""

    places: int
    place_kg: float


@dataclass(frozen=True, slots=True, order=True)
class DeckGroup:
    """
    Pallets of one drop, mass, form and temperature; ``count`` is how many there are at most.

    ``back`` is what its drop gives back, the same for all groups of a drop.
    """

    seq: int
    mass_kg: float
    count: int
    form: Form = ANY_FORM
    temperature_class: str = ""
    back: tuple[Back, ...] = ()


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
    # Whether half pallets are about that share a place, and pallets that may stand on top of each other.
    has_halves: bool = False
    has_stacks: bool = False

    @property
    def density(self) -> int:
        """Most pallets to a place."""
        return 2 if self.has_halves or self.has_stacks else 1

    @property
    def flat(self) -> "Deck":
        """The same with nothing on top of anything else."""
        return replace(self, has_stacks=False)

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
        return replace(self, rows=own.rows, weight_rules=rules, trucks=(own,), truck_of=(0,) * len(own.rows))

    def truck_loaded(self, counts: Counts) -> int:
        """Return the truck of the choice whose rows hold something, the first when none does."""
        return next((self.truck_of[r] for r, row in enumerate(counts) if any(row)), 0)

    def is_parted(self, groups: Sequence[DeckGroup]) -> bool:
        """Whether goods may have to stand in compartments of their own."""
        return self.is_divided and len({group.temperature_class for group in groups}) > 1

    def is_plain(self, group: DeckGroup) -> bool:
        """Whether rear doors are the only way out, and the pallets of a group may stand in every row."""
        return not any(truck.side_doors for truck in self.trucks) and all(
            self.room(r, group) == row.lanes for r, row in enumerate(self.rows)
        )

    def room(self, r: int, group: DeckGroup) -> int:
        """Return how many pallets of a group a row takes, by form and by how they come off."""
        truck, row = self.trucks[self.truck_of[r]], self.rows[r]
        if not can_stand(truck, row, group):
            return 0
        is_shared = (self.has_halves and is_half(truck, row, group.form)) or (
            self.has_stacks and bool(group.form.is_stackable or group.form.top_max_kg)
        )
        return row.lanes * (2 if is_shared else 1)


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
    has_stacks = any(form.is_stackable for form in forms) and any(form.top_max_kg for form in forms)
    has_halves = any(is_half(truck, row, form) for truck in trucks for row in truck.rows for form in forms)
    return Deck(rows, rules, tuple(found), tuple(trucks), truck_of, clashes, has_halves, has_stacks)


def can_be_parted(deck: Deck, groups: Sequence[DeckGroup], counts: Counts) -> bool:
    """Return whether bulkheads can part a deck of one body so that no compartment holds two that clash."""
    truck = deck.trucks[0]
    most = 1 if truck.has_one_air else truck.compartments
    used, since, behind = 1, set[str](), set[str]()
    for r, row in enumerate(counts):
        here = {groups[i].temperature_class for i, n in enumerate(row) if n}
        if _clash(deck, since | here):
            # The bulkhead goes where it last may, and what stands behind that already comes along.
            used, since = used + 1, behind | here
            if used > most or _clash(deck, since):
                return False
        else:
            since |= here
        may_part = truck.bulkhead_rows is None or r in truck.bulkhead_rows
        behind = set() if may_part else behind | here
    return True


def _clash(deck: Deck, classes: Collection[str]) -> bool:
    return any(a in classes and b in classes for a, b in deck.clashes)


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
