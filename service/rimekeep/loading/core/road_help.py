"""What would do when the reefer cannot hold a trip, each way tried out and not guessed."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from rimekeep.loading.core.aboard import Load
from rimekeep.loading.core.division import Division
from rimekeep.loading.core.reefer import Body, Capacity, Line
from rimekeep.loading.core.road import Road, forecast
from rimekeep.loading.core.road_cold import RoadCold
from rimekeep.loading.core.road_divided import forecast_divided
from rimekeep.wording import say

# Whole hours by which an earlier departure is tried.
EARLIER_H = range(1, 9)
MOST_EXTRA_W = 1e6


@dataclass(frozen=True, slots=True)
class Asked:
    """
    All a forecast needs, so that one thing of it can be changed.

    Where there is a ``division``, set points and ranges are those of its compartments.
    """

    body: Body
    road: Road
    loads: tuple[Load, ...]
    setpoint_c: float
    low_c: float
    high_c: float
    start_air_c: float | None = None
    division: Division | None = None

    def answers(self) -> tuple[RoadCold, ...]:
        """Return the forecast of every compartment, front first; of a body with one air, its own."""
        if self.division is None:
            return (self.answer(),)
        return forecast_divided(self.body, self.division, self.road, self.loads, start_air_c=self.start_air_c)

    def over_c(self) -> float:
        """Return by how much the air comes too warm to a drop, where it is worst; below zero: it does not."""
        return max(cold.hottest.air_end_c - cold.high_c for cold in self.answers())

    def answer(self) -> RoadCold:
        """Return the forecast of a body with one air."""
        return forecast(
            self.body,
            self.road,
            self.loads,
            setpoint_c=self.setpoint_c,
            low_c=self.low_c,
            high_c=self.high_c,
            start_air_c=self.start_air_c,
        )


@dataclass(frozen=True, slots=True)
class Remedy:
    """One thing that would do, in words; ``kind`` names it for a machine."""

    kind: str
    text: str


def short_w(asked: Asked) -> float | None:
    """
    Return how much more capacity, at all temperatures, would keep the air within the range at every drop.

    0 when it is; None when no capacity would do, because the doors were shut too short a time. [W]
    """

    def over_c(extra_w: float) -> float:
        return _stronger(asked, extra_w).over_c()

    if over_c(0.0) <= 0:
        return 0.0
    enough_w = 1000.0
    while over_c(enough_w) > 0:
        enough_w *= 2
        if enough_w > MOST_EXTRA_W:
            return None
    return float(brentq(over_c, 0.0, enough_w, xtol=1.0))


def _stronger(asked: Asked, extra_w: float) -> Asked:
    """Return the same with a unit that takes out more, and all its evaporators with it."""
    lines = tuple(
        (outside_c, Line(line.inside_c, tuple(watts + extra_w for watts in line.watts)))
        for outside_c, line in asked.body.capacity.lines
    )
    division = asked.division
    if division is not None:
        parts = tuple(replace(part, evaporator_w=part.evaporator_w + extra_w) for part in division.parts)
        division = replace(division, parts=parts)
    return replace(asked, body=replace(asked.body, capacity=Capacity(lines)), division=division)


def remedies(
    asked: Asked, *, others: Mapping[str, Body], most_hours_earlier: int = EARLIER_H[-1]
) -> tuple[Remedy, ...]:
    """
    Return what would do by itself, the easiest first; if nothing, what would do together, if anything.

    Parameters
    ----------
    asked
        A forecast whose verdict is "no" for warmth.
    others
        Other vehicles' bodies, by name.
    most_hours_earlier
        How many hours earlier one could leave at most; 0: not at all. [h]
    """
    found = []
    curtain = _with_curtain(asked)
    precooled = replace(asked, start_air_c=None) if asked.start_air_c is not None else None
    cold = _with_cold_goods(asked)
    if precooled is not None and _does(precooled):
        found.append(Remedy("precool_body", say("Pre-cool the empty body to the set point before loading.")))
    if curtain is not None and _does(curtain):
        found.append(Remedy("curtain", say("Hang a strip curtain in the doors and keep it closed.")))
    if cold is not None and _does(cold):
        text = say("Cool the goods to {goals} before loading; they come aboard warmer.", goals=_goals(asked))
        found.append(Remedy("cool_goods", text))
    for hours in [one for one in EARLIER_H if one <= most_hours_earlier]:
        if _does(replace(asked, road=asked.road.earlier_by(hours * 3600.0))):
            found.append(
                Remedy("earlier", say("Leave {hours} h earlier, while it is colder outside.", hours=hours))
            )
            break
    fit = sorted(name for name, body in others.items() if _does(replace(asked, body=body)))
    if fit:
        found.append(
            Remedy("other_vehicle", say("Use another vehicle: {choices}.", choices=", ".join(fit[:5])))
        )
    return tuple(found) or _together(asked, most_hours_earlier)


def _together(asked: Asked, most_hours_earlier: int) -> tuple[Remedy, ...]:
    best, parts = replace(asked, start_air_c=None), []
    if asked.start_air_c is not None:
        parts.append(say("pre-cool the body"))
    for change, words in (
        (_with_curtain, say("hang a strip curtain")),
        (_with_cold_goods, say("cool the goods first")),
    ):
        changed = change(best)
        if changed is not None:
            best = changed
            parts.append(words)
    hours = [one for one in (0, *EARLIER_H) if one <= most_hours_earlier]
    for some in hours:
        if _does(replace(best, road=best.road.earlier_by(some * 3600.0))):
            words = ", ".join([*parts, *([say("leave {some} h earlier", some=some)] if some else [])])
            return (Remedy("together", say("Only together: {words}.", words=words)),) if words else ()
    return ()


def _does(asked: Asked) -> bool:
    return not any(cold.is_too_warm for cold in asked.answers())


def _goals(asked: Asked) -> str:
    """Return what goods are to be cooled to, compartment by compartment."""
    if asked.division is None:
        return f"{asked.setpoint_c:g} °C"
    goals = [f"{part.setpoint_c:g} °C" for part in asked.division.parts]
    return say(
        "{choices} and {goals} (by compartment, from the front wall)",
        choices=", ".join(goals[:-1]),
        goals=goals[-1],
    )


def _with_curtain(asked: Asked) -> Asked | None:
    if asked.body.has_curtain:
        return None
    return replace(asked, body=replace(asked.body, has_curtain=True))


def _with_cold_goods(asked: Asked) -> Asked | None:
    goals = (
        (asked.setpoint_c,) if asked.division is None else [part.setpoint_c for part in asked.division.parts]
    )
    if all(one.core_c <= goals[one.part] for one in asked.loads):
        return None
    cold = tuple(replace(one, core_c=min(one.core_c, goals[one.part])) for one in asked.loads)
    return replace(asked, loads=cold)
