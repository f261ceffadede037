"""
The temperature chart of an excursion as plain geometry, so that it can be checked without drawing it.

Air is drawn through its readings; where there are too many, as the mean of even steps with the least and the
greatest of each around it. No line is drawn where nothing was measured.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rimekeep.climate.core.air import Air
from rimekeep.climate.core.readings import FloatArray
from rimekeep.climate.core.steps import in_steps

Point = tuple[float, float]
WIDTH, HEIGHT = 720.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 48.0, 8.0, 14.0, 34.0
# More would lie closer together than a printer's dots.
MOST_POINTS = 240
X_STEPS_H = (0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 720, 1440, 2880, 8760)
MOST_X_TICKS = 8
MOST_Y_TICKS = 8


@dataclass(frozen=True, slots=True)
class Course:
    """The temperature of something beside the air, such as a pack's core. [s since 1970, °C]"""

    name: str
    at_s: FloatArray
    temp_c: FloatArray


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis: its place, and its value. [px; s since 1970 or °C]"""

    place: float
    value: float


@dataclass(frozen=True, slots=True)
class Box:
    """A part of the picture. [px]"""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A point worth a word. [px, s since 1970, °C]"""

    x: float
    y: float
    at_s: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points, with its name."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """All that is to be drawn, in pixels, y downwards. ``bands`` enclose least and greatest of each step."""

    width: float
    height: float
    plot: Box
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    air: tuple[tuple[Point, ...], ...]
    bands: tuple[tuple[Point, ...], ...]
    cores: tuple[Line, ...]
    allowed: Box | None
    limit_y: float | None
    during: Box
    alarm_x: float | None
    gaps: tuple[Box, ...]
    crossings: tuple[Mark, ...]
    coldest: Mark | None
    warmest: Mark | None


@dataclass(frozen=True, slots=True)
class Scale:
    """Where instants and temperatures lie in a picture: what its plot shows, and the plot. [s, °C; px]"""

    from_s: float
    until_s: float
    low_c: float
    high_c: float
    plot: Box = Box(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM)

    def x(self, at_s: float) -> float:
        """Return the place of an instant; one outside the picture lies on its edge."""
        share = (min(max(at_s, self.from_s), self.until_s) - self.from_s) / (self.until_s - self.from_s)
        return round(self.plot.x + share * self.plot.width, 2)

    def y(self, temp_c: float) -> float:
        """Return the place of a temperature."""
        share = (temp_c - self.low_c) / (self.high_c - self.low_c)
        return round(self.plot.y + self.plot.height * (1 - share), 2)


def chart(
    air: Air,
    *,
    start_s: float,
    end_s: float | None,
    alarm_s: float | None = None,
    limit_c: float | None = None,
    side: Literal["above", "below"] = "above",
    crossings: Sequence[float] = (),
    cores: Sequence[Course] = (),
    day_starts_s: float = 0.0,
) -> Chart:
    """
    Lay out the picture of an excursion.

    Parameters
    ----------
    air
        The room's air over the whole picture, longer than an instant.
    start_s, end_s, alarm_s
        The excursion; ``end_s`` None: it goes on to the picture's edge. [s since 1970]
    limit_c, side
        The limit, and which side of it is outside; None: there is none. [°C]
    crossings
        When lines between readings met the limit; marked on the air. [s since 1970]
    cores
        Other courses, drawn beside the air.
    day_starts_s
        Any midnight of the site: times are marked on round hours counted from it. [s since 1970]

    Returns
    -------
    Chart
        All points lie inside ``plot``.

    Examples
    --------
    >>> air = Air(np.array([0.0, 3600.0]), np.array([4.0, 8.0]), np.empty((0, 2)))
    >>> picture = chart(air, start_s=1800, end_s=None, limit_c=6.0)
    >>> [tick.value for tick in picture.y_ticks], picture.during.width
    ([3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0], 332.0)
    """
    from_s, until_s = float(air.at_s[0]), float(air.at_s[-1])
    shown = [
        air.temp_c,
        *(core.temp_c for core in cores),
        *([] if limit_c is None else [np.array([limit_c])]),
    ]
    low_c, high_c, step_c = y_range(
        min(float(one.min()) for one in shown), max(float(one.max()) for one in shown)
    )
    scale = Scale(from_s, until_s, low_c, high_c)
    plot = scale.plot
    lines, bands = air_lines(air, scale)
    limit_y = None if limit_c is None else scale.y(limit_c)
    coldest, warmest = (None, None) if air.is_assumed else _extremes(air, scale)
    begin_x, over_x = scale.x(start_s), scale.x(until_s if end_s is None else end_s)
    return Chart(
        WIDTH,
        HEIGHT,
        plot,
        tuple(Tick(scale.x(at), at) for at in x_ticks(from_s, until_s, day_starts_s)),
        tuple(Tick(scale.y(value), value) for value in even_steps(low_c, high_c, step_c)),
        lines,
        bands,
        tuple(Line(core.name, course_points(core, scale)) for core in cores),
        None if limit_y is None else _allowed(plot, limit_y, side),
        limit_y,
        Box(begin_x, TOP, round(over_x - begin_x, 2), plot.height),
        None if alarm_s is None or not from_s <= alarm_s <= until_s else scale.x(alarm_s),
        tuple(
            Box(scale.x(begin), TOP, round(scale.x(over) - scale.x(begin), 2), plot.height)
            for begin, over in air.bridged_s
        ),
        tuple(_mark(at, air, scale) for at in crossings if from_s <= at <= until_s),
        coldest,
        warmest,
    )


def _allowed(plot: Box, limit_y: float, side: str) -> Box:
    if side == "above":
        return Box(plot.x, limit_y, plot.width, round(plot.y + plot.height - limit_y, 2))
    return Box(plot.x, plot.y, plot.width, round(limit_y - plot.y, 2))


def _measured(air: Air) -> list[tuple[float, float]]:
    """Return the stretches between the gaps; one of no length is a reading that stands alone."""
    edges = [float(air.at_s[0])]
    for begin, over in air.bridged_s:
        edges += [float(begin), float(over)]
    edges.append(float(air.at_s[-1]))
    pairs = list(zip(edges[::2], edges[1::2], strict=True))
    inner = range(1, len(pairs) - 1)
    return [pair for place, pair in enumerate(pairs) if pair[1] > pair[0] or place in inner]


def air_lines(
    air: Air, scale: Scale, *, most: int = MOST_POINTS
) -> tuple[tuple[tuple[Point, ...], ...], tuple[tuple[Point, ...], ...]]:
    """
    Return the air as lines, one between each two gaps, and what encloses least and greatest of its steps.

    A reading that stands alone is a line of one point. Of more than ``most`` readings steps are drawn.
    """
    lines: list[tuple[Point, ...]] = []
    bands: list[tuple[Point, ...]] = []
    is_dense = air.at_s.size > most
    step_s = (scale.until_s - scale.from_s) / most
    for begin, over in _measured(air):
        part = air.cut(begin, over) if over > begin else None
        if part is None:
            lines.append(((scale.x(begin), scale.y(float(np.interp(begin, air.at_s, air.temp_c)))),))
        elif not is_dense:
            lines.append(_points(part.at_s, part.temp_c, scale))
        else:
            steps = in_steps(part, step_s)
            ends = np.append(steps.at_s[1:], over)
            middle = (steps.at_s + ends) / 2
            # Drawn to the very edges, so that only gaps look like gaps.
            at = np.concatenate([[begin], middle, [over]])
            mean = np.concatenate([part.temp_c[:1], steps.mean_c, part.temp_c[-1:]])
            lines.append(_points(at, mean, scale))
            bands.append(
                _points(middle, steps.max_c, scale) + _points(middle[::-1], steps.min_c[::-1], scale)
            )
    return tuple(lines), tuple(bands)


def _points(at_s: FloatArray, temp_c: FloatArray, scale: Scale) -> tuple[Point, ...]:
    return tuple((scale.x(float(at)), scale.y(float(temp))) for at, temp in zip(at_s, temp_c, strict=True))


def course_points(core: Course, scale: Scale) -> tuple[Point, ...]:
    """Return a course as a line, of as many points as a picture shows."""
    at_s = core.at_s
    if at_s.size > MOST_POINTS:
        at_s = np.linspace(float(at_s[0]), float(at_s[-1]), MOST_POINTS)
    inside = (at_s >= scale.from_s) & (at_s <= scale.until_s)
    return _points(at_s[inside], np.interp(at_s[inside], core.at_s, core.temp_c), scale)


def _extremes(air: Air, scale: Scale) -> tuple[Mark, Mark]:
    coldest, warmest = int(np.argmin(air.temp_c)), int(np.argmax(air.temp_c))
    return _mark(float(air.at_s[coldest]), air, scale), _mark(float(air.at_s[warmest]), air, scale)


def _mark(at_s: float, air: Air, scale: Scale) -> Mark:
    temp_c = float(np.interp(at_s, air.at_s, air.temp_c))
    return Mark(scale.x(at_s), scale.y(temp_c), at_s, temp_c)


def y_range(low_c: float, high_c: float) -> tuple[float, float, float]:
    """Return an axis' ends and step: whole steps of 1, 2 or 5 times a power of ten around the values."""
    span = max(high_c - low_c, 1.0)
    rough = span / (MOST_Y_TICKS - 2)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= rough)
    # A value on the frame could not be told from the frame.
    low = math.floor((low_c - step / 4) / step) * step
    high = math.ceil((high_c + step / 4) / step) * step
    return low, high, step


def even_steps(low: float, high: float, step: float) -> list[float]:
    """Return the marks of an axis, its ends included."""
    return [round(low + number * step, 6) for number in range(round((high - low) / step) + 1)]


def x_ticks(from_s: float, until_s: float, day_starts_s: float) -> list[float]:
    """Return the instants to be marked: round hours counted from a midnight. [s since 1970]"""
    hours = (until_s - from_s) / 3600
    step_s = 3600 * next((step for step in X_STEPS_H if hours / step <= MOST_X_TICKS), X_STEPS_H[-1])
    first = math.ceil((from_s - day_starts_s) / step_s)
    last = math.floor((until_s - day_starts_s) / step_s)
    return [day_starts_s + number * step_s for number in range(first, last + 1)]
