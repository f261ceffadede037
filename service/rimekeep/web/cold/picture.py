"""Pictures of a room's temperature as plain geometry: the chart with its limits, and the small trend."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimekeep.climate.core.air import Air
from rimekeep.excursions.core.chart import (
    HEIGHT,
    WIDTH,
    Box,
    Course,
    Line,
    Point,
    Scale,
    Tick,
    air_lines,
    course_points,
    even_steps,
    x_ticks,
    y_range,
)
from rimekeep.units import c_to_f, f_to_c

TREND = Box(2, 3, 216, 42)
TREND_POINTS = 96


@dataclass(frozen=True, slots=True)
class Limit:
    """A rule's limit: its height, what lies outside of it, and its rule's number in the list beside."""

    y: float
    outside: Box
    number: int


@dataclass(frozen=True, slots=True)
class During:
    """An excursion's time, and its number in the list beside."""

    box: Box
    number: int


@dataclass(frozen=True, slots=True)
class RoomPicture:
    """All that is to be drawn of a room, in pixels, y downwards. Gaps are where nothing was measured."""

    width: float
    height: float
    plot: Box
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    air: tuple[tuple[Point, ...], ...]
    bands: tuple[tuple[Point, ...], ...]
    gaps: tuple[Box, ...]
    cores: tuple[Line, ...]
    limits: tuple[Limit, ...]
    excursions: tuple[During, ...]


def room_picture(
    air: Air,
    *,
    limits: Sequence[tuple[float, str]] = (),
    excursions: Sequence[tuple[float, float]] = (),
    cores: Sequence[Course] = (),
    day_starts_s: float = 0.0,
    is_fahrenheit: bool = False,
) -> RoomPicture:
    """
    Lay out the picture of a room.

    Parameters
    ----------
    air
        The room's air over the whole picture, longer than an instant.
    limits
        Of each rule its limit and the side that is outside of it. [°C]
    excursions
        From when until when. [s since 1970]
    cores
        Drawn beside the air.
    day_starts_s
        Any midnight of the site. [s since 1970]
    is_fahrenheit
        Mark the axis at round degrees Fahrenheit; its values are in °C all the same.

    Examples
    --------
    >>> air = Air(np.array([0.0, 3600.0]), np.array([4.0, 8.0]), np.array([[900.0, 1800.0]]))
    >>> picture = room_picture(air, limits=[(6.0, "above")])
    >>> len(picture.air), picture.gaps[0].width, picture.limits[0].y == picture.limits[0].outside.height + 14
    (2, 166.0, True)
    """
    shown = [air.temp_c, *(core.temp_c for core in cores if core.temp_c.size)]
    values = [float(one.min()) for one in shown] + [float(one.max()) for one in shown]
    values += [limit_c for limit_c, _ in limits]
    there, back = (c_to_f, f_to_c) if is_fahrenheit else (float, float)
    low, high, step = y_range(there(min(values)), there(max(values)))
    from_s, until_s = float(air.at_s[0]), float(air.at_s[-1])
    scale = Scale(from_s, until_s, back(low), back(high))
    plot = scale.plot
    lines, bands = air_lines(air, scale)
    return RoomPicture(
        WIDTH,
        HEIGHT,
        plot,
        tuple(Tick(scale.x(at), at) for at in x_ticks(from_s, until_s, day_starts_s)),
        tuple(Tick(scale.y(back(value)), back(value)) for value in even_steps(low, high, step)),
        lines,
        bands,
        tuple(_between(begin, over, scale) for begin, over in air.bridged_s),
        tuple(Line(core.name, course_points(core, scale)) for core in cores if core.at_s.size > 1),
        tuple(
            Limit(scale.y(limit_c), _outside(plot, scale.y(limit_c), side), number)
            for number, (limit_c, side) in enumerate(limits, 1)
        ),
        tuple(
            During(_between(begin, over, scale), number) for number, (begin, over) in enumerate(excursions, 1)
        ),
    )


def _between(begin_s: float, over_s: float, scale: Scale) -> Box:
    x = scale.x(begin_s)
    return Box(x, scale.plot.y, round(scale.x(over_s) - x, 2), scale.plot.height)


def _outside(plot: Box, y: float, side: str) -> Box:
    if side == "above":
        return Box(plot.x, plot.y, plot.width, round(y - plot.y, 2))
    return Box(plot.x, y, plot.width, round(plot.y + plot.height - y, 2))


@dataclass(frozen=True, slots=True)
class Trend:
    """A small picture of a room's last day; ``least_c`` and ``greatest_c`` are of what was measured."""

    width: float
    height: float
    lines: tuple[tuple[Point, ...], ...]
    gaps: tuple[Box, ...]
    planned_y: float
    least_c: float
    greatest_c: float


def trend(air: Air, planned_c: float) -> Trend | None:
    """Return a room's small picture; None if nothing was measured."""
    from_s, until_s = float(air.at_s[0]), float(air.at_s[-1])
    if air.is_assumed or air.bridged_total_s >= until_s - from_s:
        return None
    low_c, high_c = float(air.temp_c.min()), float(air.temp_c.max())
    # Half a kelvin looks small in a room that keeps to it.
    around_c = max(high_c, planned_c) - min(low_c, planned_c)
    margin_c = max((3.0 - around_c) / 2, 0.2)
    scale = Scale(from_s, until_s, min(low_c, planned_c) - margin_c, max(high_c, planned_c) + margin_c, TREND)
    lines, _ = air_lines(air, scale, most=TREND_POINTS)
    return Trend(
        TREND.width + 2 * TREND.x,
        TREND.height + 2 * TREND.y,
        lines,
        tuple(_between(begin, over, scale) for begin, over in air.bridged_s),
        scale.y(planned_c),
        low_c,
        high_c,
    )


def course_within(course: Course, from_s: float, until_s: float) -> Course:
    """Return a course cut to a stretch of time, with its values at the edges that lie inside of it."""
    inside = (course.at_s > from_s) & (course.at_s < until_s)
    edges = np.array([at for at in (from_s, until_s) if course.at_s[0] <= at <= course.at_s[-1]])
    at_s = np.sort(np.concatenate([edges, course.at_s[inside]]))
    return Course(course.name, at_s, np.interp(at_s, course.at_s, course.temp_c))
