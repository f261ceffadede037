"""Why there is no plan, in plain words, and the smallest change that would make one."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

from rimekeep.loading.core.assignment import assign
from rimekeep.loading.core.bound import can_be_carried
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader, Undecided
from rimekeep.loading.core.firstfit import fits
from rimekeep.loading.core.misfit import form_misfit
from rimekeep.loading.core.problem import Load, Problem, area_of, bound_parts, problem_of

_NAMES = {
    "payload": "the payload",
    "gross": "the gross weight",
    "bogie": "the bogie",
    "kingpin": "the kingpin",
    "front": "the front axle",
    "drive": "the drive axle",
    "rear": "the rear axle",
}


def misfit_reasons(problem: Problem, loader: Loader, budget: Budget) -> tuple[str, ...]:
    """Return a reason for every kind of pallet (or whole stop) that no legal deck carries."""
    reasons = []
    for g in range(len(problem.groups)):
        if fits(problem, loader, _together(problem, g)):
            continue
        form = form_misfit(problem, g)
        if form is not None:
            reasons.append(form)
        elif can_be_carried(problem, budget, g, budget.left / 4) is False:
            reasons.append(_misfit(problem, loader, g))
    return tuple(dict.fromkeys(reasons))


def _together(problem: Problem, g: int) -> Load:
    """Return the least load with a pallet of a group: the pallet, or its whole stop if it may not split."""
    stop = problem.groups[g].stop
    if problem.rules.is_split_allowed:
        return tuple(1 if k == g else 0 for k in range(len(problem.groups)))
    return tuple(group.count if group.stop == stop else 0 for group in problem.groups)


def _misfit(problem: Problem, loader: Loader, g: int) -> str:
    group = problem.groups[g]
    if group.back and _is_carried_without_empties(problem, loader, _together(problem, g)):
        places = sum(one.places for one in group.back)
        return (
            f"empties: what stop {group.stop} gives back ({places} places) finds no room on a truck that "
            "serves it, or overloads one of its axles; fetch some of it on another trip"
        )
    who = f"pallet {group.pallets[0]} ({group.mass_kg:g} kg, stop {group.stop})"
    alone = tuple(1 if k == g else 0 for k in range(len(problem.groups)))
    if not problem.rules.is_split_allowed and fits(problem, loader, alone):
        whole = _together(problem, g)
        pieces = sum(whole)
        if not problem.is_mixable(whole):
            return (
                f"temperature: stop {group.stop} may not be split and its goods have no common "
                "setpoint; allow it to be split"
            )
        return (
            f"stop {group.stop}: its {pieces} pallets do not fit one truck legally and the stop may "
            "not be split; allow it to be split, or send it by a larger truck"
        )
    heaviest, row, rule = _heaviest_alone(problem)
    if problem.masses[g] > heaviest:
        return (
            f"weight: {who} is over {_NAMES.get(rule, rule)} limit on every place; the best, row {row + 1} "
            f"from the front wall, takes {float(heaviest):.0f} kg at most, so it must be "
            f"{float(problem.masses[g] - heaviest):.0f} kg lighter or go by a stronger truck"
        )
    return (
        f"weight: {who} cannot be carried with any load this request allows, because the least "
        "kingpin load or the least share on an axle is missed after a drop; add pallets ahead of it or use "
        "another truck"
    )


def _is_carried_without_empties(problem: Problem, loader: Loader, load: Load) -> bool:
    try:
        return loader.arrange([replace(one, back=()) for one in problem.deck_groups(load)]) is not None
    except Undecided:
        return False


def _heaviest_alone(problem: Problem) -> tuple[Fraction, int, str]:
    """Return the heaviest single pallet any row takes, that row, and the rule that stops a heavier one."""
    best = (Fraction(-1), 0, "payload")
    for r in range(len(problem.deck.rows)):
        rooms = [
            (rule.room_kg / rule.factors[r], rule.name)
            for rule in problem.deck.weight_rules
            if rule.factors[r] > 0 and not rule.is_loaded_only
        ]
        room, name = min(rooms)
        if room > best[0]:
            best = (room, r, name)
    return best


def fleet_reasons(
    problem: Problem, budget: Budget, *, available: int, least: int, found: int | None
) -> tuple[str, ...]:
    """Return why the trucks in the yard are too few, and how many would do."""
    word = problem.request.load_word
    if least <= available:
        return (
            f"no plan with {_trucks(available, word)} was found and none was ruled out "
            f"(at least {least} needed); "
            + _enough(found, least, word)
            + ", or allow the planner more effort",
        )
    return (f"{_cause(problem, budget, available, least)}; {_enough(found, least, word)}",)


def deadlock_reasons(problem: Problem, budget: Budget, *, least: int) -> tuple[str, ...]:
    """Return why no number of trucks will do, or that this is not settled."""
    pieces = sum(problem.demand)
    if least <= pieces:
        return (
            f"no plan was found and none was ruled out below {pieces} trucks; allow the planner more effort",
        )
    for switch, words, cure in (
        (
            "has_temperature",
            f"temperature: {_clash_words(problem)} have no common setpoint",
            "send them apart",
        ),
        (
            "has_weights_after_drops",
            "axles: at departure all is legal, but after a drop a limit or a least load is missed",
            "change the order of the stops or use another truck",
        ),
        (
            "has_drop_order",
            "drop order: only a load that cannot be unloaded in this order is legal",
            "reorder it",
        ),
        (
            "has_empties",
            "empties: what the stops give back finds no room behind the goods, or overloads an axle",
            "fetch it on another trip",
        ),
        (
            "has_axle_limits",
            "axles: no way of sharing the pallets out keeps every limit and every least load",
            "use another truck, or more pallets to balance the load",
        ),
    ):
        if _would_fit(problem, budget, pieces, switch):
            return (f"{words}, on any number of trucks; {cure}",)
    if not problem.rules.is_split_allowed:
        return ("stops: with no stop split, no number of trucks will do; allow stops to be split",)
    return ("weights, drop order and temperatures together rule out any number of trucks; use another truck",)


def _trucks(count: int, word: str) -> str:
    words = {0: "no", 1: "one", 2: "two", 3: "three", 4: "four"}
    return f"{words.get(count, count)} {word}{'' if count in (0, 1) else 's'}"


def _enough(found: int | None, least: int, word: str) -> str:
    if found is None:
        return f"at least {least} {word}s are needed"
    return f"with {_trucks(found, word)} it can be loaded"


def _cause(problem: Problem, budget: Budget, available: int, least: int) -> str:
    """Return the first cause that alone asks for more trucks than there are."""
    parts = bound_parts(problem, problem.demand)
    weight = float(sum(mass * n for mass, n in zip(problem.masses, problem.demand, strict=True)))
    words = {
        "temperature": f"temperature: {_clash_words(problem)} have no common setpoint",
        "places": f"places: {sum(problem.demand)} pallets and {problem.deck.places} places per truck",
        "area": f"places: pallets of {float(area_of(problem, problem.demand)):.1f} m² and "
        f"{float(max(problem.areas_m2)):.1f} m² of places per truck",
        "payload": f"payload: {weight:g} kg and {float(problem.payload_kg):g} kg per truck",
        "stops": f"stops: {len(problem.stops_of(problem.demand))} stops and "
        f"{problem.rules.max_stops_per_truck} per truck at most",
    }
    # Clashing goods count as their own cause only where places alone would not ask for as many.
    heaviest = max(
        (part for part in ("places", "area", "payload", "stops") if part in parts), key=parts.__getitem__
    )
    cause = "temperature" if parts["temperature"] > parts[heaviest] else heaviest
    if parts[cause] > available:
        return f"{words[cause]}, {_so(problem, parts[cause], available, least)}"
    for switch, text in (
        (
            "has_weights_after_drops",
            "axles: at departure all is legal, but after a drop an axle is over its limit",
        ),
        (
            "has_drop_order",
            "drop order: only a load that cannot be unloaded in this order is legal on the axles",
        ),
        ("has_temperature", words["temperature"]),
        ("has_axle_limits", "axles: the places and the payload would do, the axle limits do not allow it"),
    ):
        if _would_fit(problem, budget, available, switch):
            return f"{text}, {_so(problem, least, available, least)}"
    return f"places, weights and drop order together rule it out, {_so(problem, least, available, least)}"


def _so(problem: Problem, by_cause: int, available: int, least: int) -> str:
    word = problem.request.load_word
    more = "" if by_cause == least else f" (with every other rule, {_trucks(least, word)})"
    needed = f"{_trucks(by_cause, word)} {'is' if by_cause == 1 else 'are'} needed{more}"
    return f"so {needed} and {_is_are(available)} available"


def _is_are(count: int) -> str:
    return {0: "none is", 1: "one is", 2: "two are", 3: "three are", 4: "four are"}.get(count, f"{count} are")


def _clash_words(problem: Problem) -> str:
    known = {item.id: item for item in problem.request.temperature_classes}
    used = {name for pair in problem.clashes for name in pair}
    ordered = [item for item in known.values() if item.id in used]
    return " and ".join(f"{item.id} ({item.min_c:g} to {item.max_c:g} °C)" for item in ordered)


def _would_fit(problem: Problem, budget: Budget, available: int, switch: str) -> bool:
    """Return whether the trucks would do if one rule did not bind."""
    if available == 0 or budget.left <= 0 or not getattr(problem.rules, switch):
        return False
    changed: dict[str, Any] = {switch: False}
    eased = problem_of(problem.request, replace(problem.rules, **changed))
    loader = Loader(eased.deck, seed=budget.seed)
    found = assign(
        eased, loader, budget, vehicles=available, demand=eased.demand, most=max(1.0, budget.left / 4)
    )
    return found.loads is not None
