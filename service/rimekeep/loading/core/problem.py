"""A load request in the planner's terms: alike pallets as counts, clashes of temperature, first bounds."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from itertools import combinations

from rimekeep.loading.core.deck import ANY_FORM, Back, Deck, DeckGroup, Form, deck_of
from rimekeep.loading.core.stacking import places_needed
from rimekeep.loading.core.statics import exact
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Rules, TemperatureClass

Load = tuple[int, ...]
"""What one vehicle carries: pallets per group of the problem."""


@dataclass(frozen=True, slots=True)
class Group:
    """Pallets alike in stop, temperature class, mass and form."""

    stop: str
    seq: int
    temperature_class: str
    mass_kg: float
    pallets: tuple[str, ...]
    form: Form = ANY_FORM
    back: tuple[Back, ...] = ()

    @property
    def count(self) -> int:
        """How many pallets there are."""
        return len(self.pallets)


@dataclass(frozen=True)
class Problem:
    """The groups to carry, the deck (or choice of decks) that carries them, and the rules between them."""

    request: LoadRequest
    rules: Rules
    groups: tuple[Group, ...]
    deck: Deck
    clashes: frozenset[tuple[str, str]] = field(default=frozenset())

    @cached_property
    def flat(self) -> "Problem":
        """The same with nothing on top of anything else; a load of the one is a load of the other."""
        return replace(self, deck=self.deck.flat)

    @cached_property
    def demand(self) -> Load:
        """Pallets per group."""
        return tuple(group.count for group in self.groups)

    @cached_property
    def masses(self) -> tuple[Fraction, ...]:
        """Exact mass of one pallet per group. [kg]"""
        return tuple(exact(group.mass_kg) for group in self.groups)

    @cached_property
    def payload_kg(self) -> Fraction:
        """The most any vehicle may carry by payload and gross weight alone."""
        return max(self.payloads_kg)

    @cached_property
    def payloads_kg(self) -> tuple[Fraction, ...]:
        """The same truck by truck of a choice."""
        return tuple(
            min(
                rule.room_kg
                for rule in self.deck.weight_rules
                if rule.truck == t and rule.name in ("payload", "gross")
            )
            for t in range(len(self.deck.trucks))
        )

    @cached_property
    def areas_m2(self) -> tuple[Fraction, ...]:
        """Area of all places, truck by truck of a choice; 0 where their size is not known."""
        return tuple(
            sum(
                (row.lanes * exact(row.along_mm) * exact(row.across_mm) / 10**6 for row in truck.rows),
                Fraction(0),
            )
            for truck in self.deck.trucks
        )

    def deck_groups(self, load: Sequence[int]) -> tuple[DeckGroup, ...]:
        """Return the non-empty groups of a load as the deck sees them, in the problem's order."""
        return tuple(self.deck_group(g, n) for g, n in enumerate(load) if n)

    def deck_group(self, g: int, count: int) -> DeckGroup:
        """Return pallets of one group as the deck sees them."""
        group = self.groups[g]
        return DeckGroup(group.seq, group.mass_kg, count, group.form, group.temperature_class, group.back)

    def stops_of(self, load: Sequence[int]) -> frozenset[str]:
        """Return the stops a load serves."""
        return frozenset(group.stop for group, n in zip(self.groups, load, strict=True) if n)

    def is_mixable(self, load: Sequence[int]) -> bool:
        """Return whether a load keeps to one temperature, unless divided, and to the number of stops."""
        carried = sorted({g.temperature_class for g, n in zip(self.groups, load, strict=True) if n})
        is_clashing = any(pair in self.clashes for pair in combinations(carried, 2))
        if is_clashing and not self.deck.is_divided:
            return False
        most = self.rules.max_stops_per_truck
        return most is None or len(self.stops_of(load)) <= most


def problem_of(request: LoadRequest, rules: Rules | None = None) -> Problem:
    """Return the problem a request poses, under its own rules or others."""
    rules = rules or request.rules
    stops = {stop.id: stop for stop in request.stops}
    alike: dict[tuple[int, str, float, Form], list[str]] = {}
    stop_ids = {stop.seq: stop.id for stop in request.stops}
    for pallet in request.pallets:
        stop = stops[pallet.stop]
        key = (stop.seq, pallet.temperature_class, pallet.mass_kg, form_of(pallet, has_dock=stop.has_dock))
        alike.setdefault(key, []).append(pallet.id)
    back = {
        stop.seq: tuple(Back(one.places, one.place_kg) for one in stop.empties) if rules.has_empties else ()
        for stop in request.stops
    }
    groups = tuple(
        Group(stop_ids[seq], seq, name, mass, tuple(alike[seq, name, mass, form]), form, back[seq])
        for seq, name, mass, form in sorted(alike)
    )
    used = {group.temperature_class for group in groups}
    classes = [known for known in request.temperature_classes if known.id in used]
    clashing = clashes(classes) if rules.has_temperature else frozenset()
    forms = {group.form for group in groups}
    return Problem(request, rules, groups, deck_of(request.trucks, rules, clashing, forms), clashing)


