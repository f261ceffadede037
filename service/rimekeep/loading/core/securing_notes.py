"""What a loading sheet says of securing besides the row's own words."""

from collections.abc import Sequence

from rimekeep.loading.core.gear import EDITIONS, Gear, Law
from rimekeep.loading.core.held import LoadHeld
from rimekeep.loading.core.papers import Turn


def securing_notes(held: Sequence[LoadHeld], law: Law, gear: Gear) -> tuple[str, ...]:
    """Return by what it was reckoned, what may tip or is on top, and which rows a drop leaves loose."""
    above = [
        f"At departure: Row {one.row + 1}: {one.said_above}"
        for state in held[:1]
        for one in state.rows
        if one.said_above
    ]
    loosened = [
        f"After drop {state.after_drop}: {one.text}"
        for state in held
        if state.after_drop
        for one in state.rows
        if one.has_lost and one.lashings_needed
    ]
    if law == Law.US:
        straps = f"straps marked {gear.working_load_lb:,.0f} lb working load limit"
    else:
        straps = f"straps at {gear.angle_deg:g}°, {gear.tension_dan:g} daN standard tension"
    between = ""
    if any(one.above for state in held for one in state.rows):
        between = f" ({gear.friction_between:g} between the units of a stack)"
    return (
        f"Advice, at departure, by {EDITIONS[law].text}.",
        f"Assumes friction {gear.friction:g}{between}, {straps}, bars of {gear.bar_dan:g} daN; labels "
        "and the driver's check decide.",
        *above,
        *loosened,
    )


def stack_notes(order: Sequence[Turn]) -> tuple[str, ...]:
    count = sum(one.stacked == "on top" for one in order)
    if not count:
        return ()
    return (
        f"{count} {'unit stands' if count == 1 else 'units stand'} on top of others, each taken as whole and "
        "wrapped, its weight in its middle. Straps go over the whole stack and press on the lower unit too.",
    )
