"""
Whether units turned by 90° against their row have the room, and where they and all behind them stand.

Units of a row stand against its front edge, side by side from the left. What is wider than its lane moves the
others of its row over; what is longer than its row pushes the rows behind it towards the doors.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.vehicle import LoadRequest, Row, Truck
from rimekeep.loading.core.violation import Violation
from rimekeep.wording import say

_SAME_MM = 1e-3


def stood(truck: Truck, standing: Sequence[Standing], turned: Collection[str]) -> list[Standing]:
    """Return units with the distance of their centres from the front wall, where turned ones change any."""
    if not any(one.pallet.id in turned for one in standing):
        return list(standing)
    fronts = _fronts_mm(truck, standing, turned)
    return [
        replace(one, x_mm=fronts[one.row] + sides_mm(truck.rows[one.row], one, turned)[0] / 2)
        for one in standing
    ]


def sides_mm(row: Row, one: Standing, turned: Collection[str]) -> tuple[float, float]:
    """Return what a unit takes along and across the deck; an unturned one takes its place."""
    if one.pallet.id not in turned or not row.along_mm:
        return row.along_mm, row.across_mm
    long_mm = one.pallet.long_mm or max(row.along_mm, row.across_mm)
    short_mm = one.pallet.short_mm or min(row.along_mm, row.across_mm)
    return (short_mm, long_mm) if row.along_mm >= row.across_mm else (long_mm, short_mm)


def broken_by_turned(
    request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing], turned: Collection[str]
) -> Iterator[Violation]:
    """Yield what turned units break, each with what would mend it."""
    here = [one for one in standing if one.pallet.id in turned]
    if not here:
        return
    names = " and ".join(one.pallet.id for one in here)
    stops = {one.pallet.stop for one in standing}
    for is_so, why in (
        (any(not truck.rows[one.row].along_mm for one in here), say("the size of its place is not known")),
        (bool(truck.side_doors), say("beside a side door the way out would not be clear")),
        (
            not request.rules.is_single_compartment and len(truck.bodies) * truck.compartments > 1,
            say("bulkheads would no longer stand between the rows"),
        ),
        (
            request.rules.has_empties and any(one.empties for one in request.stops if one.id in stops),
            say("places for the empties that come back are reckoned in whole rows"),
        ),
    ):
        if is_so:
            text = say("{names} cannot be turned: {why}; turn back what is turned.", names=names, why=why)
            yield Violation("turned", v, None, len(here), 0, text)
            return
    for r in sorted({one.row for one in here}):
        yield from _row(truck, v, r, [one for one in standing if one.row == r], turned)
    yield from _length(truck, v, standing, turned, names)


def is_full(row: Row, here: Sequence[Standing], turned: Collection[str], width_mm: float) -> bool:
    """Tell whether a row with a turned unit has no room for one more."""
    return width_mm - sum(sides_mm(row, one, turned)[1] for one in here) < row.across_mm - _SAME_MM


def width_mm(truck: Truck, body: int) -> float:
    """Return how wide a body's deck is, as far as it is known: its widest row at least."""
    rows = max(row.lanes * row.across_mm for row in truck.rows if row.body == body)
    return max(rows, *(width for at, _, width in truck.decks_mm if at == body), 0.0)


def _row(
    truck: Truck, v: int, r: int, here: Sequence[Standing], turned: Collection[str]
) -> Iterator[Violation]:
    row = truck.rows[r]
    if len({one.lane for one in here}) < len(here):
        text = say(
            "Row {r}: a turned unit and one that shares a place in its row; move the shared one.", r=r + 1
        )
        yield Violation("turned", v, None, len(here), row.lanes, text)
        return
    needs = sum(sides_mm(row, one, turned)[1] for one in here)
    room = width_mm(truck, row.body)
    over = needs - room
    if over <= _SAME_MM:
        return
    gone = [
        say("{id} (lane {lane})", id=one.pallet.id, lane=one.lane + 1)
        for one in here
        if one.pallet.id not in turned and sides_mm(row, one, turned)[1] >= over - _SAME_MM
    ]
    back = [one.pallet.id for one in here if one.pallet.id in turned]
    mend = say("move {choices} out of the row, or ", choices=" or ".join(gone)) if gone else ""
    text = say(
        "Row {r} with {choices} turned is {needs:g} mm wide and the deck {room:g} mm: {over:g} "
        "mm are missing; {mend}turn {choices_back} back.",
        r=r + 1,
        choices=" and ".join(back),
        needs=needs,
        room=room,
        over=over,
        mend=mend,
        choices_back=" or ".join(back),
    )
    yield Violation("turned", v, None, needs, room, text)


def _length(
    truck: Truck, v: int, standing: Sequence[Standing], turned: Collection[str], names: str
) -> Iterator[Violation]:
    fronts = _fronts_mm(truck, standing, turned)
    for body in sorted({one.body for one in standing if one.pallet.id in turned}):
        own = [one for one in standing if one.body == body]
        last = max(one.row for one in own)
        end = fronts[last] + max(sides_mm(truck.rows[last], one, turned)[0] for one in own if one.row == last)
        rows = max(row.x_mm + row.along_mm / 2 for row in truck.rows if row.body == body)
        room = max(rows, *(length for at, length, _ in truck.decks_mm if at == body), 0.0)
        if end > room + _SAME_MM:
            ids = " and ".join(one.pallet.id for one in own if one.row == last)
            text = say(
                "With {names} turned row {last} ends {end:g} mm from the front wall and the deck at "
                "{room:g} mm: {end_more:g} mm are missing; move {ids} out of row {last}, leave a row "
                "ahead of it free, or turn back what is turned.",
                names=names,
                last=last + 1,
                end=end,
                room=room,
                end_more=end - room,
                ids=ids,
            )
            yield Violation("turned", v, None, end, room, text)


def _fronts_mm(truck: Truck, standing: Sequence[Standing], turned: Collection[str]) -> list[float]:
    """Return where the front edge of every row stands once longer rows ahead have pushed it back."""
    longest: dict[int, float] = {}
    for one in standing:
        along = sides_mm(truck.rows[one.row], one, turned)[0]
        longest[one.row] = max(along, longest.get(one.row, 0.0))
    fronts: list[float] = []
    ends: dict[int, float] = {}
    for r, row in enumerate(truck.rows):
        front = max(row.x_mm - row.along_mm / 2, ends.get(row.body, row.x_mm - row.along_mm / 2))
        fronts.append(front)
        if r in longest:
            ends[row.body] = front + longest[r]
    return fronts
