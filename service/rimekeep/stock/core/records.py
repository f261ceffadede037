"""What queries tell other features about stock: plain facts, read once and never written back."""

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class Pickable:
    """Cases of one lot on one unit that stand in the store and are not promised to anybody yet."""

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    lot_code: str
    product_id: int
    cases: int
    reserved_cases: int
    free_cases: int
    zone_id: int
    zone_kind: str
    bay_id: int | None
    bay_code: str | None
    aisle: int | None
    slot: int | None
    level: int | None
    packaged_at: datetime
    received_at: datetime
    best_before_on: date
    lot_qa_state: str
    unit_qa_state: str
    is_opened: bool
    full_pallet_cases: int
    cases_per_layer: int
    # Units that stand between it and the aisle, in a deep bay; None: its bay is none, or not looked at.
    in_front: int | None = None

    @property
    def is_released(self) -> bool:
        """Tell whether QA lets it be picked: the lot and the unit both."""
        return self.lot_qa_state == self.unit_qa_state == "released"


@dataclass(frozen=True, slots=True)
class Leg:
    """Time in the air of one zone; ``left_at`` is None while it is still there."""

    zone_id: int
    entered_at: datetime
    left_at: datetime | None


@dataclass(frozen=True, slots=True)
class Present:
    """
    Cases that were in a zone within a window of time, wherever they are now.

    ``spells`` holds each time in the zone, cut to the window; ``from_at`` and ``until_at`` are its two ends.
    """

    content_id: int
    unit_id: int
    sscc: str
    lot_id: int
    product_id: int
    cases: int
    from_at: datetime
    until_at: datetime
    spells: tuple[tuple[datetime, datetime], ...]


@dataclass(frozen=True, slots=True)
class ContentView:
    """Cases of one lot on a unit, with the words people know them by."""

    id: int
    unit_id: int
    lot_id: int
    lot_code: str
    lot_qa_state: str
    best_before_on: date
    product_id: int
    sku: str
    product_name: str
    cases: int
    reserved_cases: int


@dataclass(frozen=True, slots=True)
class UnitView:
    """A unit with where it is and what is on it."""

    id: int
    sscc: str
    state: str
    qa_state: str
    qa_reason: str
    is_opened: bool
    received_at: datetime
    start_core_c: float | None
    zone_id: int
    zone_code: str
    bay_id: int | None
    bay_code: str | None
    contents: tuple[ContentView, ...]
