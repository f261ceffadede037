"""Forced ageing: scores of beer kept at several temperatures for some days, checked one by one."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rimekeep.errors import Fault, Invalid, Refused, invalid, refused
from rimekeep.shelflife.core.kinetics import FloatArray
from rimekeep.wording import say

MAX_POINTS = 2_000
# Haze is forced at 60 °C, flavour at 20 to 40 (from memory); a room's °F in place of °C lies above.
TRIED_C = (-10.0, 65.0)
LONGEST_TRIAL_DAYS = 3_650.0
LARGEST_SCORE = 1e9


class Direction(StrEnum):
    """Where the score goes as the beer ages."""

    FALLS = "falls"
    RISES = "rises"


class Kinetics(StrEnum):
    """How the score moves in time at one temperature: by equal steps, or by equal shares of itself."""

    ZERO_ORDER = "zero-order"
    FIRST_ORDER = "first-order"


@dataclass(frozen=True, slots=True)
class Trial:
    """
    Scores measured in forced ageing: three arrays of shape (n,).

    ``limit`` is the score at which the beer counts as spent, ``start_score`` that of fresh beer, None to have
    it fitted. [°C, days, any one scale]
    """

    temps_c: FloatArray
    days: FloatArray
    scores: FloatArray
    direction: Direction
    limit: float
    start_score: float | None
    kinetics: Kinetics

    @property
    def sign(self) -> int:
        """Return +1 when the score rises as the beer ages, −1 when it falls."""
        return 1 if self.direction is Direction.RISES else -1


def trial(
    observations: Sequence[tuple[float, float, float]],
    *,
    direction: Direction,
    limit: float,
    start_score: float | None = None,
    kinetics: Kinetics = Kinetics.ZERO_ORDER,
) -> Trial:
    """
    Return checked forced-ageing data.

    Parameters
    ----------
    observations
        Temperature, day since the start and score of each sample; replicates as often as measured; 3…2000.
        [°C, days, any one scale]
    direction
        Whether the score falls or rises as the beer ages.
    limit
        Score at which the beer counts as spent.
    start_score
        Score of fresh beer where it is known; None: fitted, common to all temperatures.
    kinetics
        First-order needs every score, the limit and the start above zero.

    Raises
    ------
    Invalid
        A value is not a number, not plausible, or on the wrong side; names the observation.
    """
    if len(observations) > MAX_POINTS:
        raise invalid(
            "observations",
            say("There are {n}.", n=len(observations)),
            say("Give at most {MAX_POINTS}.", MAX_POINTS=MAX_POINTS),
        )
    faults = []
    low_c, high_c = TRIED_C
    bounds = (
        ("temp_c", low_c, high_c, say("Give °C; look for Fahrenheit or kelvin.")),
        ("day", 0.0, LONGEST_TRIAL_DAYS, say("Give days since the start of the trial.")),
        ("score", -LARGEST_SCORE, LARGEST_SCORE, say("Give the score as a number, or leave the sample out.")),
    )
    for place, observation in enumerate(observations):
        for (field, least, most, mend), value in zip(bounds, observation, strict=True):
            if not least <= value <= most:
                detail = say(
                    "{value} is not from {least:g} to {most:g}.", value=value, least=least, most=most
                )
                faults.append(Fault(f"observations[{place}].{field}", detail, mend))
    for field, value in (("limit", limit), ("start_score", 0.0 if start_score is None else start_score)):
        if not abs(value) <= LARGEST_SCORE:
            faults.append(
                Fault(
                    field,
                    say("{value} is not a score.", value=value),
                    say("Give a number on the scale of the data."),
                )
            )
    if faults:
        raise Invalid(
            "invalid-input", say("The observations cannot be used as they are."), tuple(faults[:50])
        )
    temps, days, scores = np.asarray(observations, dtype=np.float64).reshape(-1, 3).T
    if kinetics is Kinetics.FIRST_ORDER:
        _check_above_zero(scores, limit, start_score)
    given = Trial(temps, days, scores, direction, float(limit), start_score, kinetics)
    if start_score is not None and given.sign * (limit - start_score) <= 0:
        raise wrong_side(given, start_score)
    return given


def _check_above_zero(scores: FloatArray, limit: float, start_score: float | None) -> None:
    mend = say("Use zero-order kinetics, or a scale whose end is above zero.")
    for field, value in (("limit", limit), ("start_score", start_score)):
        if value is not None and value <= 0:
            raise invalid(field, say("First-order change never reaches {value:g}.", value=value), mend)
    for place in np.flatnonzero(scores <= 0)[:1]:
        raise invalid(
            f"observations[{place}].score",
            say("First-order change never reaches {scores:g}.", scores=scores[place]),
            mend,
        )


def wrong_side(given: Trial, start: float) -> Refused:
    """Return the refusal of a limit that lies behind the start."""
    moves = say("below") if given.direction is Direction.FALLS else say("above")
    return refused(
        "limit-behind-start",
        "limit",
        say(
            "A score that {direction} from {start:.4g} does not reach the limit {limit:g}.",
            direction=given.direction,
            start=start,
            limit=given.limit,
        ),
        say("The limit must lie {moves} the start; check it and the direction.", moves=moves),
        {"start_score": start, "limit": given.limit},
    )


def nothing_moved() -> Refused:
    """Return the refusal of scores that stand still."""
    return refused(
        "nothing-moved",
        "observations",
        say("No score moved towards the limit by more than chance."),
        say("Run the trial longer, or warmer."),
    )
