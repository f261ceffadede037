"""What is on board, load by load, while the air moves."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rimekeep.loading.core.box import QUICKEST_TAU_S, Goods
from rimekeep.loading.core.decays import FloatArray


@dataclass(frozen=True, slots=True)
class Load:
    """
    Goods for one drop, known by ``key``: heat they hold, time constant, core at departure. [J/K, s, °C]

    ``part`` is the compartment they stand in, from 0 at the front wall.
    """

    key: int
    drop: int
    heat_j_k: float
    tau_s: float
    core_c: float
    part: int = 0


@dataclass(frozen=True, slots=True)
class Aboard:
    """
    What is on board, each load with its own core.

    Loads of one time constant differ from their mean by what dies away with it, so that the mean decides how
    the air moves and each core follows from it exactly.
    """

    loads: tuple[Load, ...]
    cores: FloatArray
    heat: FloatArray
    taus: FloatArray
    tau_s: tuple[float, ...]

    @classmethod
    def of(cls, loads: Sequence[Load], cores: FloatArray | None = None) -> "Aboard":
        taus = np.array([max(one.tau_s, QUICKEST_TAU_S) for one in loads])
        own = np.array([one.core_c for one in loads]) if cores is None else cores
        heat = np.array([one.heat_j_k for one in loads])
        return cls(tuple(loads), own, heat, taus, tuple(sorted(set(taus.tolist()))))

    @property
    def goods(self) -> tuple[Goods, ...]:
        """Return the loads of each time constant together."""
        found = []
        for tau_s in self.tau_s:
            here = self.taus == tau_s
            heat = float(self.heat[here].sum())
            found.append(Goods(tau_s, heat, float(self.heat[here] @ self.cores[here]) / heat))
        return tuple(found)

    def moved(self, goods: Sequence[Goods], span_s: float) -> "Aboard":
        """Return the same after a time at whose end the means are these."""
        cores = self.cores.copy()
        for before, after in zip(self.goods, goods, strict=True):
            here = self.taus == before.tau_s
            decay = np.exp(-span_s / before.tau_s)
            cores[here] = after.temp_c + (cores[here] - before.temp_c) * decay
        return replace(self, cores=cores)

    @property
    def heat_over_0_j(self) -> float:
        """Return the heat held over 0 °C."""
        return float(self.heat @ self.cores)

    def cores_of(self, drop: int | None) -> dict[int, float]:
        """Return the cores of a drop's loads; None: of all that is left."""
        pairs = zip(self.loads, self.cores.tolist(), strict=True)
        return {load.key: core_c for load, core_c in pairs if drop is None or load.drop == drop}

    def without(self, drop: int) -> "Aboard":
        """Return what is left after a drop."""
        kept = [k for k, load in enumerate(self.loads) if load.drop != drop]
        return Aboard.of([self.loads[k] for k in kept], self.cores[kept])
