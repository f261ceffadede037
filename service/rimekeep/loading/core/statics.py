"""
Every weight limit as one linear rule over the rows of a deck.

With positions fixed, each axle load is a sum over pallets of mass times a factor of the row, so a limit is
``Σ mass · factor(row) <= room``. Factors are exact fractions: a plan at the limit is legal, one gram over is
not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

from rimekeep.loading.core.vehicle import RigidAxles, Rules, SemiAxles, Truck

# Beyond this, sums of integers would leave the solver's 64 bits.
_SAFE = 1 << 56


@dataclass(frozen=True, slots=True)
class WeightRule:
    """``Σ mass · factors[row] <= room_kg`` in a state; ``is_loaded_only`` spares the empty truck."""

    name: str
    factors: tuple[Fraction, ...]
    room_kg: Fraction
    is_loaded_only: bool = False

    @property
    def is_eased_by_unloading(self) -> bool:
        """True when no drop can make it worse, so that the departure decides."""
        return all(factor >= 0 for factor in self.factors)


def exact(value: float) -> Fraction:
    """Return the decimal a number was written as, to a thousandth of its unit."""
    return Fraction(str(value)).limit_denominator(1000)


def weight_rules(truck: Truck, rules: Rules) -> tuple[WeightRule, ...]:
    """Return every weight rule of a truck, payload and gross first."""
    ones = (Fraction(1),) * len(truck.rows)
    tare = exact(truck.axles.tare_kg)
    found = [
        WeightRule("payload", ones, exact(truck.payload_max_kg)),
        WeightRule("gross", ones, exact(truck.gross_max_kg) - tare),
    ]
    if not rules.has_axle_limits:
        return tuple(found)
    x = [exact(row.x_mm) for row in truck.rows]
    axles = truck.axles
    if isinstance(axles, SemiAxles):
        return (*found, *_semi(truck, axles, x, tare))
    return (*found, *_rigid(truck, axles, x, tare))


def _semi(truck: Truck, axles: SemiAxles, x: Sequence[Fraction], tare: Fraction) -> list[WeightRule]:
    reach = exact(axles.kingpin_to_bogie_mm)
    bogie = tuple((at - exact(axles.kingpin_x_mm)) / reach for at in x)
    kingpin = tuple(1 - share for share in bogie)
    lead = exact(axles.fifth_wheel_lead_mm) / exact(axles.wheelbase_mm)
    front = tuple(lead * share for share in kingpin)
    drive = tuple((1 - lead) * share for share in kingpin)
    found = [
        WeightRule("bogie", bogie, exact(axles.bogie_max_kg) - exact(axles.bogie_tare_kg)),
        WeightRule("kingpin", kingpin, exact(axles.kingpin_max_kg)),
        WeightRule("kingpin_min", _negative(kingpin), -exact(axles.kingpin_min_kg), is_loaded_only=True),
        WeightRule("front", front, exact(axles.front_max_kg) - exact(axles.front_tare_kg)),
        WeightRule("drive", drive, exact(axles.drive_max_kg) - exact(axles.drive_tare_kg)),
    ]
    return found + _shares(truck, tare, front, exact(axles.front_tare_kg), drive, exact(axles.drive_tare_kg))


def _rigid(truck: Truck, axles: RigidAxles, x: Sequence[Fraction], tare: Fraction) -> list[WeightRule]:
    rear = tuple((at - exact(axles.front_axle_x_mm)) / exact(axles.wheelbase_mm) for at in x)
    front = tuple(1 - share for share in rear)
    found = [
        WeightRule("front", front, exact(axles.front_max_kg) - exact(axles.front_tare_kg)),
        WeightRule("rear", rear, exact(axles.rear_max_kg) - exact(axles.rear_tare_kg)),
    ]
    return found + _shares(truck, tare, front, exact(axles.front_tare_kg), rear, exact(axles.rear_tare_kg))


def _shares(
    truck: Truck,
    tare: Fraction,
    front: tuple[Fraction, ...],
    front_tare: Fraction,
    drive: tuple[Fraction, ...],
    drive_tare: Fraction,
) -> list[WeightRule]:
    """Return the least shares of gross weight; the law says *laden*, so they spare the empty truck."""
    found = []
    for name, pct, factors, own in (
        ("drive_share", truck.drive_min_share_pct, drive, drive_tare),
        ("steer_share", truck.steer_min_share_pct, front, front_tare),
    ):
        if pct > 0:
            share = exact(pct) / 100
            needs = tuple(share - factor for factor in factors)
            found.append(WeightRule(name, needs, own - share * tare, is_loaded_only=True))
    return found


def _negative(factors: Sequence[Fraction]) -> tuple[Fraction, ...]:
    return tuple(-factor for factor in factors)


def integer_rule(
    rule: WeightRule, masses_kg: Sequence[float], places: int
) -> tuple[list[list[int]], int, int]:
    """
    Return a rule in whole numbers for a set of masses: coefficients [row][mass], right side, units per kg.

    Numbers too long for the solver are shortened with coefficients rounded up and the right side down, so a
    plan that keeps the shortened rule keeps the exact one.
    """
    terms = [[factor * exact(mass) for mass in masses_kg] for factor in rule.factors]
    scale = lcm(rule.room_kg.denominator, *(term.denominator for row in terms for term in row))
    largest = max([abs(rule.room_kg), *(abs(term) * places for row in terms for term in row)])
    while largest * scale > _SAFE:
        scale //= 10
    coefficients = [[-((-term * scale).__floor__()) for term in row] for row in terms]
    return coefficients, (rule.room_kg * scale).__floor__(), scale
