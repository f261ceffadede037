"""How one product ages and when it freezes."""

import math
from dataclasses import dataclass

from rimekeep.shelflife.core.routes import AnyRoute


@dataclass(frozen=True, slots=True)
class Profile:
    """
    One version of how a product ages; ``planned_c`` is where it is kept from now on.

    With an oxygen exponent m, a lot packaged with more oxygen than ``oxygen_ref_ppb`` has its lives scaled by
    (reference/oxygen)^m. No published law gives m: it is zero until QA sets it.
    """

    id: int
    version: int
    routes: tuple[AnyRoute, ...]
    tau_h: float
    planned_c: float
    freezing_c: float
    freezing_minutes: float
    oxygen_ref_ppb: float | None = None
    oxygen_exponent: float = 0.0

    def budget(self, oxygen_ppb: float | None) -> float:
        """
        Return how many reference lives a lot has, given the oxygen it was packaged with; 1 when unknown.

        >>> from rimekeep.shelflife.core.routes import Route
        >>> profile = Profile(1, 1, (Route("staling", 20, 30, 100),), 12, 4, -2, 60, 50, 0.5)
        >>> profile.budget(200.0), profile.budget(None)
        (0.5, 1.0)
        """
        if not self.oxygen_exponent or not self.oxygen_ref_ppb or not oxygen_ppb:
            return 1.0
        return math.pow(self.oxygen_ref_ppb / oxygen_ppb, self.oxygen_exponent)
