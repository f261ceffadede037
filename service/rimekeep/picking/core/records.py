"""What picking tells about allocations, pick lists and picks."""

from dataclasses import dataclass
from datetime import date, datetime

from rimekeep.wording import say

# Reason of a line made short by the picker, beside those of the allocation.
SHORT_PICK = "short_pick"
SHORT_PICK_TEXT = say("The picker found fewer cases than the record says; the pallet waits for a count.")


@dataclass(frozen=True, slots=True)
class TakenCases:
    """Cases of one content that serve a line: ``promised_on`` is the last day the customer is promised."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    best_before_on: date
    expires_on: date
    promised_on: date
    cases: int
    how: str
    zone_id: int
    bay_code: str | None


@dataclass(frozen=True, slots=True)
class Way:
    """
    One change that would serve missing cases of a line as things stand, and the ``lots`` they would be of.

    It is the allocation's `Remedy` with lots named by their codes.
    """

    change: str
    cases: int
    lots: tuple[tuple[str, int], ...]
    amount: int | None
    on: date | None
    lasts_until: date | None
    text: str


@dataclass(frozen=True, slots=True)
class ShortCases:
    """
    Cases a line does not get: the code of the reason, its plain words, and all causes with their cases.

    ``remedies`` are the ways to serve them, the smallest change first.
    """

    cases: int
    reason: str
    text: str
    causes: tuple[tuple[str, int], ...] = ()
    remedies: tuple[Way, ...] = ()


@dataclass(frozen=True, slots=True)
class AllocatedLine:
    """What one line gets: ``cases`` asked for, ``had`` from before, ``taken`` now, ``short`` still."""

    line_id: int
    line_no: int
    order_id: int
    order_code: str
    customer_code: str
    product_id: int
    sku: str
    cases: int
    had: int
    taken: tuple[TakenCases, ...]
    short: ShortCases | None


@dataclass(frozen=True, slots=True)
class WaveAnswer:
    """
    What a whole wave gets. ``bound``: no allocation within the rules serves more of what was missing.

    ``promises_by`` names the end of life that ``promised_on`` goes by.
    """

    wanted_cases: int
    served_cases: int
    bound_cases: int
    is_proven: bool
    lines: tuple[AllocatedLine, ...]
    promises_by: str


# Why reserved stock went back, beside the reasons of the allocation: it is not in store any more.
GONE = "gone"


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """Cases that were reserved for a line and may not serve it any more, and why."""

    lot_id: int
    lot_code: str
    unit_id: int
    sscc: str
    cases: int
    reason: str
    text: str
    list_id: int | None


@dataclass(frozen=True, slots=True)
class ReservedAnew:
    """A line that lost reserved stock, with what it got instead and what it misses now."""

    line: AllocatedLine
    withdrawn: tuple[Withdrawn, ...]

    @property
    def withdrawn_cases(self) -> int:
        """Return the cases that went back."""
        return sum(one.cases for one in self.withdrawn)


@dataclass(frozen=True, slots=True)
class Reallocated:
    """Every line that lost reserved stock."""

    lines: tuple[ReservedAnew, ...]


@dataclass(frozen=True, slots=True)
class OrderAllocation:
    """Cases on one unit that serve a line of an order, as they stand now."""

    id: int
    line_id: int
    line_no: int
    content_id: int
    unit_id: int
    sscc: str
    unit_state: str
    zone_id: int
    bay_code: str | None
    lot_id: int
    lot_code: str
    best_before_on: date
    product_id: int
    sku: str
    cases: int
    how: str
    state: str


@dataclass(frozen=True, slots=True)
class PickTask:
    """
    One pick as the picker sees it.

    ``sscc`` and ``bay_code`` say where the cases are now; once picked, that is the unit they were put on.
    ``to_number``, ``to_planned_sscc`` and ``tier`` say onto which pallet of the list they go, and how high.
    """

    id: int
    stop: int
    state: str
    sku: str
    product_name: str
    lot_code: str
    best_before_on: date
    sscc: str
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    cases: int
    cases_per_layer: int
    how: str
    picked_cases: int
    reason: str
    order_id: int
    order_code: str
    to_number: int | None
    to_planned_sscc: str | None
    tier: int | None
    note: str = ""

    @property
    def layers(self) -> int:
        """Return the full layers among the cases, all layers of a pallet included."""
        return self.cases // self.cases_per_layer

    @property
    def loose_cases(self) -> int:
        """Return the cases beside the full layers."""
        return self.cases % self.cases_per_layer


@dataclass(frozen=True, slots=True)
class ListTask:
    """A pick list with its picks in order of work; without an order where it serves several."""

    id: int
    order_id: int | None
    order_code: str | None
    customer_name: str | None
    zone_id: int
    zone_code: str
    state: str
    walk_m: float
    made_at: datetime
    device_id: int | None
    leased_until: datetime | None
    done_at: datetime | None
    taken_over_from_id: int | None
    taken_over_at: datetime | None
    picks: tuple[PickTask, ...]
