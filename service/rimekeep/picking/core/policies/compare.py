"""Policies side by side: means with confidence intervals, and paired differences."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

from scipy import special

from rimekeep.errors import invalid
from rimekeep.picking.core.policies.replay import Floats, Policy, Replayed, World, replay


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean over replications and its confidence interval by Student's t."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """
    Measures by policy and measure, and each policy's paired difference to ``baseline``.

    Measures are the fields of `Replayed`. Pairing means that a replication has the same lots, exposures and
    demand under every policy (common random numbers), so that differences scatter less than the means.
    """

    replications: int
    confidence: float
    baseline: Policy
    measures: dict[Policy, dict[str, Estimate]]
    differences: dict[Policy, dict[str, Estimate]]


def estimate(values: Floats, confidence: float = 0.95) -> Estimate:
    """
    Return the mean of independent replications, shape (n ≥ 2,), and its interval by Student's t.

    >>> import numpy as np
    >>> estimate(np.array([1.0, 2.0, 3.0]))
    Estimate(mean=2.0, low=-0.4841..., high=4.4841...)
    """
    mean = float(values.mean())
    critical = float(special.stdtrit(len(values) - 1, (1 + confidence) / 2))
    half = critical * float(values.std(ddof=1)) / len(values) ** 0.5
    return Estimate(mean, mean - half, mean + half)


def compare(
    world: World,
    *,
    policies: Sequence[Policy] = tuple(Policy),
    baseline: Policy = Policy.LABEL,
    confidence: float = 0.95,
) -> Comparison:
    """Return what each policy makes of the same world, and its paired differences to ``baseline``."""
    if not 0.5 <= confidence < 1:
        raise invalid("confidence", f"{confidence} is not from 0.5 to below 1.", "Try 0.95.")
    found = {policy: replay(world, policy) for policy in {*policies, baseline}}
    chosen = [policy for policy in Policy if policy in found]
    return Comparison(
        len(world.arrives),
        confidence,
        baseline,
        {policy: _estimates(_columns(found[policy]), confidence) for policy in chosen},
        {
            policy: _estimates(
                {
                    name: values - getattr(found[baseline], name)
                    for name, values in _columns(found[policy]).items()
                },
                confidence,
            )
            for policy in chosen
            if policy is not baseline
        },
    )


def _columns(replayed: Replayed) -> dict[str, Floats]:
    return {one.name: getattr(replayed, one.name) for one in fields(replayed)}


def _estimates(columns: Mapping[str, Floats], confidence: float) -> dict[str, Estimate]:
    return {name: estimate(values, confidence) for name, values in columns.items()}
