"""Solver effort: counted, not clocked, told about on the way, and stopped when asked to."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass

from ortools.sat.python import cp_model

from rimekeep.loading.core.exact_loader import solver

_PATIENCE_S = 0.25


@dataclass(frozen=True, slots=True)
class Progress:
    """
    How far planning has come.

    ``vehicles`` is what the best plan so far takes (None: there is none yet), ``lower_bound`` what any plan
    takes at least as proven so far, ``share_spent`` the part of the effort that is gone, 0 to 1.
    """

    stage: str
    vehicles: int | None
    lower_bound: int
    share_spent: float


Tell = Callable[[Progress], bool]
"""Hears of progress and answers whether to go on; called in the thread that plans."""


class Budget:
    """Solver effort still to spend, in the solver's own deterministic units (about a second each)."""

    def __init__(self, effort: float, seed: int, tell: Tell | None = None) -> None:
        self.effort = effort
        self.left = effort
        self.seed = seed
        self.is_stopped = False
        self._tell = tell
        self._last = Progress("reading", None, 0, 0.0)

    @property
    def is_told(self) -> bool:
        """Whether anybody hears of progress."""
        return self._tell is not None

    def report(
        self, stage: str | None = None, *, vehicles: int | None = None, lower_bound: int | None = None
    ) -> None:
        """Tell how far it is (what is not given stays as it was), and stop spending when told to."""
        last = self._last
        self._last = Progress(
            stage or last.stage,
            last.vehicles if vehicles is None else vehicles,
            last.lower_bound if lower_bound is None else lower_bound,
            1.0 - self.left / self.effort if self.effort > 0 else 1.0,
        )
        if self._tell is not None and not self.is_stopped and not self._tell(self._last):
            self.is_stopped = True
            self.left = 0.0

    def solve(
        self, model: cp_model.CpModel, most: float
    ) -> tuple[cp_model.CpSolver, cp_model.CpSolverStatus]:
        """Solve with at most ``most`` of what is left, and pay for it."""
        search = solver(max(0.001, min(most, self.left)), self.seed)
        if self._tell is None:
            status = search.solve(model)
        else:
            status = self._solve_watched(search, model)
        self.left = max(0.0, self.left - search.response_proto.deterministic_time)
        return search, status

    def spend(self, effort: float) -> None:
        """Pay for work done outside the solver."""
        self.left = max(0.0, self.left - effort)

    def _solve_watched(self, search: cp_model.CpSolver, model: cp_model.CpModel) -> cp_model.CpSolverStatus:
        """Solve beside this thread, which goes on telling and stops the search when told to."""
        with ThreadPoolExecutor(1) as beside:
            solving = beside.submit(search.solve, model)
            while not wait([solving], _PATIENCE_S).done:
                self.report()
                if self.is_stopped:
                    search.stop_search()
            return solving.result()
