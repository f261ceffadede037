"""What goes onto mixed pallets, and how it stands there."""

from dataclasses import dataclass

# Height of a wooden 800 × 1200 pallet (EN 13698-1: 144 mm); taken for both footprints.
PALLET_MM = 144.0
# Own conventions, no source. Cases differing by less stand level; a tier filled less carries no whole layer,
# only what covers no more than itself; cases of different outlines leave gaps between them.
LEVEL_MM = 10.0
SUPPORT = 0.75
MIXED_FILL = 0.9
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Goods:
    """
    What stacking has to know of a product.

    ``crush_limit_kg`` is what one case bears on top; None: what its own full pallet shows it to bear.
    ``case_height_mm`` None: a layer counts as its share of its own full pallet's height.
    """

    product_id: int
    is_keg: bool
    footprint: str
    case_mass_kg: float
    cases_per_layer: int
    layers_per_pallet: int
    pallet_tare_kg: float = 25.0
    carry_min_c: float = 1.0
    carry_max_c: float = 8.0
    case_height_mm: float | None = None
    crush_limit_kg: float | None = None

    @property
    def full_cases(self) -> int:
        """Return the cases of a full pallet."""
        return self.cases_per_layer * self.layers_per_pallet

    @property
    def bears_kg(self) -> float:
        """Return what one case bears on top. [kg]"""
        if self.crush_limit_kg is not None:
            return self.crush_limit_kg
        return (self.layers_per_pallet - 1) * self.case_mass_kg


@dataclass(frozen=True, slots=True)
class Part:
    """Cases of one lot to be put onto a mixed pallet; ``id`` says which pick they come from."""

    id: int
    goods: Goods
    cases: int


@dataclass(frozen=True, slots=True)
class Limits:
    """The most a pallet may measure and weigh, the wood included; None: only the products' own patterns."""

    height_mm: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Tier:
    """One level of a pallet: cases side by side, with the parts they come from."""

    pieces: tuple[tuple[Part, int], ...]


@dataclass(frozen=True, slots=True)
class Pallet:
    """Tiers from the bottom up."""

    tiers: tuple[Tier, ...]

    @property
    def goods(self) -> list[Goods]:
        """Return the different products, as they come from the bottom up."""
        return list(dict.fromkeys(part.goods for tier in self.tiers for part, _ in tier.pieces))

    @property
    def cases(self) -> dict[int, int]:
        """Return the cases by part."""
        found: dict[int, int] = {}
        for tier in self.tiers:
            for part, cases in tier.pieces:
                found[part.id] = found.get(part.id, 0) + cases
        return found

    @property
    def lowest_tier(self) -> dict[int, int]:
        """Return the lowest tier, 1 at the bottom, by part."""
        found: dict[int, int] = {}
        for number, tier in enumerate(self.tiers, start=1):
            for part, _ in tier.pieces:
                found.setdefault(part.id, number)
        return found

    @property
    def mass_kg(self) -> float:
        """Return the mass with the wood. [kg]"""
        cases = sum(part.goods.case_mass_kg * count for tier in self.tiers for part, count in tier.pieces)
        return cases + max(goods.pallet_tare_kg for goods in self.goods)


@dataclass(frozen=True, slots=True)
class Built:
    """Pallets, and a bound: no way of building needs fewer."""

    pallets: tuple[Pallet, ...]
    bound: int

    @property
    def is_proven(self) -> bool:
        """Tell whether fewer pallets are proven impossible."""
        return len(self.pallets) == self.bound
