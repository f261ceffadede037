"""
Why a request cannot be loaded: a smallest set of rules that clash, and small changes that would do.

Rules are left out one at a time for as long as it still cannot be loaded; what remains is a set of which
every single rule is needed for the clash. Every change that is named was solved again and can be loaded.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from rimekeep.loading.core.about import OF_RULES, About
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.feasible import WHOLE_FLEET_COUNTS, can_load
from rimekeep.loading.core.problem import Problem, problem_of
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import listed, say

# The order in which rules are left out: those that people can least change stay longest.
_RULES = ("gaps", "stops", "split", "temperature", "drop order", "empties")
_LAST = ("payload", "gross", "places", "fleet")
_BOUNDLESS_KG = Fraction(10**7)
_ONE_SOLVE = 1.0
_LIGHTER_STEP_KG = 10
_WORDS = {
    "fleet": say("the number of trucks"),
    "places": say("the places on the deck"),
    "payload": say("the payload"),
    "gross": say("the gross weight"),
    "split": say("that no stop may be split"),
    "stops": say("the most stops a truck may have"),
    "gaps": say("that no place may stay empty ahead of a load"),
    "temperature": say("the temperatures of the goods"),
    "drop order": say("the order of the drops"),
    "empties": say("the empties that the stops give back"),
    "kingpin_min": say("the least load on the kingpin"),
    "drive_share": say("the least share on the driving axles"),
    "steer_share": say("the least share on the steering axle"),
}


@dataclass(frozen=True, slots=True)
class Change:
    """A change that was tried and does: "trucks", "pallet", "order" or "lighter", and the request changed."""

    kind: str
    words: str
    request: LoadRequest


@dataclass(frozen=True, slots=True)
class Explanation:
    """
    ``rules`` clash; ``is_smallest`` when without any one of them, and of what was left out, it can be loaded.

    ``is_clash`` is False when effort ran out before it was certain that all rules together clash.
    """

    rules: tuple[str, ...]
    is_clash: bool
    is_smallest: bool
    changes: tuple[Change, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """The same in plain words."""
        if not self.is_clash:
            return tuple(change.words for change in self.changes)
        told = [_told(rule) for rule in self.rules]
        about = OF_RULES.get(self.rules[0], About.VEHICLES)
        clashing = listed(told)
        if self.is_smallest and len(told) > 1:
            first = say(
                "What clashes: {listed}; without any one of these it could be loaded.",
                listed=clashing,
                about=about,
            )
        elif self.is_smallest:
            first = say("What rules it out by itself: {listed}.", listed=clashing, about=about)
        else:
            first = say(
                "What clashes lies among these: {listed}; whether fewer clash already is not settled.",
                listed=clashing,
                about=about,
            )
        return (first, *(change.words for change in self.changes))


def _told(rule: str) -> str:
    return _WORDS.get(rule, say("the limit on the {replace}", replace=rule.replace("_", " ")))


def rules_of(request: LoadRequest) -> tuple[str, ...]:
    """Return the names of all rules that bind a request, in the order in which they are left out."""
    rules = request.rules
    binding = {
        "gaps": not rules.is_gap_allowed,
        "stops": rules.max_stops_per_truck is not None,
        "split": not rules.is_split_allowed,
        "temperature": rules.has_temperature and bool(problem_of(request).clashes),
        "drop order": rules.has_drop_order and len({pallet.stop for pallet in request.pallets}) > 1,
        "empties": rules.has_empties and any(stop.empties for stop in request.stops),
    }
    weights = dict.fromkeys(rule.name for rule in problem_of(request).deck.weight_rules)
    axles = [name for name in weights if name not in _LAST]
    fleet = any(truck.available is not None for truck in request.trucks)
    return (
        *(name for name in _RULES if binding[name]),
        *axles,
        *(name for name in _LAST if name != "fleet" or fleet),
    )


def eased(request: LoadRequest, without: Collection[str]) -> Problem:
    """Return the problem a request poses with some rules left out."""
    rules = request.rules
    rules = replace(
        rules,
        is_gap_allowed=rules.is_gap_allowed or "gaps" in without,
        max_stops_per_truck=None if "stops" in without else rules.max_stops_per_truck,
        is_split_allowed=rules.is_split_allowed or "split" in without,
        has_temperature=rules.has_temperature and "temperature" not in without,
        has_drop_order=rules.has_drop_order and "drop order" not in without,
        has_empties=rules.has_empties and "empties" not in without,
    )
    trucks = request.trucks
    if "fleet" in without:
        trucks = tuple(replace(truck, available=None) for truck in trucks)
    if "places" in without:
        most = len(request.pallets)
        trucks = tuple(
            replace(truck, rows=tuple(replace(row, lanes=max(row.lanes, most)) for row in truck.rows))
            for truck in trucks
        )
    problem = problem_of(replace(request, trucks=trucks, rules=rules), rules)
    limits = tuple(
        replace(rule, room_kg=_BOUNDLESS_KG) if rule.name in without else rule
        for rule in problem.deck.weight_rules
    )
    return replace(problem, deck=replace(problem.deck, weight_rules=limits))


def vehicles_of(problem: Problem) -> int:
    """Return how many vehicles there are, one a pallet where nothing bounds them."""
    available = problem.request.available
    pieces = sum(problem.demand)
    return pieces if available is None else min(available, pieces)


def explain(request: LoadRequest, budget: Budget) -> Explanation:
    """Return why a request cannot be loaded, and what small changes would do."""
    out: set[str] = set()
    is_smallest = True
    everything = rules_of(request)
    is_clash = _can_load(request, budget, ()) is False
    for rule in everything if is_clash else ():
        answer = _can_load(request, budget, {*out, rule})
        if answer is False:
            out.add(rule)
        is_smallest = is_smallest and answer is not None
    rules = tuple(rule for rule in everything if rule not in out)
    is_smallest = is_smallest and bool(rules)
    return Explanation(rules, is_clash and bool(rules), is_smallest, tuple(_changes(request, budget, rules)))


def _can_load(request: LoadRequest, budget: Budget, without: Collection[str]) -> bool | None:
    if budget.left <= 0:
        return None
    problem = eased(request, without)
    return can_load(problem, budget, vehicles=vehicles_of(problem), most=_ONE_SOLVE)


def _changes(request: LoadRequest, budget: Budget, rules: Collection[str]) -> Iterator[Change]:
    """Yield the smallest change of every kind that does, as far as effort lasts."""
    problem = problem_of(request)
    size = vehicles_of(problem) * len(problem.deck.rows) * len(problem.groups)
    tries = 12 if size <= WHOLE_FLEET_COUNTS else 3
    candidates = [_another_order(request)] if "drop order" in rules else []
    candidates += [_one_pallet_fewer(request, problem)]
    if "fleet" in rules:
        candidates.append(_more_trucks(request))
    for changes in candidates:
        for _, change in zip(range(tries), changes, strict=False):
            if _can_load(change.request, budget, ()):
                yield change
                break
    lighter = _lighter(request, budget, problem)
    if lighter is not None:
        yield lighter


def _more_trucks(request: LoadRequest) -> Iterator[Change]:
    """Yield the request with one truck more of the first kind that is counted, two more, and so on."""
    kind = next(truck.kind for truck in request.trucks if truck.available is not None)
    for more in range(1, len(request.pallets) + 1):
        trucks = tuple(
            replace(truck, available=(truck.available or 0) + more) if truck.kind == kind else truck
            for truck in request.trucks
        )
        name = next(truck.name for truck in trucks if truck.kind == kind)
        count = say("one truck") if more == 1 else say("{count} trucks", count=more)
        words = (
            say("With {count} more ({name}) it can be loaded.", count=count, name=name, about=About.VEHICLES)
            if name
            else say("With {count} more it can be loaded.", count=count, about=About.VEHICLES)
        )
        yield Change("trucks", words, replace(request, trucks=trucks))


def _one_pallet_fewer(request: LoadRequest, problem: Problem) -> Iterator[Change]:
    """Yield the request without one pallet, heavy ones first."""
    for g in sorted(range(len(problem.groups)), key=lambda g: (-problem.masses[g], g)):
        group = problem.groups[g]
        name = group.pallets[-1]
        left = tuple(pallet for pallet in request.pallets if pallet.id != name)
        words = say(
            "With one pallet fewer at stop {stop} ({name}, {mass_kg:g} kg) it can be loaded.",
            stop=group.stop,
            name=name,
            mass_kg=group.mass_kg,
            about=About.ORDERS,
        )
        if left:
            yield Change("pallet", words, replace(request, pallets=left))


def _another_order(request: LoadRequest) -> Iterator[Change]:
    """Yield the request with two stops changing their turns, neighbours first, and the other way round."""
    served = {pallet.stop for pallet in request.pallets}
    stops = sorted((stop for stop in request.stops if stop.id in served), key=lambda stop: stop.seq)
    turns = [stop.seq for stop in stops]
    orders = []
    for apart in range(1, len(stops)):
        for k in range(len(stops) - apart):
            order = list(stops)
            order[k], order[k + apart] = order[k + apart], order[k]
            orders.append(order)
    orders.insert(0, stops[::-1])
    for order in orders:
        seqs = {stop.id: seq for stop, seq in zip(order, turns, strict=True)}
        changed = tuple(replace(stop, seq=seqs.get(stop.id, stop.seq)) for stop in request.stops)
        words = say(
            "With the stops in the order {choices} it can be loaded.",
            choices=", ".join(stop.id for stop in order),
            about=About.PLAN,
        )
        yield Change("order", words, replace(request, stops=changed))


def _lighter(request: LoadRequest, budget: Budget, problem: Problem) -> Change | None:
    """Return the request with its heaviest pallet just light enough, to ten kilograms."""
    name = problem.groups[max(range(len(problem.groups)), key=lambda g: problem.masses[g])].pallets[0]
    heavy_kg = next(pallet.mass_kg for pallet in request.pallets if pallet.id == name)

    def at(mass_kg: float) -> LoadRequest:
        pallets = tuple(
            replace(pallet, mass_kg=mass_kg) if pallet.id == name else pallet for pallet in request.pallets
        )
        return replace(request, pallets=pallets)

    low, high = 1, int(heavy_kg // _LIGHTER_STEP_KG)
    if high <= low or not _can_load(at(low * _LIGHTER_STEP_KG), budget, ()):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if _can_load(at(middle * _LIGHTER_STEP_KG), budget, ()):
            low = middle
        else:
            high = middle
    mass_kg = low * _LIGHTER_STEP_KG
    words = say(
        "With pallet {name} at {mass_kg} kg in place of {heavy_kg:g} kg it can be loaded.",
        name=name,
        mass_kg=mass_kg,
        heavy_kg=heavy_kg,
        about=About.ORDERS,
    )
    return Change("lighter", words, at(float(mass_kg)))
