"""How each evaporator of a divided body runs at an instant: holding, or taking out all it gets."""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.loading.core.box import Goods, Running
from rimekeep.loading.core.decays import NIL
from rimekeep.loading.core.division import Together

# Two demands nearer than this are equal; which way they part decides then. [W, W/s]
_SAME_W = 1e-7
_SAME_W_S = 1e-13


@dataclass(frozen=True, slots=True)
class Ways:
    """
    How every evaporator runs until something changes.

    ``satisfied`` hold their set point and take something out; where the unit ``is_short`` the others share
    what those leave, and ``pulling_w`` is what these could take out together.
    """

    running: tuple[Running, ...]
    satisfied: tuple[int, ...]
    is_short: bool
    pulling_w: float


def asked_w(k: int, airs: Sequence[float], goods: Sequence[Sequence[Goods]], together: Together) -> float:
    """Return the heat that comes into a compartment's air at its temperature of now. [W]"""
    space = together.spaces[k]
    return (
        space.gain_w_k * (together.outside_c - airs[k])
        + sum(one.link_w_k * (one.temp_c - airs[k]) for one in goods[k])
        + sum(tie * (airs[other] - airs[k]) for other, tie in together.beside(k))
    )


def choose(airs: Sequence[float], goods: Sequence[Sequence[Goods]], together: Together) -> Ways:
    """
    Return how everyone runs from now on.

    Evaporators with their air above the set point take out all they get. Those at it hold it while what they
    ask for is within their own power and their share of the unit's; whoever asks for more falls behind, the
    one furthest over its share first.
    """
    spaces = together.spaces
    if not together.is_on:
        return Ways((Running.OFF,) * len(spaces), (), is_short=False, pulling_w=0.0)
    running = [
        Running.COOLING
        if air > space.setpoint_c + NIL
        else Running.HEATING
        if air < space.setpoint_c - NIL
        else Running.HOLDING
        for air, space in zip(airs, spaces, strict=True)
    ]
    asked = [asked_w(k, airs, goods, together) for k in range(len(spaces))]
    while True:
        ways, rises = _shared(running, asked, airs, goods, together)
        behind = _fallen_behind(ways, asked, rises, together)
        if behind is None:
            return ways
        running[behind[0]] = behind[1]


def _shared(
    running: Sequence[Running],
    asked: Sequence[float],
    airs: Sequence[float],
    goods: Sequence[Sequence[Goods]],
    together: Together,
) -> tuple[Ways, list[float]]:
    """Return who gets what if everyone runs so, and how fast what is asked for rises."""
    spaces = together.spaces
    held = [k for k, way in enumerate(running) if way == Running.HOLDING]
    pulling_w = sum(spaces[k].most_w for k, way in enumerate(running) if way == Running.COOLING)
    left_w = together.total_w - sum(max(asked[k], 0.0) for k in held)
    share = min(1.0, max(left_w, 0.0) / pulling_w) if pulling_w else 1.0
    given = {Running.COOLING: share, Running.HEATING: 0.0, Running.HOLDING: 0.0}
    speeds = []
    for k, way in enumerate(running):
        out_w = given[way] * spaces[k].most_w - (spaces[k].heating_w if way == Running.HEATING else 0.0)
        speeds.append(0.0 if way == Running.HOLDING else (asked[k] - out_w) / spaces[k].heat_j_k)
    rises = [
        sum(one.link_w_k * (airs[k] - one.temp_c) / one.tau_s for one in goods[k])
        + sum(tie * speeds[other] for other, tie in together.beside(k))
        for k in range(len(spaces))
    ]
    satisfied = tuple(k for k in held if _is_over(asked[k], rises[k]))
    over_w = sum(asked[k] for k in satisfied) + pulling_w - together.total_w
    is_short = _is_over(over_w, sum(rises[k] for k in satisfied))
    return Ways(tuple(running), satisfied, is_short, pulling_w), rises


def _fallen_behind(
    ways: Ways, asked: Sequence[float], rises: Sequence[float], together: Together
) -> tuple[int, Running] | None:
    """Return who of those at their set point cannot stay there, and how it runs then."""
    spaces = together.spaces
    share, share_rise = 1.0, 0.0
    if ways.is_short and not ways.pulling_w:
        # Those at their set points ask for more than there is: somebody has to get less.
        worst = max(ways.satisfied, key=lambda k: (asked[k] / spaces[k].most_w, rises[k] / spaces[k].most_w))
        return worst, Running.COOLING
    if ways.is_short:
        share = (together.total_w - sum(asked[k] for k in ways.satisfied)) / ways.pulling_w
        share_rise = -sum(rises[k] for k in ways.satisfied) / ways.pulling_w
    over = [
        k
        for k in ways.satisfied
        if _is_over(asked[k] - share * spaces[k].most_w, rises[k] - share_rise * spaces[k].most_w)
    ]
    if over:
        return max(over, key=lambda k: (asked[k] / spaces[k].most_w, rises[k])), Running.COOLING
    for k, way in enumerate(ways.running):
        if way == Running.HOLDING and _is_over(-asked[k] - spaces[k].heating_w, -rises[k]):
            return k, Running.HEATING
    return None


def _is_over(over: float, rise: float) -> bool:
    """Tell whether something is above its limit, or at it and about to be."""
    return over > _SAME_W or (over >= -_SAME_W and rise > _SAME_W_S)
