"""
The rest of a trip: what is still on board, whether it may go on as it stands, and what the driver does.

Refused goods ride along to the end, so weights after the drops to come are others than planned, and what
stands nearer the doors than a later drop has to be taken off there and put back. Empties taken on board weigh
to the end too, behind the goods; those announced for drops to come are reckoned with. Nothing moves by
itself: what a turned unit pushed back as it was loaded stands there to the end.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.check_empties import broken_riding
from rimekeep.loading.core.check_turned import stood
from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.plan import LoadState, Placement, load_state, vehicle_plan
from rimekeep.loading.core.turned import as_it_stands, still_pushed
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Riding, Stop
from rimekeep.loading.core.violation import Violation
from rimekeep.wording import say

# What rides along to the end stands there as if for one more drop, behind all others.
BACK = say("back to the store")


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
    is_turned: bool = False
    # 0 on the deck, 1 on top of the unit that stands there.
    tier: int = 0


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of a trip: the rules it would break, weights in every state to come, and what to do."""

    violations: tuple[Violation, ...]
    states: tuple[LoadState, ...]
    lines: tuple[str, ...]


def rest_of_trip(
    request: LoadRequest,
    truck_no: int,
    aboard: Sequence[Aboard],
    riding: Sequence[Riding] = (),
    deck_then: Sequence[Aboard] = (),
) -> Rest:
    """
    Return how the rest of a trip stands, judged by the plan's own rules; nothing on board is no rest.

    ``riding`` are the empties taken on board so far, on the places they stand on; ``deck_then`` is the whole
    load as the trip left, where it is known.
    """
    left = as_request(request, aboard, truck_no, deck_then)
    deck = [(one.sscc, one.row, one.lane) for one in aboard]
    turned = frozenset(one.sscc for one in aboard if one.is_turned)
    if not riding:
        if not aboard:
            return Rest((), (), ())
        found = tuple(check_plan(left, [deck], [truck_no], turned=turned))
        standing = [
            Placement(*place, place[0] in turned, one.tier) for one, place in zip(aboard, deck, strict=True)
        ]
        states = vehicle_plan(left, standing, truck=truck_no).states
        return Rest(found, states, tuple(_lines(aboard, found)))
    weights = tuple(
        Violation(kind, 0, after, figure, limit, text)
        for kind, after, figure, limit, text in broken_riding(
            left, left.trucks[truck_no], standing_of(left, truck_no, aboard), riding
        )
    )
    found = (*_without_weights(left, deck, truck_no, turned), *weights)
    lines = [
        say(
            "Empties on board in row {row} along the right wall: {places} {which}, {mass_text}.",
            row=one.row + 1,
            places=one.places,
            which=(say("place") if one.places == 1 else say("places")),
            mass_text=_mass_text(one),
        )
        for one in sorted(riding, key=lambda one: one.row)
    ]
    states = _states(left, truck_no, aboard, riding)
    return Rest(found, states, (*lines, *_lines(aboard, found)))


def _mass_text(riding: Riding) -> str:
    # Every state of the rest is reckoned without what nobody weighed.
    return (
        f"{riding.mass_kg:.0f} kg" if riding.mass_kg else say("NOBODY SAID WHAT THEY WEIGH, taken as nothing")
    )


def _without_weights(
    left: LoadRequest, deck: Sequence[tuple[str, int, int]], truck_no: int, turned: Collection[str]
) -> Iterator[Violation]:
    """Yield what goods break besides weights, which are judged with the empties on board."""
    rules = replace(left.rules, has_weights_after_drops=False, has_axle_limits=False, has_empties=False)
    for one in check_plan(replace(left, rules=rules), [deck], [truck_no], turned=turned):
        if one.kind not in ("payload", "gross"):
            yield one


def standing_of(left: LoadRequest, truck_no: int, aboard: Sequence[Aboard]) -> list[Standing]:
    """Return what is on board in the checker's form."""
    known = {pallet.id: pallet for pallet in left.pallets}
    seqs = {stop.id: stop.seq for stop in left.stops}
    rows = left.trucks[truck_no].rows
    standing = [
        Standing(known[one.sscc], seqs[known[one.sscc].stop], one.row, one.lane, rows[one.row].body)
        for one in aboard
    ]
    return stood(left.trucks[truck_no], standing, {one.sscc for one in aboard if one.is_turned})


