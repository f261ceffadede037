"""What a weight profile comes to for one vehicle: gross weight, limits on its axles, and what is missing."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor

from rimekeep.loading.core.axles import bridge_limit_lb
from rimekeep.loading.core.chassis import AxleGroup, DrawbarAxles, FullTrailer, SemiAxles
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.limits import (
    US_GROSS_MAX_LB,
    US_SINGLE_AXLE_MAX_LB,
    US_TANDEM_AXLE_MAX_LB,
    US_TWO_TANDEM_MIN_FT,
    RoadLimit,
)
from rimekeep.loading.core.measures import INCH_MM, POUND_KG
from rimekeep.loading.core.profiles import WeightProfile
from rimekeep.loading.core.vehicle import Truck
from rimekeep.wording import say

# Axles nearer than this count as one, up to the other as a tandem: 23 CFR 658.5, from memory.
US_TANDEM_ABOVE_IN = 40
US_TANDEM_MOST_IN = 96
_FOOT_MM = 12 * INCH_MM
# A measured length a hair below a whole foot is that foot: millimetres and inches do not convert evenly.
_HAIR_FT = 1e-6

_COUNT_FIELDS = {
    "drive": "drive_axles",
    "bogie": "bogie_axles",
    "rear": "rear_axles",
    "trailer": "trailer.axles",
    "trailer_front": "trailer.front_axles",
    "trailer_rear": "trailer.rear_axles",
}


@dataclass(frozen=True, slots=True)
class _Axle:
    group: str
    part: Fraction
    x_mm: float


def under_profile(read: FieldReader, truck: Truck, profile: WeightProfile, where: str) -> Truck:
    """Return the truck held to a profile too; what the profile needs and nobody said is noted as a fault."""
    groups = truck.axles.groups
    unknown = [group for group in groups if not group.axles]
    for group in unknown:
        read.fault(
            f"{where}.{_COUNT_FIELDS[group.name]}",
            say(
                "The rules {id!r} go by the number of axles, which is missing for the group {name}.",
                id=profile.id,
                name=group.name,
            ),
            say(
                "Give {COUNT_FIELDS!r}, and with several the distance between them.",
                COUNT_FIELDS=_COUNT_FIELDS[group.name],
            ),
        )
    trailer = truck.axles.trailer if isinstance(truck.axles, DrawbarAxles) else None
    if profile.has_bridge_formula and isinstance(trailer, FullTrailer) and not trailer.drawbar_mm:
        read.fault(
            f"{where}.trailer.drawbar_mm",
            say("The bridge formula needs the distance from the coupling to the trailer's front axle."),
            say("Give 'drawbar_mm'."),
        )
    if unknown or read.faults:
        return truck
    gross = _gross_kg(read, truck, profile, where)
    limits = [*_group_limits(read, truck, profile, where)]
    if profile.has_bridge_formula:
        limits += _bridge_limits(groups)
    _check_empty(read, truck, profile, limits, where)
    return replace(
        truck,
        gross_max_kg=min(truck.gross_max_kg, gross),
        drive_min_share_pct=max(truck.drive_min_share_pct, profile.drive_min_share_pct),
        limits=tuple(limits),
    )


def _word(truck: Truck) -> str:
    if isinstance(truck.axles, SemiAxles):
        return "semi"
    return "drawbar" if isinstance(truck.axles, DrawbarAxles) else "rigid"


def _gross_kg(read: FieldReader, truck: Truck, profile: WeightProfile, where: str) -> float:
    axles = sum(group.axles for group in truck.axles.groups)
    spacing = max((g.spacing_mm for g in truck.axles.groups if g.role == "trailer"), default=0.0)
    found = [
        rule.max_kg
        for rule in profile.gross
        if rule.vehicle in (_word(truck), "any")
        and rule.least_axles <= axles <= rule.most_axles
        and (truck.is_road_friendly or not rule.needs_road_friendly)
        and spacing >= rule.least_trailer_spacing_mm
    ]
    if not found:
        read.fault(
            where,
            say(
                "The rules {id!r} say nothing of the gross weight of a {word} vehicle of {axles} axles.",
                id=profile.id,
                word=_word(truck),
                axles=axles,
            ),
            say("Use rules that do, or check the number of axles."),
        )
    return round(max(found, default=truck.gross_max_kg), 3)


def _group_limits(read: FieldReader, truck: Truck, profile: WeightProfile, where: str) -> list[RoadLimit]:
    """Return the limits on single groups that are below the plate's."""
    found = []
    for group in truck.axles.groups:
        fitting = [rule for rule in profile.groups if rule.role in (group.role, "any")]
        own = [
            rule.max_kg
            for rule in fitting
            if rule.axles == group.axles
            and rule.holds_at(group.spacing_mm)
            and (truck.is_road_friendly or not rule.needs_road_friendly)
        ]
        if own:
            if max(own) < group.max_kg:
                found.append(_limit(f"{group.name} ({profile.id})", ((group.name, Fraction(1)),), max(own)))
        elif not profile.has_bridge_formula:
            read.fault(
                where,
                say(
                    "The rules {id!r} say nothing of a group of {axles} axles {spacing_mm:g} mm apart "
                    "({name}).",
                    id=profile.id,
                    axles=group.axles,
                    spacing_mm=group.spacing_mm,
                    name=group.name,
                ),
                say("Use rules that do, or check the number of axles and the distance between them."),
            )
    return found


