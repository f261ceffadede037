"""Why there is no plan, in plain words, and the smallest change that would make one."""

from dataclasses import replace
from fractions import Fraction
from functools import reduce
from typing import Any

from rimekeep.loading.core.about import About
from rimekeep.loading.core.assignment import assign
from rimekeep.loading.core.bound import can_be_carried
from rimekeep.loading.core.effort import Budget
from rimekeep.loading.core.exact_loader import Loader, Undecided
from rimekeep.loading.core.firstfit import fits
from rimekeep.loading.core.misfit import form_misfit
from rimekeep.loading.core.problem import Load, Problem, area_of, bound_parts, problem_of
from rimekeep.wording import glued, say

_NAMES = {
    "payload": say("the payload"),
    "gross": say("the gross weight"),
    "bogie": say("the bogie"),
    "kingpin": say("the kingpin"),
    "front": say("the front axle"),
    "drive": say("the drive axle"),
    "rear": say("the rear axle"),
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
        return say(
            "empties: what stop {stop} gives back ({places} places) finds no room on a truck that "
            "serves it, or overloads one of its axles; fetch some of it on another trip",
            stop=group.stop,
            places=places,
            about=About.PLAN,
        )
    who = say(
        "pallet {pallets} ({mass_kg:g} kg, stop {stop})",
        pallets=group.pallets[0],
        mass_kg=group.mass_kg,
        stop=group.stop,
    )
    alone = tuple(1 if k == g else 0 for k in range(len(problem.groups)))
    if not problem.rules.is_split_allowed and fits(problem, loader, alone):
        whole = _together(problem, g)
        pieces = sum(whole)
        if not problem.is_mixable(whole):
            return say(
                "temperature: stop {stop} may not be split and its goods have no common setpoint; allow "
                "it to be split",
                stop=group.stop,
                about=About.VEHICLES,
            )
        return say(
            "stop {stop}: its {pieces} pallets do not fit one truck legally and the stop may not be "
            "split; allow it to be split, or send it by a larger truck",
            stop=group.stop,
            pieces=pieces,
            about=About.VEHICLES,
        )
    heaviest, row, rule = _heaviest_alone(problem)
    if problem.masses[g] > heaviest:
        return say(
            "weight: {who} is over {rule} limit on every place; the best, row {row} from the front "
            "wall, takes {most_kg:.0f} kg at most, so it must be {over_kg:.0f} kg lighter or go "
            "by a stronger truck",
            who=who,
            rule=_NAMES.get(rule, rule),
            row=row + 1,
            most_kg=float(heaviest),
            over_kg=float(problem.masses[g] - heaviest),
            about=About.VEHICLES,
        )
    return say(
        "weight: {who} cannot be carried with any load this request allows, because the least "
        "kingpin load or the least share on an axle is missed after a drop; add pallets ahead of "
        "it or use another truck",
        who=who,
        about=About.VEHICLES,
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
            say(
                "no plan with {trucks} was found and none was ruled out (at least {least} needed); {enough}, "
                "or allow the planner more effort",
                trucks=_trucks(available, word),
                least=least,
                enough=_enough(found, least, word),
                about=About.VEHICLES,
            ),
        )
    return (glued(_cause(problem, budget, available, least), _enough(found, least, word), by="; "),)


def deadlock_reasons(problem: Problem, budget: Budget, *, least: int) -> tuple[str, ...]:
    """Return why no number of trucks will do, or that this is not settled."""
    pieces = sum(problem.demand)
    if least <= pieces:
        return (
            say(
                "no plan was found and none was ruled out below {pieces} trucks; allow the planner more "
                "effort",
                pieces=pieces,
                about=About.PLAN,
            ),
        )
    for switch, words, cure in (
        (
            "has_temperature",
            say(
                "temperature: {clash_words} have no common setpoint",
                clash_words=_clash_words(problem),
                about=About.VEHICLES,
            ),
            say("send them apart"),
        ),
        (
            "has_weights_after_drops",
            say(
                "axles: at departure all is legal, but after a drop a limit or a least load is missed",
                about=About.PLAN,
            ),
            say("change the order of the stops or use another truck"),
        ),
        (
            "has_drop_order",
            say("drop order: only a load that cannot be unloaded in this order is legal", about=About.PLAN),
            say("reorder it"),
        ),
        (
            "has_empties",
            say(
                "empties: what the stops give back finds no room behind the goods, or overloads an axle",
                about=About.PLAN,
            ),
            say("fetch it on another trip"),
        ),
        (
            "has_axle_limits",
            say(
                "axles: no way of sharing the pallets out keeps every limit and every least load",
                about=About.VEHICLES,
            ),
            say("use another truck, or more pallets to balance the load"),
        ),
    ):
        if _would_fit(problem, budget, pieces, switch):
            return (say("{words}, on any number of trucks; {cure}", words=words, cure=cure),)
    if not problem.rules.is_split_allowed:
        return (
            say(
                "stops: with no stop split, no number of trucks will do; allow stops to be split",
                about=About.STOPS,
            ),
        )
    return (
        say(
            "weights, drop order and temperatures together rule out any number of trucks; use another truck",
            about=About.VEHICLES,
        ),
    )


def _trucks(count: int, word: str) -> str:
    if word == "trip":
        known = (say("no trip"), say("one trip"), say("two trips"), say("three trips"), say("four trips"))
        return known[count] if count < len(known) else say("{count} trips", count=count)
    known = (say("no truck"), say("one truck"), say("two trucks"), say("three trucks"), say("four trucks"))
    return known[count] if count < len(known) else say("{count} trucks", count=count)


def _enough(found: int | None, least: int, word: str) -> str:
    if found is None and word == "trip":
        return say("at least {least} trips are needed", least=least)
    if found is None:
        return say("at least {least} trucks are needed", least=least)
    return say("with {trucks} it can be loaded", trucks=_trucks(found, word))


def _cause(problem: Problem, budget: Budget, available: int, least: int) -> str:
    """Return the first cause that alone asks for more trucks than there are."""
    parts = bound_parts(problem, problem.demand)
    weight = float(sum(mass * n for mass, n in zip(problem.masses, problem.demand, strict=True)))
    words = {
        "temperature": say(
            "temperature: {clash_words} have no common setpoint",
            clash_words=_clash_words(problem),
            about=About.VEHICLES,
        ),
        "places": say(
            "places: {pallets} pallets and {places} places per truck",
            pallets=sum(problem.demand),
            places=problem.deck.places,
            about=About.TRIPS,
        ),
        "area": say(
            "places: pallets of {needed_m2:.1f} m² and {there_m2:.1f} m² of places per truck",
            needed_m2=float(area_of(problem, problem.demand)),
            there_m2=float(max(problem.areas_m2)),
            about=About.TRIPS,
        ),
        "payload": say(
            "payload: {weight:g} kg and {payload:g} kg per truck",
            weight=weight,
            payload=float(problem.payload_kg),
            about=About.TRIPS,
        ),
        "stops": say(
            "stops: {n} stops and {max_stops_per_truck} per truck at most",
            n=len(problem.stops_of(problem.demand)),
            max_stops_per_truck=problem.rules.max_stops_per_truck,
            about=About.STOPS,
        ),
    }
    # Clashing goods count as their own cause only where places alone would not ask for as many.
    heaviest = max(
        (part for part in ("places", "area", "payload", "stops") if part in parts), key=parts.__getitem__
    )
    cause = "temperature" if parts["temperature"] > parts[heaviest] else heaviest
    if parts[cause] > available:
        return glued(words[cause], _so(problem, parts[cause], available, least), by=", ")
    for switch, text in (
        (
            "has_weights_after_drops",
            say(
                "axles: at departure all is legal, but after a drop an axle is over its limit",
                about=About.PLAN,
            ),
        ),
        (
            "has_drop_order",
            say(
                "drop order: only a load that cannot be unloaded in this order is legal on the axles",
                about=About.PLAN,
            ),
        ),
        ("has_temperature", words["temperature"]),
        (
            "has_axle_limits",
            say(
                "axles: the places and the payload would do, the axle limits do not allow it",
                about=About.VEHICLES,
            ),
        ),
    ):
        if _would_fit(problem, budget, available, switch):
            return glued(text, _so(problem, least, available, least), by=", ")
    return say(
        "places, weights and drop order together rule it out, {so}",
        so=_so(problem, least, available, least),
        about=About.TRIPS,
    )


def _so(problem: Problem, by_cause: int, available: int, least: int) -> str:
    word = problem.request.load_word
    needed = _trucks(by_cause, word)
    needed = (
        say("{trucks} is needed", trucks=needed)
        if by_cause == 1
        else say("{trucks} are needed", trucks=needed)
    )
    if by_cause != least:
        needed = say("{needed} (with every other rule, {trucks})", needed=needed, trucks=_trucks(least, word))
    known = (say("none is"), say("one is"), say("two are"), say("three are"), say("four are"))
    there = known[available] if available < len(known) else say("{count} are", count=available)
    return say("so {needed} and {there} available", needed=needed, there=there)


def _clash_words(problem: Problem) -> str:
    used = {name for pair in problem.clashes for name in pair}
    words: list[str] = [
        say("{id} ({min_c:g} to {max_c:g} °C)", id=item.id, min_c=item.min_c, max_c=item.max_c)
        for item in problem.request.temperature_classes
        if item.id in used
    ]
    if not words:
        return ""
    return reduce(lambda some, last: say("{some} and {last}", some=some, last=last), words)


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
