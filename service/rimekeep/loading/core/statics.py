"""
Every weight limit as one linear rule over the rows of a deck.

With positions fixed, each axle load is a sum over pallets of mass times a factor of the row, so a limit is
``Σ mass · factor(row) <= room``. Factors are exact fractions: a plan at the limit is legal, one gram over is
not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import lcm

from rimekeep.loading.core.chassis import CentreAxleTrailer, DrawbarAxles, RigidAxles, SemiAxles
from rimekeep.loading.core.vehicle import Rules, Truck

# Beyond this, sums of integers would leave the solver's 64 bits.
_SAFE = 1 << 56


@dataclass(frozen=True, slots=True)
class WeightRule:
    """
    ``Σ mass · factors[row] <= room_kg`` in a state; ``is_loaded_only`` spares the empty truck.

    With trucks side by side in one deck, ``truck`` is the one it binds; the others' rows have factor 0.
    """

    name: str
    factors: tuple[Fraction, ...]
    room_kg: Fraction
    is_loaded_only: bool = False
    truck: int = 0

    @property
    def is_eased_by_unloading(self) -> bool:
        """True when no drop can make it worse, so that the departure decides."""
        return all(factor >= 0 for factor in self.factors)


Factors = tuple[Fraction, ...]


@lru_cache(maxsize=16_384)
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
    factors, pressed = axle_factors(truck)
    borne = [
        WeightRule(group.name, factors[group.name], exact(group.max_kg) - exact(group.tare_kg))
        for group in truck.axles.groups
    ]
    of_trailer = sum(group.role == "trailer" for group in truck.axles.groups)
    motor = len(borne) - of_trailer
    found += [*borne[motor:], *pressed, *borne[:motor]]
    found += _road_limits(truck, factors)
    found += _shares(truck, factors, tare)
    return tuple(found)


def axle_factors(truck: Truck) -> tuple[dict[str, Factors], list[WeightRule]]:
    """Return what one kilogram in each row puts on every axle group, and the rules of the coupling."""
    axles = truck.axles
    if isinstance(axles, SemiAxles):
        return _semi(truck, axles)
    if isinstance(axles, DrawbarAxles):
        return _drawbar(truck, axles)
    return _rigid(axles, [exact(row.x_mm) for row in truck.rows]), []


def _semi(truck: Truck, axles: SemiAxles) -> tuple[dict[str, Factors], list[WeightRule]]:
    reach = exact(axles.kingpin_to_bogie_mm)
    bogie = tuple((exact(row.x_mm) - exact(axles.kingpin_x_mm)) / reach for row in truck.rows)
    kingpin = tuple(1 - share for share in bogie)
    lead = exact(axles.fifth_wheel_lead_mm) / exact(axles.wheelbase_mm)
    factors = {
        "front": tuple(lead * share for share in kingpin),
        "drive": tuple((1 - lead) * share for share in kingpin),
        "bogie": bogie,
    }
    return factors, _pressed("kingpin", kingpin, axles.kingpin_min_kg, axles.kingpin_max_kg)


def _pressed(name: str, factors: Factors, least_kg: float, most_kg: float) -> list[WeightRule]:
    """Return what a coupling bears of the load: a most, and a least that spares the empty truck."""
    return [
        WeightRule(name, factors, exact(most_kg)),
        WeightRule(f"{name}_min", _negative(factors), -exact(least_kg), is_loaded_only=True),
    ]


def _rigid(axles: RigidAxles, x: Sequence[Fraction]) -> dict[str, Factors]:
    rear = tuple((at - exact(axles.front_axle_x_mm)) / exact(axles.wheelbase_mm) for at in x)
    return {"front": tuple(1 - share for share in rear), "rear": rear}


def _drawbar(truck: Truck, axles: DrawbarAxles) -> tuple[dict[str, Factors], list[WeightRule]]:
    """
    Return the factors of a combination.

    What the trailer's eye presses on the coupling stands on the truck as a load behind its rear axle would.
    """
    trailer, zero = axles.trailer, Fraction(0)
    own = _rigid(axles.motor, [exact(row.x_mm) for row in truck.rows])
    hung = _rigid(axles.motor, [exact(axles.coupling_x_mm)])
    if isinstance(trailer, CentreAxleTrailer):
        eye, axle = exact(trailer.eye_x_mm), exact(trailer.axle_x_mm)
        coupling = tuple((axle - exact(row.x_mm)) / (axle - eye) if row.body else zero for row in truck.rows)
        carried = {
            "trailer": tuple(
                1 - share if row.body else zero for row, share in zip(truck.rows, coupling, strict=True)
            )
        }
        found = _pressed("coupling", coupling, trailer.coupling_min_kg, trailer.coupling_max_kg)
    else:
        front, rear = exact(trailer.front_x_mm), exact(trailer.rear_x_mm)
        behind = tuple((exact(row.x_mm) - front) / (rear - front) for row in truck.rows)
        coupling = (zero,) * len(truck.rows)
        carried = {
            "trailer_front": tuple(
                1 - share if row.body else zero for row, share in zip(truck.rows, behind, strict=True)
            ),
            "trailer_rear": tuple(
                share if row.body else zero for row, share in zip(truck.rows, behind, strict=True)
            ),
        }
        found = []
    motor = {
        name: tuple(
            hung[name][0] * share if row.body else factor
            for row, share, factor in zip(truck.rows, coupling, own[name], strict=True)
        )
        for name in own
    }
    on_motor = tuple(sum(pair) for pair in zip(motor["front"], motor["rear"], strict=True))
    on_trailer = tuple(Fraction(row.body) for row in truck.rows)
    for name, factors, most, tare in (
        ("motor_gross", on_motor, axles.motor_max_kg, axles.motor.tare_kg),
        ("trailer_gross", on_trailer, axles.trailer_max_kg, trailer.tare_kg),
    ):
        if most > 0:
            found.append(WeightRule(name, tuple(map(Fraction, factors)), exact(most) - exact(tare)))
    return motor | carried, found


def _road_limits(truck: Truck, factors: dict[str, Factors]) -> list[WeightRule]:
    tares = {group.name: exact(group.tare_kg) for group in truck.axles.groups}
    found = []
    for limit in truck.limits:
        together = [
            sum((share * factors[name][r] for name, share in limit.shares), Fraction(0))
            for r in range(len(truck.rows))
        ]
        tare = sum((share * tares[name] for name, share in limit.shares), Fraction(0))
        found.append(WeightRule(limit.name, tuple(together), exact(limit.max_kg) - tare))
    return found


def _shares(truck: Truck, factors: dict[str, Factors], tare: Fraction) -> list[WeightRule]:
    """Return the least shares of gross weight; the law says *laden*, so they spare the empty truck."""
    found = []
    for name, pct, role in (
        ("drive_share", truck.drive_min_share_pct, "drive"),
        ("steer_share", truck.steer_min_share_pct, "steer"),
    ):
        if pct > 0:
            group = next(group for group in truck.axles.groups if group.role == role)
            part = exact(group.driven_share) if role == "drive" else Fraction(1)
            share = exact(pct) / 100
            needs = tuple(share - part * factor for factor in factors[group.name])
            room = part * exact(group.tare_kg) - share * tare
            found.append(WeightRule(name, needs, room, is_loaded_only=True))
    return found


def _negative(factors: Sequence[Fraction]) -> Factors:
    return tuple(-factor for factor in factors)


def integer_rule(
    rule: WeightRule, masses_kg: Sequence[float], places: int
) -> tuple[list[list[int]], int, int]:
    """
    Return a rule in whole numbers for a set of masses: coefficients [row][mass], right side, units per kg.

    Numbers too long for the solver are shortened with coefficients rounded up and the right side down, so a
    plan that keeps the shortened rule keeps the exact one.
    """
    # Many groups weigh alike and many rules press alike on every row: each product is taken once.
    terms = {
        factor: {mass: factor * exact(mass) for mass in dict.fromkeys(masses_kg)}
        for factor in dict.fromkeys(rule.factors)
    }
    every = [term for row in terms.values() for term in row.values()]
    scale = lcm(rule.room_kg.denominator, *(term.denominator for term in every))
    largest = max([abs(rule.room_kg), *(abs(term) * places for term in every)])
    while largest * scale > _SAFE:
        scale //= 10
    whole = {
        factor: {mass: -((-term * scale).__floor__()) for mass, term in row.items()}
        for factor, row in terms.items()
    }
    coefficients = [[whole[factor][mass] for mass in masses_kg] for factor in rule.factors]
    return coefficients, (rule.room_kg * scale).__floor__(), scale
