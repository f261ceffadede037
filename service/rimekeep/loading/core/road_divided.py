"""The road ahead of a divided body: what each compartment asks of the unit, and how warm it gets there."""

from collections.abc import Sequence
from dataclasses import dataclass

from rimekeep.loading.core.aboard import Aboard, Load
from rimekeep.loading.core.airs import run_airs
from rimekeep.loading.core.box import Running, Stretch
from rimekeep.loading.core.division import Division, Opening, Space, Together
from rimekeep.loading.core.reefer import Body
from rimekeep.loading.core.road import LONGEST_PRECOOL_S, Leg, Road, Span, door_w_k, halts, spans_of
from rimekeep.loading.core.road_cold import LegCold, RoadCold


@dataclass(frozen=True, slots=True)
class _Run:
    """A time in which nothing changes but what runs, with the stretches of every compartment."""

    span: Span
    together: Together
    stretches: tuple[tuple[Stretch, ...], ...]


def forecast_divided(
    body: Body,
    division: Division,
    road: Road,
    loads: Sequence[Load],
    *,
    start_air_c: float | None = None,
) -> tuple[RoadCold, ...]:
    """
    Return what a trip does to the air and goods of every compartment, front first.

    Parameters
    ----------
    body, road
        As for one air; the doors are the rear ones, and a side door is taken to be as large.
    division
        Two compartments or more.
    loads
        What is on board, each load with the compartment it stands in.
    start_air_c
        Air and inside of all compartments at departure; None: each pre-cooled to its set point. [°C]

    Returns
    -------
    tuple of RoadCold
        Legs of a compartment end with its last drop: after that nobody minds its air, though its evaporator
        is taken to run on. The whole unit is off while any door is open. It takes out what it does with the
        coldest set point inside, a little less than it would with warmer ones.

    References
    ----------
    As `road.forecast`. A bulkhead opened on the way to a compartment ahead is taken as a door between both
    airs, its flow as if the warmer side were as warm as the outside: more than it will be (own convention).
    """
    aboard = [Aboard.of([load for load in loads if load.part == k]) for k, _ in enumerate(division.parts)]
    last = [max((load.drop for load in loads if load.part == k), default=0) for k in range(len(aboard))]
    airs = tuple(part.setpoint_c if start_air_c is None else start_air_c for part in division.parts)
    legs: list[list[LegCold]] = [[] for _ in aboard]
    stretches: list[list[Stretch]] = [[] for _ in aboard]
    cores: list[dict[int, float]] = [{} for _ in aboard]
    at_s, before, opening = 0.0, Leg(0.0, 0.0, 0.0), Opening()
    for drop, (leg, halt) in enumerate(zip(road.legs, halts(road.legs), strict=True), 1):
        started = (airs, list(aboard))
        runs = []
        for span in spans_of(road, at_s, before, halt.opens_s):
            together = _together(body, division, road, span, opening)
            done, airs, goods = run_airs(
                start_s=span.start_s,
                length_s=span.length_s,
                airs_c=airs,
                goods=tuple(one.goods for one in aboard),
                together=together,
            )
            aboard = [one.moved(own, span.length_s) for one, own in zip(aboard, goods, strict=True)]
            runs.append(_Run(span, together, tuple(tuple(own) for own in done)))
        for k, own in enumerate(legs):
            own.append(_balance(body, division, drop, k, runs, started, (airs, aboard)))
            stretches[k] += [one for part in runs for one in part.stretches[k]]
            cores[k] |= aboard[k].cores_of(drop)
        served = {load.part for load in loads if load.drop == drop}
        opening = Opening.at_stop(division, served)
        aboard = [one.without(drop) for one in aboard]
        at_s, before = halt.opens_s, leg
    return tuple(
        RoadCold(
            part.setpoint_c,
            part.low_c,
            part.high_c,
            tuple(legs[k][: max(1, last[k])]),
            tuple(stretches[k]),
            cores[k] | aboard[k].cores_of(None),
        )
        for k, part in enumerate(division.parts)
    )


def precool_divided_s(
    body: Body, division: Division, *, start_c: float, outside_c: float
) -> tuple[float | None, ...]:
    """Return how long each closed, empty compartment takes to its set point; None: never. [s]"""
    span = Span(0.0, LONGEST_PRECOOL_S, outside_c, is_open=False)
    done, _, _ = run_airs(
        start_s=0.0,
        length_s=LONGEST_PRECOOL_S,
        airs_c=(start_c,) * len(division.parts),
        goods=((),) * len(division.parts),
        together=_shut(body, division, span),
    )
    return tuple(next((one.start_s for one in own if one.running == Running.HOLDING), None) for own in done)


