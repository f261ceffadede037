"""Where a moved unit goes on a deck, who makes room for it, and who may not be moved at all."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rimekeep.errors import Refused
from rimekeep.loading.core.deck import is_half
from rimekeep.loading.core.problem import form_of
from rimekeep.loading.core.records import PlaceView
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.loading.tables import Trip
from rimekeep.wording import say


@dataclass(frozen=True, slots=True)
class Put:
    """Where a moved unit goes: a place of a trip's deck, which half of it, and how high."""

    trip_id: int
    row: int
    lane: int
    part: int = 0
    tier: int = 0


def require_nothing_on_top(moved: PlaceView, places: Sequence[PlaceView]) -> None:
    here = [one for one in places if one.trip_id == moved.trip_id and moved.spot.is_under(one.spot)]
    if here:
        raise Refused(
            "unit-beneath",
            say(
                "Unit {sscc} stands on top of unit {moved_sscc}; move that one first.",
                sscc=here[0].sscc,
                moved_sscc=moved.sscc,
            ),
            data={"sscc": moved.sscc, "on_top": here[0].sscc},
        )


def _on_top(
    moved: PlaceView, beside: Sequence[PlaceView], there: tuple[int, int, int]
) -> tuple[PlaceView | None, Put]:
    """Return the unit on top there that changes places with the one moved, and where that one goes."""
    lower = [one for one in beside if not one.tier]
    if len(lower) != 1:
        raise Refused(
            "no-unit-beneath",
            say(
                "In row {there}, lane {there_more} stands no one unit that {sscc} could go on.",
                there=there[1] + 1,
                there_more=there[2] + 1,
                sscc=moved.sscc,
            ),
            data={"sscc": moved.sscc, "mend": say("Put it onto the deck, or on top of a whole unit.")},
        )
    upper = next((one for one in beside if one.tier), None)
    return upper, Put(*there, tier=1)


def gives_way(
    request: LoadRequest,
    trip: Trip,
    moved: PlaceView,
    standing_there: Sequence[PlaceView],
    there: tuple[int, int, int],
    tier: int,
) -> tuple[PlaceView | None, Put]:
    """Return which unit changes places with the one moved, and where that one goes."""
    beside = [one for one in standing_there if one.unit_id != moved.unit_id]
    if len(beside) < len(standing_there) and moved.tier:
        return None, Put(*there, moved.part, moved.tier)
    if tier:
        return _on_top(moved, beside, there)
    if not beside:
        return None, Put(*there)
    if upper := [one for one in beside if one.tier]:
        lower = next(one for one in beside if not one.tier)
        raise Refused(
            "unit-beneath",
            say(
                "Unit {sscc} stands on top of unit {lower_sscc} there; move that one first.",
                sscc=upper[0].sscc,
                lower_sscc=lower.sscc,
            ),
            data={"sscc": lower.sscc, "on_top": upper[0].sscc},
        )
    truck = request.trucks[trip.truck_no]
    names = {moved.sscc, *(one.sscc for one in beside)}
    are_halves = all(
        is_half(truck, truck.rows[beside[0].row], form_of(pallet, has_dock=True))
        for pallet in request.pallets
        if pallet.id in names
    )
    if are_halves and len(beside) == 1:
        return None, Put(*there, part=1 - beside[0].part)
    if len(beside) > 1 and not are_halves:
        raise Refused(
            "two-halves-there",
            say(
                "Half pallets {sscc} and {beside_sscc} stand there; move one of them away first.",
                sscc=beside[0].sscc,
                beside_sscc=beside[1].sscc,
            ),
            data={"ssccs": [one.sscc for one in beside]},
        )
    return beside[-1], Put(*there, part=beside[-1].part)


def require_free_to_move(*units: PlaceView | None) -> None:
    for one in units:
        if one is None:
            continue
        if one.loaded_at is not None:
            raise Refused(
                "already-loaded",
                say("Unit {sscc} is on board; unload it before it is moved in the plan.", sscc=one.sscc),
                data={"sscc": one.sscc},
            )
        if one.is_pinned:
            raise Refused(
                "unit-pinned", say("Unit {sscc} is pinned to its place; unpin it first.", sscc=one.sscc),
                data={"sscc": one.sscc},
            )  # fmt: skip


def require_plain_places(places: Sequence[PlaceView]) -> None:
    """Refuse a deck on which units share a place and one is turned: its rows cannot be reckoned."""
    for trip_id in sorted({place.trip_id for place in places if place.is_turned}):
        spots = [(place.row, place.lane) for place in places if place.trip_id == trip_id]
        if len(set(spots)) < len(spots):
            raise Refused(
                "halves-and-turned",
                say("Units share a place on this deck, and another unit on it would be turned."),
                data={"trip_id": trip_id, "mend": say("Give each unit a place of its own, or turn none.")},
            )


def after_move(
    place: PlaceView,
    moved: PlaceView,
    other: PlaceView | None,
    put: Put,
    *,
    is_turned: bool,
) -> PlaceView:
    to = put
    if place.unit_id != moved.unit_id:
        if other is None or place.unit_id != other.unit_id:
            return place
        to, is_turned = Put(moved.trip_id, moved.row, moved.lane, moved.part, moved.tier), place.is_turned
    return replace(
        place, trip_id=to.trip_id, row=to.row, lane=to.lane, part=to.part, tier=to.tier, is_turned=is_turned
    )