def form_of(pallet: Pallet, *, has_dock: bool) -> Form:
    """Return what decides where a pallet may stand."""
    return Form(
        pallet.long_mm, pallet.short_mm, pallet.height_mm, has_dock, pallet.top_max_kg, pallet.is_stackable
    )  # fmt: skip


def clashes(classes: Iterable[TemperatureClass]) -> frozenset[tuple[str, str]]:
    """
    Return the pairs of classes without a common setpoint, each pair in alphabetical order.

    Ranges that meet pairwise share one temperature all together (Helly's theorem on the line), so pairs
    suffice.
    """
    ordered = sorted(classes, key=lambda known: known.id)
    return frozenset(
        (a.id, b.id) for a, b in combinations(ordered, 2) if max(a.min_c, b.min_c) > min(a.max_c, b.max_c)
    )


def vehicles_bound(problem: Problem, load: Sequence[int] | None = None) -> int:
    """Return vehicles no plan can go below, from places, payload, temperatures and stops alone."""
    parts = bound_parts(problem, problem.demand if load is None else load)
    return max(parts.values(), default=0)


def bound_parts(problem: Problem, load: Sequence[int]) -> dict[str, int]:
    """Return the same bound cause by cause: places, their area, payload, temperature, stops."""
    weight = sum((mass * n for mass, n in zip(problem.masses, load, strict=True)), Fraction(0))
    parts = {
        "places": _cover(
            problem,
            [Fraction(truck.places) for truck in problem.deck.trucks],
            places_needed(problem.deck, ((one.form, n) for one, n in zip(problem.groups, load, strict=True))),
        ),
        "area": _cover(problem, problem.areas_m2, area_of(problem, load)) if all(problem.areas_m2) else 0,
        "payload": _cover(problem, problem.payloads_kg, weight),
        "temperature": _temperature_bound(problem, load),
    }
    most = problem.rules.max_stops_per_truck
    if most:
        parts["stops"] = -(-len(problem.stops_of(load)) // most)
    return parts


def area_of(problem: Problem, load: Sequence[int]) -> Fraction:
    """Return the area pallets of a load need at least, as far as their size is known. [m²]"""
    return sum(
        (
            exact(group.form.long_mm) * exact(group.form.short_mm) * n / 10**6
            for group, n in zip(problem.groups, load, strict=True)
            # What may stand on another may need none.
            if not (problem.deck.has_stacks and group.form.is_stackable)
        ),
        Fraction(0),
    )


def _cover(problem: Problem, room: Sequence[Fraction], need: Fraction) -> int:
    """Return the fewest vehicles whose rooms add up to a need, the roomiest kinds first."""
    best: dict[int, Fraction] = {}
    for truck, own in zip(problem.deck.trucks, room, strict=True):
        best[truck.kind] = max(own, best.get(truck.kind, own))
    fleet, count = problem.request.fleet, 0
    kinds = sorted(best, key=lambda kind: -best[kind])
    for kind in kinds:
        # Where the yard is emptied and something is left, as many of the smallest kind are asked for.
        have = None if kind == kinds[-1] else fleet[kind]
        if best[kind] <= 0 or need <= 0:
            break
        wanted = -((-need / best[kind]).__floor__())
        taken = wanted if have is None else min(wanted, have)
        count, need = count + taken, need - taken * best[kind]
    return count


def _temperature_bound(problem: Problem, load: Sequence[int]) -> int:
    """
    Return what mutually clashing classes need, each on vehicles of its own.

    Weighted interval scheduling over the classes' ranges: the heaviest set of disjoint ranges.
    """
    places = max(1, problem.deck.places)
    pieces: dict[str, int] = {}
    for group, n in zip(problem.groups, load, strict=True):
        if n:
            pieces[group.temperature_class] = pieces.get(group.temperature_class, 0) + n
    if not problem.rules.has_temperature or problem.deck.is_divided:
        return 0
    classes = sorted(
        (known for known in problem.request.temperature_classes if known.id in pieces),
        key=lambda known: (known.max_c, known.id),
    )
    best: list[tuple[float, int]] = []
    for known in classes:
        before = max((value for end, value in best if end < known.min_c), default=0)
        best.append((known.max_c, before - (-pieces[known.id] // places)))
    return max((value for _, value in best), default=0)


def stop_bounds(problem: Problem) -> dict[str, int]:
    """Return for every stop a number of visits no plan can go below."""
    found = {}
    for stop in sorted(problem.stops_of(problem.demand)):
        own = tuple(group.count if group.stop == stop else 0 for group in problem.groups)
        found[stop] = vehicles_bound(problem, own)
    return found


def visits_of(problem: Problem, loads: Iterable[Sequence[int]]) -> int:
    """Return the stop-vehicle pairs of a set of loads."""
    return sum(len(problem.stops_of(load)) for load in loads)
