"""The balance of a lot, to the case."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Balance:
    """
    Where a lot's cases are.

    Attributes
    ----------
    made
        Cases the packaging run made. [cases]
    at_site
        Cases on units that are still here, whatever QA says of them. [cases]
    departed
        Cases that left on trucks and are not back. [cases]
    adjusted
        Sum of all adjustments with a reason: negative for what was broken or missing. [cases]
    destroyed
        Cases destroyed on QA's word. [cases]
    """

    made: int
    at_site: int
    departed: int
    adjusted: int
    destroyed: int = 0

    @property
    def difference(self) -> int:
        """
        Return the cases nobody can account for; 0 when all is well.

        Examples
        --------
        >>> Balance(made=96, at_site=40, departed=44, adjusted=-6, destroyed=6).difference
        0
        >>> Balance(made=96, at_site=40, departed=50, adjusted=0).difference
        6
        """
        return self.made + self.adjusted - self.destroyed - self.at_site - self.departed
