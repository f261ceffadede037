"""Why a pallet stands on no truck at all by its form, or by how it would have to come off."""

from rimekeep.loading.core.about import About
from rimekeep.loading.core.problem import Problem
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import say


def idle_stops(request: LoadRequest) -> tuple[str, ...]:
    """Return a word for every stop that nothing is for."""
    served = {pallet.stop for pallet in request.pallets}
    return tuple(
        say(
            "Nothing is to be delivered at stop {id}; remove it, or add its pallets.",
            id=stop.id,
            about=About.ORDERS,
        )
        for stop in request.stops
        if stop.id not in served
    )


def form_misfit(problem: Problem, g: int) -> str | None:
    """Return why no row of any truck takes a group's pallets whatever they weigh, None when one does."""
    deck, one = problem.deck, problem.deck_group(g, 1)
    if any(deck.room(r, one) for r in range(len(deck.rows))):
        return None
    group, form = problem.groups[g], one.form
    who = say("pallet {pallets} (stop {stop})", pallets=group.pallets[0], stop=group.stop)
    heights = [truck.room_height_mm(row) for truck in deck.trucks for row in truck.rows]
    if form.height_mm and all(0 < height < form.height_mm for height in heights):
        return say(
            "height: {who} is {height_mm:g} mm high and the highest door and roof, air gap taken "
            "off, let {heights:g} mm through; build it lower or use a higher truck",
            who=who,
            height_mm=form.height_mm,
            heights=max(heights),
            about=About.VEHICLES,
        )
    if not form.has_dock:
        lifts = [truck.tail_lift_max_kg for truck in deck.trucks if truck.tail_lift_max_kg is not None]
        if not lifts and not any(truck.has_ramps for truck in deck.trucks):
            return say(
                "dock: stop {stop} has no dock and no truck has a tail lift or ramps; send {who} by one "
                "that has",
                about=About.VEHICLES,
                stop=group.stop,
                who=who,
            )
        if not any(truck.has_ramps for truck in deck.trucks) and group.mass_kg > max(lifts):
            return say(
                "tail lift: {who} weighs {mass_kg:g} kg, stop {stop} has no dock and the strongest tail "
                "lift takes {lifts:g} kg; build it lighter or use a stronger lift",
                who=who,
                mass_kg=group.mass_kg,
                stop=group.stop,
                lifts=max(lifts),
                about=About.VEHICLES,
            )
    if form.long_mm:
        places = {(row.along_mm, row.across_mm) for row in deck.rows}
        if all(min(p) < form.short_mm or max(p) < form.long_mm for p in places):
            largest = max(places, key=lambda place: place[0] * place[1])
            return say(
                "footprint: {who} needs {short_mm:g} × {long_mm:g} mm and the largest places are "
                "{largest:g} × {largest_largest:g} mm; use a truck whose deck is laid out for it",
                about=About.VEHICLES,
                who=who,
                short_mm=form.short_mm,
                long_mm=form.long_mm,
                largest=min(largest),
                largest_largest=max(largest),
            )
    return say(
        "truck: no one truck is high enough, large enough in its places and able to unload {who} "
        "at stop {stop}; each lacks one of these",
        about=About.VEHICLES,
        who=who,
        stop=group.stop,
    )