def _limit(name: str, shares: tuple[tuple[str, Fraction], ...], max_kg: float) -> RoadLimit:
    # Down to the gram, so that rounding never allows more than the law.
    return RoadLimit(name, shares, floor(max_kg * 1000) / 1000)


def _bridge_limits(groups: Sequence[AxleGroup]) -> list[RoadLimit]:
    """
    Return a limit for every run of consecutive axles that says more than those of its parts.

    Lengths are taken down to the whole foot, as the law's table has them in rows: between 8 and 9 ft two
    axles may bear 38,000 lb and three 42,000 lb, which is the formula at 8 ft.
    """
    axles = [
        _Axle(
            group.name,
            Fraction(1, group.axles),
            group.road_x_mm + (k - (group.axles - 1) / 2) * group.spacing_mm,
        )
        for group in groups
        for k in range(group.axles)
    ]
    best: dict[tuple[int, int], float] = {}
    limits = []
    for size in range(1, len(axles) + 1):
        for first in range(len(axles) - size + 1):
            last = first + size - 1
            allowed = run_max_lb([axle.x_mm for axle in axles[first : last + 1]])
            split = min(
                (best[first, k] + best[k + 1, last] for k in range(first, last)), default=float("inf")
            )
            best[first, last] = min(allowed, split)
            if size > 1 and allowed < split:
                law = "tandem" if allowed == US_TANDEM_AXLE_MAX_LB else "bridge formula"
                name = f"axles {first + 1} to {last + 1} ({law})"
                limits.append(_limit(name, _shares(axles[first : last + 1]), allowed * POUND_KG))
    return limits


def _shares(axles: Sequence[_Axle]) -> tuple[tuple[str, Fraction], ...]:
    found: dict[str, Fraction] = {}
    for axle in axles:
        found[axle.group] = found.get(axle.group, Fraction(0)) + axle.part
    return tuple(found.items())


def run_max_lb(x_mm: Sequence[float]) -> float:
    """Return what a run of consecutive axles may bear: one axle, a tandem, or the bridge formula."""
    span_in = (x_mm[-1] - x_mm[0]) / INCH_MM
    if len(x_mm) == 1 or span_in <= US_TANDEM_ABOVE_IN:
        return US_SINGLE_AXLE_MAX_LB
    if span_in <= US_TANDEM_MOST_IN + 1e-6:
        return US_TANDEM_AXLE_MAX_LB
    feet = floor((x_mm[-1] - x_mm[0]) / _FOOT_MM + _HAIR_FT)
    is_two_tandems = len(x_mm) == 4 and all(
        US_TANDEM_ABOVE_IN < (b - a) / INCH_MM <= US_TANDEM_MOST_IN + 1e-6
        for a, b in ((x_mm[0], x_mm[1]), (x_mm[2], x_mm[3]))
    )
    if is_two_tandems and feet >= US_TWO_TANDEM_MIN_FT:
        return min(US_GROSS_MAX_LB, bridge_limit_lb(4, feet, is_two_tandems=True))
    return bridge_limit_lb(len(x_mm), max(feet, 1))


def _check_empty(
    read: FieldReader, truck: Truck, profile: WeightProfile, limits: Sequence[RoadLimit], where: str
) -> None:
    """Note limits that the empty vehicle is over already."""
    tares = {group.name: group.tare_kg for group in truck.axles.groups}
    for limit in limits:
        empty = sum(float(share) * tares[name] for name, share in limit.shares)
        if empty > limit.max_kg:
            read.fault(
                where,
                say(
                    "Empty it is over the limit on {name}: {empty:.0f} kg, {max_kg:.0f} kg allowed.",
                    name=limit.name,
                    empty=empty,
                    max_kg=limit.max_kg,
                ),
                say("Check the tares, or whether the rules {id!r} are those of the road.", id=profile.id),
            )
