"""What customers are expected to take, as others tell it."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class Given(StrEnum):
    """What became of one row of a forecast."""

    STORED = "stored"
    REPLACED = "replaced"
    UNCHANGED = "unchanged"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """Cases a customer (None: nobody in particular) is expected to be delivered of a product on a day."""

    product_id: int
    customer_id: int | None
    day: date
    cases: int

    @property
    def place(self) -> tuple[int, int, date]:
        """Return what it is a word on; of two words on one, the later counts."""
        return self.product_id, self.customer_id or 0, self.day


@dataclass(frozen=True, slots=True)
class GivenRow:
    """What became of the row at ``index``; refused ones say why and what to do."""

    index: int
    outcome: Given
    detail: str = ""
    mend: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line of an order: what is to be delivered to whom on a day; ``is_gone``: it has left the store."""

    product_id: int
    customer_id: int
    day: date
    cases: int
    line_id: int
    is_gone: bool
    placed_at: datetime
