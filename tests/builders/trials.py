"""Invented trials of forced ageing, drawn from a known law."""

from __future__ import annotations

from typing import Any

import numpy as np

from rimekeep.shelflife.core.fitted import Fit
from rimekeep.shelflife.core.forced_fit import fit_forced_ageing
from rimekeep.shelflife.core.routes import AnyRoute, Route, route_from

TRUE = {"arrhenius": ("activation_kj_mol", 95.0), "q10": ("q10", 3.2), "square root": ("t_min_c", -3.0)}
Data = list[tuple[float, float, float]]
TRUTH = Route("staling", 20, 90, 95)


def true_route(form: str, life_days: float = 90.0, parameter: float | None = None) -> AnyRoute:
    field, value = TRUE[form]
    stored = {"form": form, "name": "truth", "reference_c": 20.0, "reference_life_days": life_days}
    return route_from({**stored, field: value if parameter is None else parameter})


def aged(
    route: AnyRoute,
    *,
    kinetics: str = "zero-order",
    scatter: float = 0.0,
    seed: int = 0,
    temps_c: tuple[float, ...] = (4.0, 20.0, 30.0, 37.0),
    replicates: int = 2,
    shares: tuple[float, ...] = (0.0, 0.25, 0.5, 0.75, 1.0),
    start: float = 8.0,
    limit: float = 4.0,
) -> Data:
    """Scores that fall from 8 to the limit 4 in one life, with normal scatter."""
    rng = np.random.default_rng(seed)
    data = []
    for temp_c in temps_c:
        life = 1 / route.rate_per_day(temp_c)
        for share in shares:
            day = round(min(share * life, 250.0), 1)
            used = day / life
            score = (
                start + (limit - start) * used
                if kinetics == "zero-order"
                else start * (limit / start) ** used
            )
            data += [(temp_c, day, score + scatter * float(rng.standard_normal())) for _ in range(replicates)]
    return data


def fitted(data: Data, **changed: Any) -> Fit:
    return fit_forced_ageing(data, **{"direction": "falls", "limit": 4.0, "reference_c": 20.0, **changed})


def samples(
    temps_c: tuple[float, ...] = (4.0, 20.0, 30.0, 37.0), *, scatter: float = 0.1, seed: int = 2
) -> list[tuple[float, float, float]]:
    """Two bottles a day of scoring, from 8 falling to 4 in one life by TRUTH."""
    rng = np.random.default_rng(seed)
    return [
        (
            temp_c,
            day,
            round(8 - 4 * day * TRUTH.rate_per_day(temp_c) + scatter * float(rng.standard_normal()), 3),
        )
        for temp_c in temps_c
        for day in (
            round(min(share / TRUTH.rate_per_day(temp_c), 250)) for share in (0, 0.25, 0.5, 0.75, 1.0)
        )
        for _ in range(2)
    ]


def body(data: list[tuple[float, float, float]] | None = None, **changed: Any) -> dict[str, Any]:
    shown = [{"temp_c": temp_c, "day": day, "score": score} for temp_c, day, score in data or samples()]
    return {
        "route": "staling",
        "observations": shown,
        "direction": "falls",
        "limit": 4,
        "reference_c": 20,
        "source": "forced ageing, spring, invented",
        **changed,
    }
