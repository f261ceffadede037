"""
The road ahead: what a trip asks of the reefer leg by leg, and how warm air and goods get.

A leg runs from one drop to the next: the stop with its open doors first, then the drive, then what is waited
with the doors shut. Outside, a forecast's point holds until the next one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from rimekeep.climate.core.dewpoint import MAGNUS_RANGE_C
from rimekeep.loading.core.aboard import Aboard, Load
from rimekeep.loading.core.box import Running, Setting, Stretch, run
from rimekeep.loading.core.door import door_peak_w
from rimekeep.loading.core.heat import door_energy_j, wall_load_w
from rimekeep.loading.core.reefer import Body
from rimekeep.loading.core.road_cold import LegCold, RoadCold

# An empty body that is not cold after a day never will be. [s]
LONGEST_PRECOOL_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Leg:
    """
    The way to one drop, and the stop there with the time its doors stand open.

    Goods are taken in there from ``opens_s`` on, counted from departure: who comes sooner waits with shut
    doors. [s]
    """

    drive_s: float
    stop_s: float
    door_open_s: float
    opens_s: float | None = None


@dataclass(frozen=True, slots=True)
class Halt:
    """When a drop is reached, and how long the doors stay shut there until goods are taken in. [s]"""

    arrives_s: float
    waits_s: float

    @property
    def opens_s(self) -> float:
        """Return when the doors are opened."""
        return self.arrives_s + self.waits_s


def halts(legs: Sequence[Leg]) -> tuple[Halt, ...]:
    """Return when each drop is reached, from departure."""
    found, at_s = [], 0.0
    for leg in legs:
        arrives_s = at_s + leg.drive_s
        found.append(Halt(arrives_s, max(0.0, (leg.opens_s or 0.0) - arrives_s)))
        at_s = found[-1].opens_s + leg.stop_s
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Road:
    """
    A trip's legs and what it meets, counted from departure.

    ``ambient`` are (time, temperature) in order; each holds until the next, the first one before it too.
    ``flow_factor`` and ``curtain_share`` as in `heat.door_energy_j`. [s, °C, %, -]
    """

    legs: tuple[Leg, ...]
    ambient: tuple[tuple[float, float], ...]
    humidity_pct: float
    flow_factor: float
    curtain_share: float

    def outside_c(self, at_s: float) -> float:
        """Return the forecast at a time. [s] → [°C]"""
        before = [temp_c for point_s, temp_c in self.ambient if point_s <= at_s]
        return before[-1] if before else self.ambient[0][1]

    def earlier_by(self, span_s: float) -> "Road":
        """Return the same trip begun so much earlier: its weather and opening times come later. [s]"""
        moved = tuple((at_s + span_s, temp_c) for at_s, temp_c in self.ambient)
        legs = tuple(
            leg if leg.opens_s is None else replace(leg, opens_s=leg.opens_s + span_s) for leg in self.legs
        )
        return replace(self, ambient=moved, legs=legs)


def forecast(
    body: Body,
    road: Road,
    loads: Sequence[Load],
    *,
    setpoint_c: float,
    low_c: float,
    high_c: float,
    start_air_c: float | None = None,
) -> RoadCold:
    """
    Return what a trip does to air and goods.

    Parameters
    ----------
    body
        Walls, doors and unit.
    road
        One leg or more, one point of ambient or more.
    loads
        What is on board; drops count from 1, goods for a drop without a leg ride along to the end.
    setpoint_c
        What the unit is set to. [°C]
    low_c, high_c
        The range everything on board may be carried at, its ends included. [°C]
    start_air_c
        Air and body's inside at departure; None: pre-cooled to the set point. [°C]

    Returns
    -------
    RoadCold
        The unit is off while doors are open, and else holds the set point as long as it can. The heat of fans
        is taken as within the capacity stated; beer does not respire.

    References
    ----------
    Heat balance; ATP, Annex 1 for ``K S ΔT``; the door as `door.door_peak_w`, its flow taken as in proportion
    to the difference that is left.
    """
    air_c = setpoint_c if start_air_c is None else start_air_c
    on_board = Aboard.of(loads)
    at_s = 0.0
    legs: list[LegCold] = []
    stretches: list[Stretch] = []
    cores: dict[int, float] = {}
    before = Leg(0.0, 0.0, 0.0)
    for drop, (leg, halt) in enumerate(zip(road.legs, halts(road.legs), strict=True), 1):
        spans = spans_of(road, at_s, before, halt.opens_s)
        started = (air_c, on_board)
        own: list[Stretch] = []
        for span in spans:
            setting = _setting(body, road, span, setpoint_c)
            done, air_c, goods = run(
                start_s=span.start_s,
                length_s=span.length_s,
                air_c=air_c,
                heat_j_k=body.heat_j_k,
                goods=on_board.goods,
                setting=setting,
            )
            on_board = on_board.moved(goods, span.length_s)
            own += done
        legs.append(_balance(body, road, drop, spans, own, setpoint_c, started, (air_c, on_board)))
        at_s = halt.opens_s
        stretches += own
        cores |= on_board.cores_of(drop)
        on_board = on_board.without(drop)
        before = leg
    cores |= on_board.cores_of(None)
    return RoadCold(setpoint_c, low_c, high_c, tuple(legs), tuple(stretches), cores)


@dataclass(frozen=True, slots=True)
class Span:
    """A time with one temperature outside and the doors open or shut."""

    start_s: float
    length_s: float
    outside_c: float
    is_open: bool


def spans_of(road: Road, at_s: float, stop: Leg, end_s: float) -> list[Span]:
    """Return the times of a leg in which outside and doors stay the same."""
    shut_s = at_s + min(stop.door_open_s, stop.stop_s)
    points = (point_s for point_s, _ in road.ambient if at_s < point_s < end_s)
    edges = sorted({at_s, shut_s, end_s, *points})
    if len(edges) == 1:
        return [Span(at_s, 0.0, road.outside_c(at_s), False)]
    return [Span(low, high - low, road.outside_c(low), low < shut_s) for low, high in pairwise(edges)]


def door_w_k(
    body: Body, road: Road, outside_c: float, setpoint_c: float, *, has_curtain: bool | None = None
) -> float:
    """Return what an open door lets in per kelvin left: the full exchange, over its difference. [W/K]"""
    if outside_c <= setpoint_c:
        return 0.0
    low_c, high_c = MAGNUS_RANGE_C
    peak_w = door_peak_w(
        width_m=body.door_width_m,
        height_m=body.door_height_m,
        # Air beyond what moist air is fitted for changes the flow per kelvin little.
        outside_c=min(max(outside_c, low_c), high_c),
        inside_c=min(max(setpoint_c, low_c), high_c),
        outside_humidity_pct=road.humidity_pct,
    )
    is_kept_out = body.has_curtain if has_curtain is None else has_curtain
    protection = road.curtain_share if is_kept_out else 0.0
    flow_w = door_energy_j(peak_w=peak_w, open_s=1.0, flow_factor=road.flow_factor, protection=protection)
    return flow_w / (outside_c - setpoint_c)


def _setting(body: Body, road: Road, span: Span, setpoint_c: float) -> Setting:
    open_w_k = door_w_k(body, road, span.outside_c, setpoint_c) if span.is_open else 0.0
    return Setting(
        outside_c=span.outside_c,
        gain_w_k=body.wall_w_k + open_w_k,
        setpoint_c=setpoint_c,
        is_on=not span.is_open,
        line=body.capacity.line(span.outside_c),
        heating_w=body.capacity.least_w,
    )


def _balance(
    body: Body,
    road: Road,
    drop: int,
    spans: Sequence[Span],
    own: Sequence[Stretch],
    setpoint_c: float,
    started: tuple[float, "Aboard"],
    ended: tuple[float, "Aboard"],
) -> LegCold:
    from_s, until_s = spans[0].start_s, spans[-1].start_s + spans[-1].length_s
    walls_j = doors_j = capacity_j = 0.0
    for span in spans:
        inside = [one for one in own if span.start_s <= one.start_s < span.start_s + span.length_s]
        warmth_ks = span.outside_c * span.length_s - sum(one.air.integral(one.length_s) for one in inside)
        walls_j += wall_load_w(body.wall_area_m2, body.k_w_m2k, 1.0) * warmth_ks
        if span.is_open:
            doors_j += door_w_k(body, road, span.outside_c, setpoint_c) * warmth_ks
            continue
        held_w = body.capacity.line(span.outside_c).at(setpoint_c)
        capacity_j += sum(
            one.cooled_j if one.running == Running.COOLING else held_w * one.length_s for one in inside
        )
    shut = [span for span in spans if not span.is_open]
    over = sum(span.length_s for span in shut) or until_s - from_s or 1.0
    ends = [one.air.at(one.length_s) for one in own]
    return LegCold(
        drop=drop,
        from_s=from_s,
        until_s=until_s,
        outside_max_c=max(span.outside_c for span in spans),
        walls_w=walls_j / over,
        doors_w=doors_j / over,
        goods_w=(started[1].heat_over_0_j - ended[1].heat_over_0_j) / over,
        behind_w=body.heat_j_k * (started[0] - setpoint_c) / over,
        capacity_w=capacity_j / over,
        air_max_c=max([started[0], *ends]),
        air_end_c=ended[0],
        is_known=all(body.capacity.is_known(span.outside_c, setpoint_c) for span in shut),
    )


def precool_s(body: Body, *, start_c: float, setpoint_c: float, outside_c: float) -> float | None:
    """Return how long the closed, empty body takes to the set point; None: it never gets there. [s]"""
    setting = Setting(
        outside_c, body.wall_w_k, setpoint_c, True, body.capacity.line(outside_c), body.capacity.least_w
    )
    done, _, _ = run(
        start_s=0.0,
        length_s=LONGEST_PRECOOL_S,
        air_c=start_c,
        heat_j_k=body.heat_j_k,
        goods=(),
        setting=setting,
    )
    return next((one.start_s for one in done if one.running == Running.HOLDING), None)
