"""An invented store to try policies on, aged by the same law as real stock."""

import math
from dataclasses import dataclass, field

import numpy as np

from rimekeep.errors import invalid
from rimekeep.picking.core.policies.replay import World
from rimekeep.shelflife.core.exposure import Route

LARGEST = 4_000_000  # lots, or days of demand, over all replications


@dataclass(frozen=True, slots=True)
class Scenario:
    """
    One product of an invented brewery; every default is invented.

    A lot is packaged every ``days_between_lots`` and lasts ``life_days`` if kept at ``planned_c``, which is
    also what its label says. A ``warm_share`` of the lots stood warm for a gamma-distributed time (mean
    ``warm_hours``, shape 2) at ``warm_c`` (normal) before it came in, up to ``most_lag_days`` after
    packaging. Each class of customer asks for a share of the label's life and takes, on average, its part of
    ``daily_cases`` (negative binomial; ``scatter`` is variance over mean, 1 or more). Supply is demand times
    ``supply_ratio``, and ``cover_days`` of it are in store on the first day.

    The activation energy is that of furfural formation in pasteurised beer: Kvasny Prumysl 24(2) 30-32
    (1978), DOI 10.18832/kp1978005; fitted at 20-37 °C, so that colder figures are an extrapolation.
    """

    days: int = 180
    life_days: float = 90.0
    planned_c: float = 4.0
    activation_kj_mol: float = 101.8
    days_between_lots: int = 2
    warm_share: float = 0.3
    warm_hours: float = 36.0
    warm_c: float = 22.0
    warm_sd_c: float = 3.0
    most_lag_days: int = 4
    daily_cases: float = 60.0
    scatter: float = 4.0
    supply_ratio: float = 1.03
    cover_days: int = 30
    min_life_shares: tuple[float, ...] = (0.25, 0.4, 0.55)
    class_shares: tuple[float, ...] = field(default=(0.3, 0.4, 0.3))

    def __post_init__(self) -> None:
        """Refuse what no store is like."""
        bounds = {
            "days": (1, 3650),
            "life_days": (1, 3650),
            "planned_c": (-5, 40),
            "activation_kj_mol": (1, 400),
            "days_between_lots": (1, 365),
            "warm_share": (0, 1),
            "warm_hours": (0, 2000),
            "warm_c": (-5, 50),
            "warm_sd_c": (0, 15),
            "most_lag_days": (0, 365),
            "daily_cases": (0.01, 1e6),
            "scatter": (1, 1000),
            "supply_ratio": (0, 10),
            "cover_days": (0, 3650),
        }
        for name, (low, high) in bounds.items():
            value = float(getattr(self, name))
            if not low <= value <= high:  # false for nan, too
                raise invalid(name, f"{value:g} is not from {low:g} to {high:g}.", "Give a value in there.")
        shares = self.class_shares
        is_sound = all(math.isfinite(one) and one >= 0 for one in (*self.min_life_shares, *shares))
        if not is_sound or len(self.min_life_shares) != len(shares) or not math.isclose(sum(shares), 1):
            raise invalid(
                "class_shares",
                "They do not add up to 1, one for each minimum life.",
                "Give as many as there are.",
            )
        if max(self.min_life_shares) > 1:
            raise invalid("min_life_shares", "A share above 1 is more than the whole life.", "Give 0 to 1.")


def invented_world(scenario: Scenario, *, replications: int, seed: int) -> World:
    """
    Return lots and demand of an invented store, as many times as asked, for `replay`.

    Each replication has random numbers of its own, which do not depend on how many there are; the ageing is
    that of `Route`: time at ``warm_c`` uses life by the ratio of the rates.
    """
    if not 2 <= replications <= 10_000:
        raise invalid("replications", f"{replications} is not from 2 to 10000.", "Try 40.")
    packaged = np.arange(-scenario.cover_days, scenario.days, scenario.days_between_lots)
    most = max(len(packaged), scenario.days * len(scenario.class_shares))
    if most * replications > LARGEST:
        raise invalid("replications", "That is too much at once.", "Ask for fewer replications or days.")
    route = Route("staling", scenario.planned_c, scenario.life_days, scenario.activation_kj_mol)
    shape = replications, len(packaged)
    lag, true_end = np.empty(shape, np.int64), np.empty(shape, np.int64)
    wanted = np.empty((replications, scenario.days, len(scenario.class_shares)), np.int64)
    label_end = np.broadcast_to(packaged + math.floor(scenario.life_days), shape)
    mean = scenario.daily_cases * np.array(scenario.class_shares)
    for run, source in enumerate(np.random.SeedSequence(seed).spawn(replications)):
        draw = np.random.default_rng(source)
        hours = np.where(
            draw.random(len(packaged)) < scenario.warm_share,
            draw.gamma(2.0, scenario.warm_hours / 2, len(packaged)),
            0.0,
        )
        warm_c = np.clip(draw.normal(scenario.warm_c, scenario.warm_sd_c, len(packaged)), -5, 60)
        lag[run] = draw.integers(0, scenario.most_lag_days + 1, len(packaged))
        wanted[run] = _demand(draw, mean, scenario)
        used = np.minimum(route.rates(warm_c) * hours / 24, 1.0)
        end = hours / 24 + (1 - used) * scenario.life_days
        true_end[run] = packaged + np.floor(end + 1e-9).astype(np.int64)
    cases = round(scenario.daily_cases * scenario.supply_ratio * scenario.days_between_lots)
    needed = np.floor(np.array(scenario.min_life_shares) * scenario.life_days).astype(np.int64)
    return World(
        packaged + lag, np.full(shape, cases), label_end, np.minimum(true_end, label_end), wanted, needed
    )


def _demand(
    draw: np.random.Generator, mean: np.ndarray[tuple[int], np.dtype[np.float64]], scenario: Scenario
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    shape = scenario.days, len(mean)
    if scenario.scatter == 1:
        return draw.poisson(mean, shape)
    # A gamma mixture of Poissons: negative binomial, and fine with a mean of zero.
    rate = draw.gamma(np.maximum(mean, 1e-12) / (scenario.scatter - 1), scenario.scatter - 1, shape)
    return draw.poisson(rate)
