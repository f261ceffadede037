"""The air of a room in steps of one length: least, mean over time, greatest, how much of it was measured."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from rimekeep.climate.core.air import Air, Joined
from rimekeep.climate.core.hours import HOUR_S, Hours
from rimekeep.climate.core.offsets import NONE as NO_OFFSETS
from rimekeep.climate.core.offsets import Offsets
from rimekeep.climate.core.readings import FloatArray
from rimekeep.errors import invalid
from rimekeep.wording import say

AIR_HEADER = "at,min_c,mean_c,max_c,bridged_s,thinned_s,sensors,offsets_c\r\n"


@dataclass(frozen=True, slots=True)
class Steps:
    """
    Air in steps: arrays of one shape (n,), ``at_s`` being each step's start.

    ``bridged_s`` is how long nobody measured, ``thinned_s`` how much is known by the figures of hours only:
    of a step that cuts such an hour in two, least and greatest are those of all the hour. [s, °C]
    """

    at_s: FloatArray
    min_c: FloatArray
    mean_c: FloatArray
    max_c: FloatArray
    bridged_s: FloatArray
    thinned_s: FloatArray

    def rows(self) -> Iterator[tuple[float, float, float, float, float, float]]:
        """Return step after step."""
        columns = (self.at_s, self.min_c, self.mean_c, self.max_c, self.bridged_s, self.thinned_s)
        return zip(*(column.tolist() for column in columns), strict=True)


@dataclass(frozen=True, slots=True)
class Sums:
    """What adds up over steps, from readings and from hours: arrays of one shape (n,). [s, °C·s, °C]"""

    length_s: FloatArray
    area_cs: FloatArray
    min_c: FloatArray
    max_c: FloatArray
    bridged_s: FloatArray
    thinned_s: FloatArray

    def plus(self, other: "Sums") -> "Sums":
        """Return both together."""
        return Sums(
            self.length_s + other.length_s,
            self.area_cs + other.area_cs,
            np.minimum(self.min_c, other.min_c),
            np.maximum(self.max_c, other.max_c),
            self.bridged_s + other.bridged_s,
            self.thinned_s + other.thinned_s,
        )

    def steps(self, edges_s: FloatArray) -> Steps:
        """Return the steps between ``edges_s``, shape (n + 1,), each of them covered at least in part."""
        mean_c = np.clip(self.area_cs / self.length_s, self.min_c, self.max_c)
        return Steps(edges_s[:-1], self.min_c, mean_c, self.max_c, self.bridged_s, self.thinned_s)


def step_edges(from_s: float, to_s: float, step_s: float) -> FloatArray:
    """Return the edges of steps from one instant to a later one; the last step may be shorter."""
    if not step_s > 0:
        raise invalid(
            "step_s", say("{step_s} is not a length of time.", step_s=step_s), say("Give seconds above zero.")
        )
    if not to_s > from_s:
        raise invalid(
            "to", say("The stretch is empty or ends before it begins."), say("Give an end after the start.")
        )
    return np.append(np.arange(from_s, to_s, step_s), to_s)


def in_steps(air: Air, step_s: float) -> Steps:
    """
    Return the least, the mean over time and the greatest air of each step; the last step may be shorter.

    Examples
    --------
    >>> air = Air(np.array([0.0, 600.0, 1200.0]), np.array([2.0, 4.0, 4.0]), np.empty((0, 2)))
    >>> in_steps(air, 600).mean_c.tolist()
    [3.0, 4.0]
    """
    edges = step_edges(float(air.at_s[0]), float(air.at_s[-1]), step_s)
    return sums_of_air(air, edges).steps(edges)


def sums_of_air(air: Air, edges_s: FloatArray) -> Sums:
    """Return what a course of air adds to the steps between ``edges_s``, which may reach beyond it."""
    edges = np.clip(edges_s, air.at_s[0], air.at_s[-1])
    length = np.diff(edges)
    real = length > 0
    at = np.union1d(air.at_s, edges)
    temp = np.interp(at, air.at_s, air.temp_c)
    area = np.concatenate([[0.0], np.cumsum(np.diff(at) * (temp[1:] + temp[:-1]) / 2)])
    place = np.searchsorted(at, edges)
    first, last = place[:-1][real], place[1:][real]
    low, high = np.full(length.size, np.inf), np.full(length.size, -np.inf)
    if first.size:
        low[real] = np.minimum(np.minimum.reduceat(temp, first), temp[last])
        high[real] = np.maximum(np.maximum.reduceat(temp, first), temp[last])
    return Sums(
        length, np.diff(area[place]), low, high, _covered(air.bridged_s, edges), np.zeros(length.size)
    )


def _covered(stretches: FloatArray, edges: FloatArray) -> FloatArray:
    """Return how much of each step lies in stretches, which ascend and do not meet. [s]"""
    if not stretches.size:
        return np.zeros(edges.size - 1)
    ends = np.maximum.accumulate(stretches.ravel())
    so_far = np.repeat(np.concatenate([[0.0], np.cumsum(stretches[:, 1] - stretches[:, 0])]), 2)[1:-1]
    return np.diff(np.interp(edges, ends, so_far))


def sums_of_hours(hours: Hours, edges_s: FloatArray, until_s: float) -> Sums:
    """
    Return what whole hours without a hole between them add to the steps, up to an instant.

    Parameters
    ----------
    hours
        Consecutive ones, from the hour of the first edge on, up to ``until_s`` at least.
    edges_s
        Of the steps, ascending, shape (n + 1,). [s since 1970]
    until_s
        Where readings take over: the end of an hour, after the first edge. [s since 1970]
    """
    starts = hours.hour * HOUR_S
    edges = np.clip(edges_s, None, until_s)
    inside = starts[(starts > edges[0]) & (starts < edges[-1])]
    cuts = np.union1d(edges, inside)
    length = np.diff(cuts)
    # Each piece between two cuts lies in one hour and in one step.
    hour = np.searchsorted(starts, cuts[:-1], side="right") - 1
    step = np.searchsorted(edges, cuts[:-1], side="right") - 1
    count = edges.size - 1
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, step, hours.min_c[hour])
    np.maximum.at(high, step, hours.max_c[hour])
    silent = 1 - hours.heard_s[hour] / HOUR_S
    return Sums(
        np.diff(edges),
        np.bincount(step, weights=length * hours.mean_c[hour], minlength=count).astype(np.float64),
        low,
        high,
        np.bincount(step, weights=length * silent, minlength=count).astype(np.float64),
        np.diff(edges),
    )


def speakers(joined: Joined, edges_s: FloatArray) -> list[tuple[int, ...]]:
    """Return for each step the sensors with a reading in it, or else the one that spoke last before it."""
    before = joined.sensor_id[np.maximum(np.searchsorted(joined.at_s, edges_s[:-1], side="right") - 1, 0)]
    found: list[tuple[int, ...]] = [()] * (edges_s.size - 1)
    for sensor_id in np.unique(joined.sensor_id).tolist():
        places = np.searchsorted(joined.at_s[joined.sensor_id == sensor_id], edges_s)
        for step in np.flatnonzero(np.diff(places)).tolist():
            found[step] = (*found[step], sensor_id)
    return [one or (int(last),) for one, last in zip(found, before, strict=True)]


def lines(
    steps: Steps,
    spoken: Sequence[tuple[int, ...]],
    codes: Mapping[int, str],
    offsets: Mapping[int, Offsets],
) -> str:
    """
    Return steps as lines of a table with the columns of ``AIR_HEADER``.

    Codes hold no commas or spaces; of several sensors in one step a space stands between codes and between
    offsets. An offset is that in force when the step begins.
    """
    # Each sensor's offset at every step, looked up in one go.
    added = {
        sensor_id: offsets.get(sensor_id, NO_OFFSETS).applied(steps.at_s * 1000, np.zeros(steps.at_s.size))
        for sensor_id in {sensor_id for one in spoken for sensor_id in one}
    }
    written = []
    for place, (at_s, low, mean, high, bridged, thinned) in enumerate(steps.rows()):
        at = datetime.fromtimestamp(at_s, UTC).isoformat().replace("+00:00", "Z")
        names = " ".join(codes[sensor_id] for sensor_id in spoken[place])
        offset = " ".join(f"{added[sensor_id][place]:g}" for sensor_id in spoken[place])
        written.append(
            f"{at},{low:.3f},{mean:.3f},{high:.3f},{bridged:.0f},{thinned:.0f},{names},{offset}\r\n"
        )
    return "".join(written)
