"""Requests that change products, zones and bays, or add bays in ranges."""

from typing import Annotated

from pydantic import Field, StringConstraints, model_validator

from rimekeep.platform.schemas import Body, Celsius, Id, Name, Reason, View, wrong
from rimekeep.stock.core.ranges import MOST_BAYS
from rimekeep.stock.core.states import BayRole
from rimekeep.stock.schemas import Money
from rimekeep.wording import say


class _Change(Body):
    reason: Reason

    @model_validator(mode="after")
    def change_something(self) -> "_Change":
        """Ask for one fact at least, and for facts where null means nothing."""
        said = self.model_fields_set - {"reason"}
        if not said:
            raise wrong("nothing is to be changed", "Give the fields that are to be different.")
        for name in sorted(said - self.nullable()):
            if getattr(self, name) is None:
                raise wrong(say("{name} cannot be null", name=name), "Give it, or leave it out to keep it.")
        return self

    @classmethod
    def nullable(cls) -> set[str]:
        """Return the fields whose null says something."""
        return set()


class ProductChangeIn(_Change):
    """
    What is to be different about a product from now on; what is left out stays.

    What labels say of it, its package, footprint and strength stay: with others it is another product.
    """

    name: Name | None = None
    case_mass_kg: float | None = Field(None, ge=0.01, le=1500, description="One full case, tray or keg.")
    cases_per_layer: int | None = Field(None, ge=1, le=1000)
    layers_per_pallet: int | None = Field(None, ge=1, le=100)
    pallet_tare_kg: float | None = Field(None, ge=0, le=200)
    carry_min_c: Celsius | None = Field(None, description="Coldest air it may be carried at.")
    carry_max_c: Celsius | None = Field(None, description="Warmest air it may be carried at.")
    value_per_case: Money | None = Field(None, description="In the site's currency; null: not said.")
    case_height_mm: float | None = Field(None, ge=1, le=3000, description="null: not known.")
    crush_limit_kg: float | None = Field(
        None, ge=0, le=5000, description="null: what it bears in its own full pallet."
    )

    @classmethod
    def nullable(cls) -> set[str]:
        """Return the fields whose null says something."""
        return {"value_per_case", "case_height_mm", "crush_limit_kg"}


class ZoneChangeIn(_Change):
    """
    What is to be different about a zone; what is left out stays.

    The planned temperature stays: hours nobody measured were reckoned by it.
    """

    name: Name | None = None
    slot_pitch_m: float | None = Field(None, ge=0.01, le=100)
    aisle_pitch_m: float | None = Field(None, ge=0.01, le=100)
    cross_aisle_offset_m: float | None = Field(None, ge=0, le=100)
    slots_front_block: int | None = Field(None, ge=1, le=1000)
    cross_aisles_after: list[int] | None = Field(None, max_length=5)
    level_penalty_m: float | None = Field(None, ge=0, le=1000)
    is_one_way: bool | None = None
    units_per_walk: int | None = Field(None, ge=1, le=50)
    max_unit_height_mm: float | None = Field(None, ge=200, le=4000)
    max_unit_mass_kg: float | None = Field(None, ge=50, le=3000)

    @classmethod
    def nullable(cls) -> set[str]:
        """Return the fields whose null says something."""
        return set(cls.model_fields) - {"reason", "name", "level_penalty_m", "is_one_way"}


class BayChangeIn(_Change):
    """What is to be different about a bay; what is left out stays, and so does where it is."""

    check_code: str | None = Field(None, pattern=r"^[A-Za-z0-9]{1,10}$")
    role: BayRole | None = None
    depth: int | None = Field(None, ge=1, le=50)
    capacity_units: int | None = Field(None, ge=1, le=1000, description="null: not said.")

    @classmethod
    def nullable(cls) -> set[str]:
        """Return the fields whose null says something."""
        return {"capacity_units"}


class BayRangeIn(Body):
    """Bays to be added: every place from the first to the last aisle, slot and level, both counted."""

    zone_id: Id
    first_aisle: int = Field(ge=1, le=1000)
    last_aisle: int = Field(ge=1, le=1000)
    first_slot: int = Field(ge=1, le=10_000)
    last_slot: int = Field(ge=1, le=10_000)
    first_level: int = Field(0, ge=0, le=100)
    last_level: int = Field(0, ge=0, le=100)
    code_form: Annotated[str, StringConstraints(min_length=1, max_length=60)] = Field(
        "{aisle}-{slot}-{level}",
        description=f"How each is called; at most {MOST_BAYS} bays at once.",
        examples=["B{aisle}-{slot}-{level}"],
    )
    role: BayRole = BayRole.BULK
    depth: int = Field(1, ge=1, le=50)
    capacity_units: int | None = Field(None, ge=1, le=1000)


class BayRangeOut(View):
    """Bays that were added; their check codes are told bay by bay."""

    zone_id: int
    added: int
    first_code: str
    last_code: str
