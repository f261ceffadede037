"""
What can hurt people around a truck, in short plain lines, said where they act.

Common practice, no source; they end with who decides. Nothing here replaces training or the site's own rules.
"""

from typing import Literal, get_args

from rimekeep.errors import invalid
from rimekeep.wording import glued, say

Situation = Literal[
    "loading", "tail_lift", "dock", "depart", "deliver", "dry_ice", "securing", "cold", "bulkheads"
]
SITUATIONS: tuple[Situation, ...] = get_args(Situation)

_DECIDES = say("Local rules, the carrier's instructions and licensed practice come before this.")
_CHOCK = say(
    "Chock the wheels and lock the vehicle to the dock before anybody drives onto it; driver "
    "out, keys out of the cab."
)
_STAND = say("Nobody stands between a pallet and a wall, or behind a moving truck.")
_WEIGH = say("Weigh before the road: weights here are computed from stated masses; the weighbridge decides.")
_AIR = say(
    "Before anybody goes into a closed body: unit off, doors latched open, air it. With dry "
    "ice or a leaked keg measure CO2 first; it lies low and has no smell."
)
_INSIDE = say("Nobody is alone in a cold body, and the door can be opened from within or is latched open.")
_FLOOR = say("Frost and condensation make floors, ramps and plates slippery.")

_LINES: dict[Situation, tuple[str, ...]] = {
    "loading": (
        _CHOCK,
        say(
            "Check that deck and dock plate carry forklift and pallet together; no forks raised on a "
            "slope, and no turning on a ramp."
        ),
        _STAND,
        say(
            "Engine off at a closed dock. If a keg leaked, air the body first: CO2 lies low and has no smell."
        ),
        _WEIGH,
        glued(say("The driver checks the load."), _DECIDES),
    ),
    "tail_lift": (
        say(
            "Pallet and truck together stay below the lift's plate; heavy end towards the body, "
            "wheels stopped."
        ),
        say(
            "Nobody rides with the load, stands below the platform or at the closing edge; feet off the edge."
        ),
        say("Level ground, handbrake on, wheels chocked; roll stops up before the platform moves."),
        _FLOOR,
        _DECIDES,
    ),
    "dock": (
        _CHOCK,
        say("Pull away only when the dock is clear: lock off, plate back, doors shut, the lamp says so."),
        _STAND,
        say(
            "A trailer standing without its tractor gets a support under the nose before a forklift goes in."
        ),
        _FLOOR,
        _DECIDES,
    ),
    "depart": (
        _WEIGH,
        say("Doors latched, lashings and bars tight, dock lock off, chocks away; walk round once."),
        say("The unit runs at the setpoint stated, and its first reading was looked at."),
        say("Check lashings again after the first kilometres and after every drop."),
        _DECIDES,
    ),
    "deliver": (
        _AIR,
        say("Open the doors slowly and stand aside: what has shifted may fall out."),
        say("Close or curtain the body while nobody carries."),
        _STAND,
        say("What is left on board is secured again before the vehicle moves."),
        _DECIDES,
    ),
    "dry_ice": (
        say("Dry ice gives off CO2: it lies low, has no smell, and kills in a closed body, cab or cellar."),
        say("Air the space and measure CO2 before anybody goes in; never carry it in the cab."),
        say("Gloves and eye protection; never in a tight container, it bursts."),
        say("Mark the doors, and tell the next person who opens them."),
        _DECIDES,
    ),
    "securing": (
        say("A count is the least, for sound straps, sound anchor points and pallets that hold together."),
        say("Read the label of every strap; a cut, knotted or unmarked one holds nothing."),
        say("A stack is strapped over its whole height; nobody stands beside one whose straps are off."),
        say("Stand beside, not over, a strap or bar that is tightened or let go."),
        say("After every drop look again: a row that lost its neighbour needs a bar or a strap."),
        glued(say("The driver's check decides."), _DECIDES),
    ),
    "cold": (
        _AIR,
        _INSIDE,
        say("Nobody stands between a pallet and a wall, behind a moving truck, or below a tail lift."),
        say(
            "Frost and condensation make floors slippery, and frozen bottles and kegs may burst "
            "while they thaw."
        ),
        glued(say("What this says is computed, not measured at the product."), _DECIDES),
    ),
    "bulkheads": (
        say(
            "Before a bulkhead is shut somebody looks behind it, calls, and counts who went in: nobody is "
            "shut in, and it can be opened from within or is latched open while anybody is behind it."
        ),
        say(
            "A bulkhead that is raised, lowered or let go may fall: latch it, nobody stands below or in its "
            "way."
        ),
        say("It keeps air apart and holds no load: secure what is ahead of it and behind it by itself."),
        say("Air the space behind it before anybody goes in: CO2 lies low and has no smell."),
        glued(
            say("Shut it tight all round after every drop; what stands in its seal lets the warm in."),
            _DECIDES,
        ),
    ),
}


def cautions(situation: Situation) -> tuple[str, ...]:
    """Return the lines for one situation; the last says who decides."""
    if situation not in _LINES:
        raise invalid(
            "situation",
            say("{situation!r} is no situation known here.", situation=situation),
            say("Give one of {choices}.", choices=", ".join(SITUATIONS)),
        )
    return _LINES[situation]
