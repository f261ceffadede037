"""
Weight limits by jurisdiction, as data.

Not legal advice: the vehicle's plate, the road's signs and the authority's scale ticket decide. The European
values were cross-read on public summary tables; their point numbers are from memory. Tandem and tri-axle
values below 1.8 m were read in SR (NI) 1999 No. 258, Schedule 3, Table VI; those of road trains, of three
axles without and of a driven tandem with road-friendly suspension are from memory. The United States values
are those of 23 U.S.C. 127(a)(2).
"""

from dataclasses import dataclass
from fractions import Fraction

US_SINGLE_AXLE_MAX_LB = 20_000
US_TANDEM_AXLE_MAX_LB = 34_000
US_GROSS_MAX_LB = 80_000
US_TWO_TANDEM_MIN_FT = 36
US_SOURCE = "23 U.S.C. 127(a)(2)"
EU_SOURCE = "Directive 96/53/EC, Annex I, as amended by (EU) 2015/719"
EU_BASIS = "values cross-read on public summary pages; point numbers from memory"


@dataclass(frozen=True, slots=True)
class RoadLimit:
    """What a road's law allows on some axles together: shares of axle groups, at most ``max_kg``."""

    name: str
    shares: tuple[tuple[str, Fraction], ...]
    max_kg: float


@dataclass(frozen=True, slots=True)
class EuLimit:
    """One limit of Directive 96/53/EC, Annex I."""

    point: str
    item: str
    max_t: float


EU_LIMITS = (
    EuLimit("2.3.1", "two-axle motor vehicle", 18),
    EuLimit("2.3.2", "three-axle motor vehicle", 25),
    EuLimit("2.3.2", "three-axle motor vehicle, road-friendly drive axle", 26),
    EuLimit(
        "2.2.3",
        "four-axle articulated vehicle, distance > 1.8 m, drive axle road-friendly, 18 t + 20 t respected",
        38,
    ),
    EuLimit("2.2.3", "four-axle articulated vehicle", 36),
    EuLimit("2.2.2", "five- or six-axle articulated vehicle", 40),
    EuLimit("2.2.4", "four-axle road train", 36),
    EuLimit("2.2.1", "five- or six-axle road train", 40),
    EuLimit("3.4.1", "single driving axle", 11.5),
    EuLimit("3.1", "single non-driving axle", 10),
    EuLimit("3.2.1", "tandem trailer, < 1.0 m", 11),
    EuLimit("3.2.2", "tandem trailer, 1.0 to < 1.3 m", 16),
    EuLimit("3.2.3", "tandem trailer, 1.3 to < 1.8 m", 18),
    EuLimit("3.2.4", "tandem trailer, >= 1.8 m", 20),
    EuLimit("3.3.1", "tri-axle trailer, <= 1.3 m", 21),
    EuLimit("3.3.2", "tri-axle trailer, > 1.3 to 1.4 m", 24),
    EuLimit("3.5.1", "tandem motor vehicle, < 1.0 m", 11.5),
    EuLimit("3.5.2", "tandem motor vehicle, 1.0 to < 1.3 m", 16),
    EuLimit("3.5.3", "tandem motor vehicle, 1.3 to < 1.8 m", 18),
    EuLimit("3.5.3", "tandem motor vehicle, 1.3 to < 1.8 m, road-friendly", 19),
)

# Point 4.1 (number from memory): weight on the driving axles in international traffic.
EU_DRIVE_MIN_SHARE_PCT = 25.0


def eu_limit_t(item: str) -> float:
    """Return the limit in tonnes for one item of ``EU_LIMITS``."""
    return next(limit.max_t for limit in EU_LIMITS if limit.item == item)


def eu_drive_min_t(gross_t: float) -> float:
    """Return the least weight the driving axles must carry at a gross weight, both in tonnes."""
    return gross_t * EU_DRIVE_MIN_SHARE_PCT / 100
