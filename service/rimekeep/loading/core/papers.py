"""
What a trip's papers say, whatever they are printed as: plain text, a page, a PDF.

Places are written as the dock counts them: row 1 at the front wall, lane 1 at the left of somebody who
stands at the doors and looks in.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from rimekeep.loading.core.callers import ALONE, OtherCalls
from rimekeep.wording import glued, say


@dataclass(frozen=True, slots=True)
class SheetLine:
    """Cases of one lot on a unit."""

    unit_id: int
    sku: str
    product: str
    lot: str
    best_before_on: date
    cases: int


@dataclass(frozen=True, slots=True)
class Head:
    """What stands on every page."""

    site_code: str
    site_name: str
    plan_id: int
    trip_id: int
    ship_on: date
    vehicle_code: str
    vehicle_name: str
    is_confirmed: bool
    printed: str
    # Which of the vehicle's trips it is, and when it leaves or left, where that is known.
    turn: str = ""

    @property
    def vehicle(self) -> str:
        """The vehicle in words."""
        return f"{self.vehicle_code} ({self.vehicle_name})"

    @property
    def vehicle_and_turn(self) -> str:
        """The vehicle, and which of its trips."""
        return f"{self.vehicle}, {self.turn}" if self.turn else self.vehicle

    @property
    def foot(self) -> str:
        """What identifies a page that lies alone."""
        return say(
            "{site_code} {site_name} · plan {plan_id} · trip {trip_id} · {ship_on} · printed {printed}",
            site_code=self.site_code,
            site_name=self.site_name,
            plan_id=self.plan_id,
            trip_id=self.trip_id,
            ship_on=self.ship_on.isoformat(),
            printed=self.printed,
        )


@dataclass(frozen=True, slots=True)
class Turn:
    """One unit in the order of loading; ``row`` and ``lane`` from 1."""

    number: int
    row: int
    lane: int
    sscc: str
    drop: int
    customer_code: str
    mass_kg: float
    is_loaded: bool
    # It shares its place with another half pallet.
    is_shared: bool = False
    is_turned: bool = False
    # In a stack, whether on top or below.
    stacked: Literal["", "on top", "below"] = ""

    @property
    def place(self) -> str:
        """The lane, and whether half of its place, or on top of another unit."""
        if self.stacked == "on top":
            return say("{lane} on top", lane=self.lane)
        if self.stacked:
            return say("{lane} below", lane=self.lane)
        return f"{self.lane} ½" if self.is_shared else str(self.lane)

    @property
    def stance(self) -> str:
        """The place, and whether it is turned there."""
        return say("{place}, turned", place=self.place) if self.is_turned else self.place

    @property
    def words(self) -> str:
        """Its number, and how it is put."""
        how = {"on top": say("on top"), "below": say("below"), "": ""}[self.stacked]
        turned = say("turned") if self.is_turned else ""
        return glued(say("no. {number}", number=self.number), how, turned, by=", ")


@dataclass(frozen=True, slots=True)
class DeckRow:
    """
    One row of the deck from the front wall, lane by lane: who stands there.

    Two where halves share it or one is on top of the other, the upper one first. ``bulkhead`` says what
    air is ahead of and behind the one that stands behind the row; empty where none does.
    """

    number: int
    cells: tuple[tuple[Turn, ...], ...]
    mass_kg: float
    securing: str
    bulkhead: str = ""


@dataclass(frozen=True, slots=True)
class Axle:
    """What one axle, group or the kingpin carries in one state."""

    name: str
    load_kg: float
    max_kg: float
    is_tightest: bool

    @property
    def margin_kg(self) -> float:
        """What it could carry more."""
        return self.max_kg - self.load_kg


@dataclass(frozen=True, slots=True)
class State:
    """Weights at departure or after one drop."""

    when: str
    payload_kg: float
    gross_kg: float
    axles: tuple[Axle, ...]


@dataclass(frozen=True, slots=True)
class NoteUnit:
    """One unit handed over."""

    sscc: str
    order_code: str
    row: int
    lane: int
    mass_kg: float
    lines: tuple[SheetLine, ...]
    is_on_top: bool = False

    @property
    def label(self) -> str:
        """The SSCC, and that it comes off before the unit below it."""
        return say("{sscc}, on top", sscc=self.sscc) if self.is_on_top else self.sscc


@dataclass(frozen=True, slots=True)
class Announced:
    """Empties a customer said would be given back; ``mass_kg`` is of all pieces."""

    kind: str
    pieces: int
    mass_kg: float

    @property
    def words(self) -> str:
        """How many of what, and what they weigh."""
        kind = self.kind.replace("-", " ")
        return f"{self.pieces} {kind}{'' if self.pieces == 1 else 's'}, {self.mass_kg:.0f} kg"


@dataclass(frozen=True, slots=True)
class Note:
    """What is handed over at one drop."""

    drop: int
    customer_code: str
    customer_name: str
    customer_address: str
    units: tuple[NoteUnit, ...]
    # When it is expected to be reached, by the site's clock; empty where the plan knows no drives.
    expected: str = ""
    empties: tuple[Announced, ...] = ()
    # Other trips that call there.
    others: OtherCalls = ALONE

    @property
    def empties_words(self) -> str:
        """
        What was announced to be given back; empty where nothing was.

        Where several trips call it is told once, to the first: who comes there takes what is there, so halves
        would leave some standing, and the whole told twice would be looked for twice.
        """
        if not self.empties:
            return ""
        if self.others.before:
            return say(
                "{before} calls here before and takes them; take what was left", before=self.others.before
            )
        said = "; ".join(one.words for one in self.empties)
        return (
            say("{said}; {after} calls here later, for what is left", said=said, after=self.others.after)
            if self.others.after
            else said
        )

    @property
    def cases(self) -> int:
        """Cases in all."""
        return sum(line.cases for unit in self.units for line in unit.lines)

    @property
    def mass_kg(self) -> float:
        """Mass in all, pallets included."""
        return sum(unit.mass_kg for unit in self.units)

    @property
    def order_codes(self) -> tuple[str, ...]:
        """The orders it serves."""
        return tuple(sorted({unit.order_code for unit in self.units}))


@dataclass(frozen=True, slots=True)
class LoadingPaper:
    """A trip's loading sheet."""

    head: Head
    reefer: tuple[str, ...]
    cautions: tuple[str, ...]
    order: tuple[Turn, ...]
    deck: tuple[DeckRow, ...]
    securing_notes: tuple[str, ...]
    states: tuple[State, ...]
    drops: tuple[Note, ...]
    # What the driver does about goods that were refused.
    road: tuple[str, ...] = ()
