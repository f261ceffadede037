"""What a loading sheet says of securing besides the row's own words."""

from collections.abc import Sequence

from rimekeep.loading.core.gear import EDITIONS, Gear, Law
from rimekeep.loading.core.held import LoadHeld
from rimekeep.loading.core.papers import Turn
from rimekeep.loading.core.plan import Compartment
from rimekeep.wording import say


def securing_notes(held: Sequence[LoadHeld], law: Law, gear: Gear) -> tuple[str, ...]:
    """Return by what it was reckoned, what may tip or is on top, and which rows a drop leaves loose."""
    above = [
        say("At departure: Row {row}: {said_above}", row=one.row + 1, said_above=one.said_above)
        for state in held[:1]
        for one in state.rows
        if one.said_above
    ]
    loosened = [
        say("After drop {after_drop}: {text}", after_drop=state.after_drop, text=one.text)
        for state in held
        if state.after_drop
        for one in state.rows
        if one.has_lost and one.lashings_needed
    ]
    if law == Law.US:
        straps = say(
            "straps marked {working_load_lb:,.0f} lb working load limit", working_load_lb=gear.working_load_lb
        )
    else:
        straps = say(
            "straps at {angle_deg:g}°, {tension_dan:g} daN standard tension",
            angle_deg=gear.angle_deg,
            tension_dan=gear.tension_dan,
        )
    between = ""
    if any(one.above for state in held for one in state.rows):
        between = say(
            " ({friction_between:g} between the units of a stack)", friction_between=gear.friction_between
        )
    return (
        say("Advice, at departure, by {text}.", text=EDITIONS[law].text),
        say(
            "Assumes friction {friction:g}{between}, {straps}, bars of {bar_dan:g} daN; labels and "
            "the driver's check decide.",
            friction=gear.friction,
            between=between,
            straps=straps,
            bar_dan=gear.bar_dan,
        ),
        *above,
        *loosened,
    )


def stack_notes(order: Sequence[Turn]) -> tuple[str, ...]:
    count = sum(one.stacked == say("on top") for one in order)
    if not count:
        return ()
    return (
        say(
            "{count} {which} on top of others, each taken as whole and wrapped, its weight in its "
            "middle. Straps go over the whole stack and press on the lower unit too.",
            count=count,
            which=(say("unit stands") if count == 1 else say("units stand")),
        ),
    )


def bulkhead_notes(rooms: Sequence[Compartment]) -> tuple[str, ...]:
    """Return what a bulkhead between two rows means for how they are held."""
    if not rooms:
        return ()
    return (
        say(
            "Rows on either side of a bulkhead are reckoned as if they stood against each other. It holds no "
            "load: fill the gap, or hold the row ahead and the row behind by straps or bars."
        ),
    )
