"""
The weight rules of a jurisdiction as data: gross weight by vehicle, limits by axle group, bridge formula.

Not legal advice. A profile only ever lowers what the vehicle's plate allows.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from rimekeep.loading.core.gear import Law
from rimekeep.loading.core.limits import (
    EU_BASIS,
    EU_DRIVE_MIN_SHARE_PCT,
    EU_SOURCE,
    US_GROSS_MAX_LB,
    US_SINGLE_AXLE_MAX_LB,
    US_SOURCE,
    eu_limit_t,
)
from rimekeep.loading.core.measures import POUND_KG

VehicleWord = Literal["rigid", "semi", "drawbar", "any"]
GroupWord = Literal["steer", "drive", "trailer", "any"]


@dataclass(frozen=True, slots=True)
class GrossRule:
    """The most a vehicle of so many axles may weigh; conditions that are not met make it not apply."""

    vehicle: VehicleWord
    least_axles: int
    most_axles: int
    max_kg: float
    needs_road_friendly: bool = False
    least_trailer_spacing_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class GroupRule:
    """
    The most a group of so many axles may bear, by the distance between neighbours.

    From ``from_mm`` up to, not including, ``to_mm``; with ``is_to_included`` that too.
    """

    role: GroupWord
    axles: int
    max_kg: float
    from_mm: float = 0.0
    to_mm: float | None = None
    is_to_included: bool = False
    needs_road_friendly: bool = False

    def holds_at(self, spacing_mm: float) -> bool:
        """Return whether the rule is for this distance."""
        if self.axles == 1:
            return True
        is_below = self.to_mm is None or spacing_mm < self.to_mm
        return spacing_mm >= self.from_mm and (is_below or (self.is_to_included and spacing_mm == self.to_mm))


@dataclass(frozen=True, slots=True)
class WeightProfile:
    """The rules of one place; of several that apply to a vehicle or group the most generous holds."""

    id: str
    title: str
    source: str
    gross: tuple[GrossRule, ...]
    groups: tuple[GroupRule, ...] = ()
    drive_min_share_pct: float = 0.0
    has_bridge_formula: bool = False
    # By which rules loads are secured there.
    securing: Law = Law.EU


def _eu(item: str) -> float:
    return 1000 * eu_limit_t(item)


EU = WeightProfile(
    "eu",
    "Directive 96/53/EC, Annex I, international traffic",
    f"{EU_SOURCE}; {EU_BASIS}",
    gross=(
        GrossRule("rigid", 2, 2, _eu("two-axle motor vehicle")),
        GrossRule("rigid", 3, 3, _eu("three-axle motor vehicle")),
        GrossRule("rigid", 3, 3, _eu("three-axle motor vehicle, road-friendly drive axle"), True),
        GrossRule("semi", 3, 3, 28_000),  # 18 t of tractor and 10 t on one trailer axle
        GrossRule("semi", 4, 4, _eu("four-axle articulated vehicle")),
        GrossRule(
            "semi",
            4,
            4,
            _eu(
                "four-axle articulated vehicle, distance > 1.8 m, drive axle road-friendly, "
                "18 t + 20 t respected"
            ),
            True,
            1800.001,
        ),
        GrossRule("semi", 5, 6, _eu("five- or six-axle articulated vehicle")),
        GrossRule("drawbar", 3, 3, 28_000),  # 18 t of truck and 10 t on one trailer axle
        GrossRule("drawbar", 4, 4, _eu("four-axle road train")),
        GrossRule("drawbar", 5, 6, _eu("five- or six-axle road train")),
    ),
    groups=(
        GroupRule("steer", 1, _eu("single non-driving axle")),
        GroupRule("trailer", 1, _eu("single non-driving axle")),
        GroupRule("drive", 1, _eu("single driving axle")),
        GroupRule("drive", 2, _eu("tandem motor vehicle, < 1.0 m"), 0, 1000),
        GroupRule("drive", 2, _eu("tandem motor vehicle, 1.0 to < 1.3 m"), 1000, 1300),
        GroupRule("drive", 2, _eu("tandem motor vehicle, 1.3 to < 1.8 m"), 1300, 1800),
        GroupRule(
            "drive", 2, _eu("tandem motor vehicle, 1.3 to < 1.8 m, road-friendly"), 1300, 1800,
            needs_road_friendly=True,
        ),
        GroupRule("trailer", 2, _eu("tandem trailer, < 1.0 m"), 0, 1000),
        GroupRule("trailer", 2, _eu("tandem trailer, 1.0 to < 1.3 m"), 1000, 1300),
        GroupRule("trailer", 2, _eu("tandem trailer, 1.3 to < 1.8 m"), 1300, 1800),
        GroupRule("trailer", 2, _eu("tandem trailer, >= 1.8 m"), 1800),
        GroupRule("trailer", 3, _eu("tri-axle trailer, <= 1.3 m"), 0, 1300, is_to_included=True),
        GroupRule("trailer", 3, _eu("tri-axle trailer, > 1.3 to 1.4 m"), 1300.001, 1400, is_to_included=True),
    ),
    drive_min_share_pct=EU_DRIVE_MIN_SHARE_PCT,
)  # fmt: skip

US = WeightProfile(
    "us-interstate",
    "United States interstate highways",
    US_SOURCE,
    gross=(GrossRule("any", 2, 20, US_GROSS_MAX_LB * POUND_KG),),
    groups=(GroupRule("any", 1, US_SINGLE_AXLE_MAX_LB * POUND_KG),),
    has_bridge_formula=True,
    securing=Law.US,
)

_TABLE = (
    "table of permissible maximum weights of lorries in Europe (International Transport Forum), read in a "
    "copy; conditions attached nationally were not read"
)


def _national(
    id_: str,
    title: str,
    *,
    single_t: float,
    drive_t: float,
    two_t: float,
    three_t: float,
    road_train_4_t: float,
    road_train_t: float,
    articulated_t: float,
) -> WeightProfile:
    """Return the Directive's rules with one country's row of the table in their place."""
    singles = tuple(
        replace(rule, max_kg=1000 * (drive_t if rule.role == "drive" else single_t))
        for rule in EU.groups
        if rule.axles == 1
    )
    return replace(
        EU,
        id=id_,
        title=title,
        source=f"{_TABLE}; what the table does not say as in {EU_SOURCE}",
        gross=(
            GrossRule("rigid", 2, 2, 1000 * two_t),
            GrossRule("rigid", 3, 3, 1000 * three_t, needs_road_friendly=True),
            GrossRule("rigid", 3, 3, min(1000 * three_t, _eu("three-axle motor vehicle"))),
            *(rule for rule in EU.gross if rule.vehicle == "semi" and rule.most_axles < 5),
            GrossRule("semi", 5, 6, 1000 * articulated_t),
            *(rule for rule in EU.gross if rule.vehicle == "drawbar" and rule.most_axles < 4),
            GrossRule("drawbar", 4, 4, 1000 * road_train_4_t),
            GrossRule("drawbar", 5, 6, 1000 * road_train_t),
        ),
        groups=(*singles, *(rule for rule in EU.groups if rule.axles > 1)),
    )


NATIONAL = (
    _national(
        "at", "Austria", single_t=10, drive_t=11.5, two_t=18, three_t=26, road_train_4_t=36, road_train_t=40,
        articulated_t=40,
    ),
    _national(
        "be", "Belgium", single_t=10, drive_t=12, two_t=19, three_t=26, road_train_4_t=39, road_train_t=44,
        articulated_t=44,
    ),
    _national(
        "de", "Germany", single_t=10, drive_t=11.5, two_t=18, three_t=26, road_train_4_t=36, road_train_t=40,
        articulated_t=40,
    ),
    _national(
        "nl", "Netherlands", single_t=10, drive_t=11.5, two_t=21.5, three_t=33, road_train_4_t=40,
        road_train_t=50, articulated_t=50,
    ),
)  # fmt: skip


def by_id(profiles: Iterable[WeightProfile]) -> dict[str, WeightProfile]:
    """Return profiles by id; the built-in ones are `BUILT_IN`."""
    return {profile.id: profile for profile in profiles}


BUILT_IN = by_id((EU, US, *NATIONAL))