def _states(
    left: LoadRequest, truck_no: int, aboard: Sequence[Aboard], riding: Sequence[Riding]
) -> tuple[LoadState, ...]:
    """Return the weights now and after every drop to come, without what is announced there."""
    standing = standing_of(left, truck_no, aboard)
    names = {stop.seq: stop.id for stop in left.stops}
    back = [(one.mass_kg, one.row) for one in riding]
    truck, at = as_it_stands(
        left.trucks[truck_no],
        [(one.pallet, one.row, on.is_turned) for one, on in zip(standing, aboard, strict=True)],
    )
    found = []
    for seq in (None, *sorted({one.seq for one in standing})):
        goods = [
            (one.pallet.mass_kg, row)
            for one, row in zip(standing, at, strict=True)
            if seq is None or one.seq > seq
        ]
        after = None if seq is None else names[seq]
        found.append(load_state(truck, [*goods, *back], seq or 0, after))
    return tuple(found)


def as_request(
    request: LoadRequest, aboard: Sequence[Aboard], truck_no: int = 0, deck_then: Sequence[Aboard] = ()
) -> LoadRequest:
    """
    Return the plan's request with no more than what is on board; what was refused rides to the end.

    The truck's rows are where what is left stands, given the whole load as it left.
    """
    known = {pallet.id: pallet for pallet in request.pallets}
    truck = still_pushed(
        request.trucks[truck_no],
        [(known[one.like], one.row, one.is_turned) for one in deck_then],
        {one.row for one in aboard},
    )
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
        request,
        trucks=(*request.trucks[:truck_no], truck, *request.trucks[truck_no + 1 :]),
        stops=(*request.stops, Stop(BACK, last + 1)),
        pallets=tuple(_heavy(one) for one in pallets),
    )


def _heavy(pallet: Pallet) -> Pallet:
    # What is left of a pallet weighs something; the checker takes no massless ones.
    return replace(pallet, mass_kg=max(pallet.mass_kg, 1e-3))


def _is_under(one: Aboard, other: Aboard) -> bool:
    return (one.row, one.lane) == (other.row, other.lane) and one.tier < other.tier


def _lines(aboard: Sequence[Aboard], found: Sequence[Violation]) -> list[str]:
    refused = [one for one in aboard if one.is_refused]
    lines = [
        say(
            "Refused at drop {drop}: unit {sscc} stays on board in row {row}, lane {lane}, "
            "{mass_kg:.0f} kg; it goes back to the store.",
            drop=one.drop,
            sscc=one.sscc,
            row=one.row + 1,
            lane=one.lane + 1,
            mass_kg=one.mass_kg,
        )
        for one in sorted(refused, key=lambda one: (one.drop, one.row, one.lane))
    ]
    if refused:
        lines.append(say("Secure what is left on board again before the vehicle moves."))
    for one in sorted(refused, key=lambda one: one.drop):
        barred = sorted(
            {
                other.drop
                for other in aboard
                if not other.is_refused and (other.row < one.row or _is_under(other, one))
            }
        )
        if barred:
            drops = ", ".join(str(drop) for drop in barred)
            lines.append(
                say(
                    "At drop {drops} take unit {sscc} off first, put it back after and secure it again; or "
                    "set it nearer the front wall once there is room.",
                    drops=drops,
                    sscc=one.sscc,
                )
            )
        rest = [other for other in aboard if other.sscc != other.like and _is_under(other, one)]
        lines += [
            say(
                "Unit {sscc} stands on what was refused of unit {like}: set it down on the deck.",
                sscc=one.sscc,
                like=other.like,
            )
            for other in rest
        ]
    crowded = [broken.text for broken in found if broken.kind == "empties"]
    if crowded:
        lines.append(say("With what is on board there is less room for empties; leave what finds none:"))
        lines += crowded
    # What stands on a unit of an earlier drop is lifted off there, as said above.
    told = ("drop_order", "empties", "stacking")
    weights = [broken.text for broken in found if broken.kind not in told]
    if weights:
        lines.append(say("DO NOT DRIVE ON as it stands; call the dispatcher:"))
        lines += weights
    return lines
