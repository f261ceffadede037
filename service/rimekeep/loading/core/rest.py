"""
The rest of a trip: what is still on board, whether it may go on as it stands, and what the driver does.

Refused goods ride along to the end, so weights after the drops to come are others than planned, and what
stands nearer the doors than a later drop has to be taken off there and put back. Empties announced for drops
to come are reckoned with; those taken on board already are not: nobody says where they were put.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import LoadState, Placement, vehicle_plan
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Stop
from rimekeep.loading.core.violation import Violation

# What rides along to the end stands there as if for one more drop, behind all others.
BACK = "back to the store"


@dataclass(frozen=True, slots=True)
class Aboard:
    """A unit still on board; ``like`` is the unit of the plan it is, or was taken from."""

    sscc: str
    like: str
    drop: int
    row: int
    lane: int
    mass_kg: float
    is_refused: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of a trip: the rules it would break, weights in every state to come, and what to do."""

    violations: tuple[Violation, ...]
    states: tuple[LoadState, ...]
    lines: tuple[str, ...]


def rest_of_trip(request: LoadRequest, truck_no: int, aboard: Sequence[Aboard]) -> Rest:
    """Return how the rest of a trip stands, judged by the plan's own rules; nothing on board is no rest."""
    if not aboard:
        return Rest((), (), ())
    left = _as_request(request, aboard)
    deck = [(one.sscc, one.row, one.lane) for one in aboard]
    found = tuple(check_plan(left, [deck], [truck_no]))
    states = vehicle_plan(left, [Placement(*place) for place in deck], truck=truck_no).states
    return Rest(found, states, tuple(_lines(aboard, found)))


def _as_request(request: LoadRequest, aboard: Sequence[Aboard]) -> LoadRequest:
    known = {pallet.id: pallet for pallet in request.pallets}
    pallets = [
        replace(
            known[one.like],
            id=one.sscc,
            stop=BACK if one.is_refused else known[one.like].stop,
            mass_kg=one.mass_kg,
        )
        for one in aboard
    ]
    last = max((stop.seq for stop in request.stops), default=0)
    return replace(
        request, stops=(*request.stops, Stop(BACK, last + 1)), pallets=tuple(_heavy(one) for one in pallets)
    )


def _heavy(pallet: Pallet) -> Pallet:
    # What is left of a pallet weighs something; the checker takes no massless ones.
    return replace(pallet, mass_kg=max(pallet.mass_kg, 1e-3))


def _lines(aboard: Sequence[Aboard], found: Sequence[Violation]) -> list[str]:
    refused = [one for one in aboard if one.is_refused]
    if not refused:
        return []
    lines = [
        f"Refused at drop {one.drop}: unit {one.sscc} stays on board in row {one.row + 1}, "
        f"lane {one.lane + 1}, {one.mass_kg:.0f} kg; it goes back to the store."
        for one in sorted(refused, key=lambda one: (one.drop, one.row, one.lane))
    ]
    lines.append("Secure what is left on board again before the vehicle moves.")
    for one in sorted(refused, key=lambda one: one.drop):
        barred = sorted({other.drop for other in aboard if not other.is_refused and other.row < one.row})
        if barred:
            drops = ", ".join(str(drop) for drop in barred)
            lines.append(
                f"At drop {drops} take unit {one.sscc} off first, put it back after and secure it again; "
                "or set it nearer the front wall once there is room."
            )
    crowded = [broken.text for broken in found if broken.kind == "empties"]
    if crowded:
        lines.append("With what was refused on board there is less room for empties; leave what finds none:")
        lines += crowded
    weights = [broken.text for broken in found if broken.kind not in ("drop_order", "empties")]
    if weights:
        lines.append("DO NOT DRIVE ON as it stands; call the dispatcher:")
        lines += weights
    return lines