def _shut(body: Body, division: Division, span: Span) -> Together:
    """Return the compartments of a closed body."""
    all_w = division.evaporators_w
    return Together(
        span.outside_c,
        not span.is_open,
        body.capacity.line(span.outside_c).at(division.coldest_c),
        tuple(
            Space(
                heat_j_k=body.heat_j_k * part.share,
                gain_w_k=body.wall_w_k * part.share,
                setpoint_c=part.setpoint_c,
                most_w=part.evaporator_w,
                heating_w=min(part.evaporator_w, body.capacity.least_w * part.evaporator_w / all_w),
            )
            for part in division.parts
        ),
        (division.bulkhead_w_k,) * (len(division.parts) - 1),
    )


def _together(body: Body, division: Division, road: Road, span: Span, opening: Opening) -> Together:
    shut = _shut(body, division, span)
    if not span.is_open:
        return shut
    return Together(
        shut.outside_c,
        shut.is_on,
        shut.total_w,
        tuple(
            Space(
                space.heat_j_k,
                space.gain_w_k
                + (door_w_k(body, road, span.outside_c, space.setpoint_c) if k in opening.doors else 0.0),
                space.setpoint_c,
                space.most_w,
                space.heating_w,
            )
            for k, space in enumerate(shut.spaces)
        ),
        tuple(
            tie + (_between_w_k(body, division, road, span.outside_c, k) if k in opening.bulkheads else 0.0)
            for k, tie in enumerate(shut.ties_w_k)
        ),
    )


def _between_w_k(body: Body, division: Division, road: Road, outside_c: float, k: int) -> float:
    """Return what passes per kelvin where the bulkhead behind a compartment is open. [W/K]"""
    cold_c, warm_c = sorted((division.parts[k].setpoint_c, division.parts[k + 1].setpoint_c))
    return door_w_k(body, road, max(outside_c, warm_c), cold_c, has_curtain=False)


def _balance(
    body: Body,
    division: Division,
    drop: int,
    k: int,
    runs: Sequence[_Run],
    started: tuple[Sequence[float], Sequence[Aboard]],
    ended: tuple[Sequence[float], Sequence[Aboard]],
) -> LegCold:
    walls_j = doors_j = beside_j = capacity_j = 0.0
    for one in runs:
        space, own = one.together.spaces[k], one.stretches[k]
        level_ks = sum(part.air.integral(part.length_s) for part in own)
        warmth_ks = one.span.outside_c * one.span.length_s - level_ks
        wall_w_k = body.wall_w_k * division.parts[k].share
        walls_j += wall_w_k * warmth_ks
        doors_j += (space.gain_w_k - wall_w_k) * warmth_ks
        for other, tie in one.together.beside(k):
            other_ks = sum(part.air.integral(part.length_s) for part in one.stretches[other])
            beside_j += tie * (other_ks - level_ks)
        if not one.span.is_open:
            capacity_j += _to_be_had_j(one, k)
    from_s, until_s = runs[0].span.start_s, runs[-1].span.start_s + runs[-1].span.length_s
    shut = [one for one in runs if not one.span.is_open]
    over = sum(one.span.length_s for one in shut) or until_s - from_s or 1.0
    ends = [part.air.at(part.length_s) for one in runs for part in one.stretches[k]]
    part, start_c = division.parts[k], started[0][k]
    return LegCold(
        drop=drop,
        from_s=from_s,
        until_s=until_s,
        outside_max_c=max(one.span.outside_c for one in runs),
        walls_w=walls_j / over,
        doors_w=doors_j / over,
        goods_w=(started[1][k].heat_over_0_j - ended[1][k].heat_over_0_j) / over,
        behind_w=body.heat_j_k * part.share * (start_c - part.setpoint_c) / over,
        capacity_w=capacity_j / over,
        air_max_c=max([start_c, *ends]),
        air_end_c=ended[0][k],
        is_known=all(body.capacity.is_known(one.span.outside_c, division.coldest_c) for one in shut),
        beside_w=beside_j / over,
    )


def _to_be_had_j(one: _Run, k: int) -> float:
    """Return what a compartment took out where it took all it got, else what it could have had."""
    found = 0.0
    for number, own in enumerate(one.stretches[k]):
        if own.running == Running.COOLING:
            found += own.cooled_j
            continue
        others_j = sum(max(0.0, beside[number].cooled_j) for n, beside in enumerate(one.stretches) if n != k)
        left_j = one.together.total_w * own.length_s - others_j
        found += min(one.together.spaces[k].most_w * own.length_s, left_j)
    return found
