"""The picture of a fit to forced-ageing data: samples, and the fitted course at each temperature."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rimekeep.excursions.core.chart import Box, Point, Scale, Tick, even_steps, y_range
from rimekeep.shelflife.core.trial import Kinetics

WIDTH, HEIGHT = 720.0, 320.0
PLOT = Box(52, 14, 656, 268)
CURVE_POINTS = 40
DAYS_A_TICK = (1, 2, 5, 7, 10, 14, 20, 30, 50, 60, 90, 120, 180, 365, 730)
MOST_TICKS = 10


@dataclass(frozen=True, slots=True)
class Series:
    """What was kept at one temperature: its samples, and the fitted course up to the last of them."""

    temp_c: float
    samples: tuple[Point, ...]
    curve: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class FitPicture:
    """All that is to be drawn of a fit, in pixels, y downwards."""

    width: float
    height: float
    plot: Box
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    series: tuple[Series, ...]
    limit_y: float


def fit_picture(
    points: Sequence[Mapping[str, Any]], *, start: float, limit: float, kinetics: str
) -> FitPicture:
    """
    Lay out the picture of a fit.

    ``points`` are samples with ``temp_c``, ``day``, ``score`` and ``fitted``. At one temperature the fitted
    score goes from ``start`` by equal steps in time, or by equal shares of itself: its value at the last
    sample's day tells the whole course.

    Examples
    --------
    >>> told = {"temp_c": 30.0, "day": 10.0, "score": 5.2, "fitted": 5.0}
    >>> picture = fit_picture([told], start=8.0, limit=4.0, kinetics="zero-order")
    >>> [one.temp_c for one in picture.series], [tick.value for tick in picture.x_ticks][-1]
    ([30.0], 10.0)
    """
    values = [start, limit, *(one[name] for one in points for name in ("score", "fitted"))]
    low, high, step = y_range(min(values), max(values))
    days = max(max(one["day"] for one in points), 1.0)
    scale = Scale(0.0, days, low, high, PLOT)
    day_step = next((one for one in DAYS_A_TICK if days / one <= MOST_TICKS), DAYS_A_TICK[-1])
    series = []
    for temp_c in sorted({one["temp_c"] for one in points}):
        own = [one for one in points if one["temp_c"] == temp_c]
        last = max(own, key=lambda one: float(one["day"]))
        at = np.linspace(0.0, last["day"], CURVE_POINTS)
        share = at / last["day"] if last["day"] else np.zeros(CURVE_POINTS)
        fitted = (
            start * (last["fitted"] / start) ** share
            if kinetics == Kinetics.FIRST_ORDER
            else start + (last["fitted"] - start) * share
        )
        series.append(
            Series(
                temp_c,
                tuple((scale.x(one["day"]), scale.y(one["score"])) for one in own),
                tuple(
                    (scale.x(float(day)), scale.y(float(score)))
                    for day, score in zip(at, fitted, strict=True)
                ),
            )
        )
    return FitPicture(
        WIDTH,
        HEIGHT,
        PLOT,
        tuple(Tick(scale.x(day), float(day)) for day in range(0, int(days) + 1, day_step)),
        tuple(Tick(scale.y(value), value) for value in even_steps(low, high, step)),
        tuple(series),
        scale.y(limit),
    )
