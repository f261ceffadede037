"""What a day has to carry: units, with what loading must know of the products on them."""

from dataclasses import dataclass
from math import ceil

from rimekeep.picking.core.pallets.records import PALLET_MM

# Width of a place by the pallet a deck is laid out for, and of a pallet by its footprint; a narrower pallet
# may stand on a wider place, not the other way, and two half ones share it.
PLACE_MM = {"800x1200": 800, "1000x1200": 1000}
_WIDTH_MM = {"600x800": 600, **PLACE_MM}


@dataclass(frozen=True, slots=True)
class CargoPart:
    """Cases of one lot on a unit, with what loading must know of the product."""

    product_id: int
    cases: int
    case_mass_kg: float
    pallet_tare_kg: float
    carry_min_c: float
    carry_max_c: float
    footprint: str
    cases_per_layer: int = 1
    # A case's height, and the mass one bears on top; None: not known.
    case_height_mm: float | None = None
    crush_limit_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Cargo:
    """One unit to be carried, for whom."""

    unit_id: int
    sscc: str
    order_id: int
    customer: str
    parts: tuple[CargoPart, ...]

    @property
    def mass_kg(self) -> float:
        """Mass of cases and pallet, to the gram; of several products the heaviest pallet counts."""
        cases_kg = sum(part.cases * part.case_mass_kg for part in self.parts)
        return round(cases_kg + max((part.pallet_tare_kg for part in self.parts), default=0.0), 3)

    @property
    def carry_range_c(self) -> tuple[float, float]:
        """Air temperatures every product on it may be carried at; empty when the first is the higher."""
        return max(part.carry_min_c for part in self.parts), min(part.carry_max_c for part in self.parts)

    @property
    def footprint(self) -> str:
        """The largest of the footprints it is said to have."""
        return max((part.footprint for part in self.parts), key=_WIDTH_MM.__getitem__)

    @property
    def width_mm(self) -> int:
        """Width of the place it needs."""
        return _WIDTH_MM[self.footprint]

    @property
    def height_mm(self) -> float:
        """
        Height with the wood, the layers of each product reckoned by themselves; 0 where one is not known.

        Products that share a layer make it lower than that, never higher.
        """
        cases: dict[int, int] = {}
        for part in self.parts:
            cases[part.product_id] = cases.get(part.product_id, 0) + part.cases
        kinds = {part.product_id: part for part in self.parts}
        heights = [
            ceil(cases[key] / part.cases_per_layer) * part.case_height_mm
            for key, part in kinds.items()
            if part.case_height_mm is not None
        ]
        return PALLET_MM + sum(heights) if heights and len(heights) == len(kinds) else 0.0

    @property
    def top_max_kg(self) -> float:
        """
        What it bears on top: as much as its lowest cases bear besides the layers over them, evenly spread.

        Only whole layers of one product are level enough to bear anything, and only where it is said what a
        case bears.
        """
        first = self.parts[0]
        cases = sum(part.cases for part in self.parts)
        if first.crush_limit_kg is None or any(part.product_id != first.product_id for part in self.parts):
            return 0.0
        layers, rest = divmod(cases, first.cases_per_layer)
        spare_kg = first.crush_limit_kg - (layers - 1) * first.case_mass_kg
        return round(max(0.0, spare_kg) * first.cases_per_layer, 3) if not rest else 0.0
