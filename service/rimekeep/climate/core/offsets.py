"""What calibrations add to a sensor's raw readings, from an instant on."""

from dataclasses import dataclass

import numpy as np

from rimekeep.climate.core.readings import FloatArray

# More than any honest probe is off; a sensor that needs more is broken (our own convention).
MAX_OFFSET_C = 10.0


@dataclass(frozen=True, slots=True)
class Offsets:
    """
    Steps of one sensor: ``offset_c[i]`` holds from ``from_ms[i]`` on, nothing is added before the first.

    Arrays of one shape (n,), instants ascending; of steps that begin at one instant the last holds.
    [ms since 1970, K]
    """

    from_ms: FloatArray
    offset_c: FloatArray

    def applied(self, at_ms: FloatArray, raw_c: FloatArray) -> FloatArray:
        """
        Return the true °C of raw readings.

        Examples
        --------
        >>> steps = Offsets(np.array([600.0]), np.array([-0.5]))
        >>> steps.applied(np.array([0.0, 600.0]), np.array([3.0, 3.0])).tolist()
        [3.0, 2.5]
        """
        added = np.concatenate(([0.0], self.offset_c))
        return np.asarray(raw_c + added[np.searchsorted(self.from_ms, at_ms, side="right")])

    def at(self, at_ms: int) -> float:
        """Return what is added at an instant. [K]"""
        place = int(np.searchsorted(self.from_ms, at_ms, side="right"))
        return float(self.offset_c[place - 1]) if place else 0.0


NONE = Offsets(np.empty(0), np.empty(0))
