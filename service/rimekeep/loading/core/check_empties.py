"""
Whether what the drops give back has room on a truck, and weighs no axle down too far, for judging a plan.

Places are looked for here by a solver of its own (mixed integers over moments), unless the plan says them.
Empties stand along the right wall, in rows that hold no goods for later drops and have none nearer the doors;
until the last drop a way stays clear along the left wall. Judged is all that is announced; the goods without
any of it are judged by themselves.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from rimekeep.loading.core.check_weights import Standing, figures_of
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Riding, Stowed, Truck
from rimekeep.wording import say

# Of a solver in floating point.
_TOLERANCE_KG = 1e-4

# Before any drop to come; stops are numbered from 0 on.
_NOW = -1

Finding = tuple[str, str | None, float, float, str]
"""Kind, after which stop, figure, limit, text."""


@dataclass(frozen=True, slots=True)
class _Item:
    stop: str
    seq: int
    number: int
    places: int
    place_kg: float


def broken_by_empties(
    request: LoadRequest, truck: Truck, standing: Sequence[Standing], stowed: Sequence[Stowed] | None
) -> Iterator[Finding]:
    """Yield what empties break, on the places said or on the best there are."""
    items = _items(request, standing)
    if not items:
        return
    names = {stop.seq: stop.id for stop in request.stops}
    states = sorted({one.seq for one in standing})
    crowded = False
    for seq in states:
        taken = sum(item.places for item in items if item.seq <= seq)
        room = sum(_rooms(truck, standing, seq, seq))
        if taken > room:
            crowded = True
            text = say(
                "Empties after the drop at {names}: {taken} places, {room} can be reached and used.",
                names=names[seq],
                taken=taken,
                room=room,
            )
            yield "empties", names[seq], taken, room, text
    if crowded:
        return
    if stowed is None:
        found = best_stowage(request, truck, standing)
    else:
        found = list(stowed)
        yield from _misplaced(truck, standing, items, found, names)
    if request.rules.has_weights_after_drops:
        yield from _overweight(request, truck, standing, items, found, names)


def best_stowage(request: LoadRequest, truck: Truck, standing: Sequence[Standing]) -> list[Stowed]:
    """Return the places for all empties with the least excess over any limit; none when room is short."""
    return _best(request, truck, standing, _items(request, standing), ())


def best_riding(
    request: LoadRequest,
    truck: Truck,
    standing: Sequence[Standing],
    riding: Sequence[Riding],
    taken: Sequence[tuple[int, float]],
) -> list[list[Riding]]:
    """
    Return where empties that come on board now go, as far as possible within every limit to come.

    Parameters
    ----------
    standing, riding
        Goods still on board, numbered from 1 or later, and empties that are on board already.
    taken
        Per entry, how many places it takes and its mass. [-, kg]

    Returns
    -------
    list of list of Riding
        Per entry; nothing at all when there is no room for them.
    """
    if not taken:
        return []
    new = [_Item("", _NOW, k, places, kg / places) for k, (places, kg) in enumerate(taken)]
    items = [*new, *_items(request, standing)]
    found = _best(request, truck, standing, items, riding) or _best(request, truck, standing, new, riding)
    return [
        [
            Riding(one.row, one.places, one.places * item.place_kg)
            for one in found
            if (one.stop, one.item) == (item.stop, item.number)
        ]
        for item in new
        if found
    ]


def broken_riding(
    request: LoadRequest, truck: Truck, standing: Sequence[Standing], riding: Sequence[Riding]
) -> list[Finding]:
    """
    Return what goods and empties on board break, now and after every drop to come.

    Judged are none and all of what is announced for drops to come. After which stop is None for now.
    """
    names = {stop.seq: stop.id for stop in request.stops}
    found = list(_overweight(request, truck, standing, [], [], names, riding))
    for r, room in enumerate(_rooms(truck, standing, _NOW, _NOW)):
        taken = sum(one.places for one in riding if one.row == r)
        if taken > room:
            text = say(
                "Empties on board take {taken} places of row {r}; {room} may be taken.",
                taken=taken,
                r=r + 1,
                room=room,
            )
            found.append(("empties", None, taken, room, text))
    items = _items(request, standing)
    if items:
        stowed = _best(request, truck, standing, items, riding)
        if not stowed:
            last = max(items, key=lambda item: item.seq)
            text = say("With what is on board there is no room for all empties up to {stop}.", stop=last.stop)
            found.append(("empties", last.stop, sum(one.places for one in riding), 0, text))
        known = {(kind, after) for kind, after, _, _, _ in found}
        found += [
            one
            for one in _overweight(request, truck, standing, items, stowed, names, riding)
            if one[:2] not in known
        ]
    return found


def _best(
    request: LoadRequest,
    truck: Truck,
    standing: Sequence[Standing],
    items: Sequence[_Item],
    riding: Sequence[Riding],
) -> list[Stowed]:
    rows = len(truck.rows)
    states = sorted({item.seq for item in items if item.seq == _NOW} | {one.seq for one in standing})
    width = len(items) * rows + 1
    lower, upper = [], []
    table: list[np.ndarray] = []

    def add(line: np.ndarray, low: float, high: float) -> None:
        table.append(line)
        lower.append(low)
        upper.append(high)

    most = np.full(width, np.inf)
    for k, item in enumerate(items):
        line = np.zeros(width)
        line[k * rows : (k + 1) * rows] = 1
        add(line, item.places, item.places)
        most[k * rows : (k + 1) * rows] = _rooms(truck, standing, item.seq, states[-1], riding)
    unit = _Unit(request, truck)
    for seq in states:
        aboard = [k for k, item in enumerate(items) if item.seq <= seq]
        for r, room in enumerate(_rooms(truck, standing, states[-1], seq, riding)):
            line = np.zeros(width)
            line[[k * rows + r for k in aboard]] = 1
            add(line, 0, room)
        if aboard and request.rules.has_weights_after_drops:
            left = [one for one in standing if one.seq > seq]
            over = unit.none_kg + sum(
                (one.pallet.mass_kg * unit.per_kg[one.row] for one in left), np.zeros(len(unit.none_kg))
            )
            over += sum((one.mass_kg * unit.per_kg[one.row] for one in riding), np.zeros(len(over)))
            allowed = np.zeros(len(over)) if left else np.where(unit.is_least, np.maximum(over, 0), 0)
            for f, room_kg in enumerate(allowed - over):
                line = np.zeros(width)
                for k in aboard:
                    line[k * rows : (k + 1) * rows] = items[k].place_kg * unit.per_kg[:, f]
                line[-1] = -1
                add(line, -np.inf, room_kg)
    cost = np.zeros(width)
    cost[-1] = 1
    whole = np.ones(width, dtype=np.int64)
    whole[-1] = 0
    limits = LinearConstraint(np.array(table), np.array(lower), np.array(upper))
    answer = milp(cost, constraints=limits, bounds=Bounds(np.zeros(width), most), integrality=whole)
    if answer.x is None:
        return []
    if items[0].seq == _NOW and answer.x[-1] <= _TOLERANCE_KG / 2:
        # Within every limit: as far ahead as may be, close to the goods that hold them.
        ahead = np.array([float(r) if item.seq == _NOW else 0.0 for item in items for r in range(rows)])
        most[-1] = _TOLERANCE_KG / 2
        nearer = milp(
            np.append(ahead, 0.0), constraints=limits, bounds=Bounds(np.zeros(width), most), integrality=whole
        )
        answer = answer if nearer.x is None else nearer
    return [
        Stowed(item.stop, item.number, r, round(float(n)))
        for k, item in enumerate(items)
        for r, n in enumerate(answer.x[k * rows : (k + 1) * rows])
        if round(float(n))
    ]


class _Unit:
    """How far each figure is over its limit, in kg: with nothing on board, and per kg in every row."""

    def __init__(self, request: LoadRequest, truck: Truck) -> None:
        over = np.array([[_over(request, truck, r, kg) for kg in (1.0, 2.0)] for r in range(len(truck.rows))])
        self.per_kg = over[:, 1] - over[:, 0]
        self.none_kg = 2 * over[0, 0] - over[0, 1]
        one = figures_of(truck, [_weight(truck, 0, 1.0)], has_axles=request.rules.has_axle_limits)
        self.is_least = np.array([is_least for _, _, _, is_least in one])


def _over(request: LoadRequest, truck: Truck, row: int, mass_kg: float) -> list[float]:
    gross = truck.axles.tare_kg + mass_kg
    return [
        (limit - figure if is_least else figure - limit) * (gross / 100 if kind.endswith("share") else 1)
        for kind, figure, limit, is_least in figures_of(
            truck, [_weight(truck, row, mass_kg)], has_axles=request.rules.has_axle_limits
        )
    ]


def _weight(truck: Truck, row: int, mass_kg: float) -> Standing:
    return Standing(Pallet("", "", "", mass_kg), 0, row, 0, truck.rows[row].body)


def _items(request: LoadRequest, standing: Sequence[Standing]) -> list[_Item]:
    served = {one.pallet.stop for one in standing}
    return [
        _Item(stop.id, stop.seq, number, one.places, one.place_kg)
        for stop in sorted(request.stops, key=lambda stop: stop.seq)
        if stop.id in served and request.rules.has_empties
        for number, one in enumerate(stop.empties)
    ]


def _rooms(
    truck: Truck,
    standing: Sequence[Standing],
    taken_at: int,
    state: int,
    riding: Sequence[Riding] = (),
) -> list[int]:
    """Return per row how many places empties of a drop may take in a state after it."""
    later = [one for one in standing if one.seq > taken_at]
    is_loaded = any(one.seq > state for one in standing)
    rooms = []
    for r, row in enumerate(truck.rows):
        if any(one.row >= r and one.body == row.body for one in later):
            rooms.append(0)
            continue
        beside = any(door.first <= r <= door.last for door in truck.side_doors)
        widest_mm = max(other.across_mm for other in truck.rows if other.body == row.body)
        clear = 1
        while row.across_mm and clear * row.across_mm < widest_mm:
            clear += 1
        free = row.lanes - (row.lanes if beside else clear) if is_loaded else row.lanes
        rooms.append(max(0, free - sum(one.places for one in riding if one.row == r)))
    return rooms


def _misplaced(
    truck: Truck,
    standing: Sequence[Standing],
    items: Sequence[_Item],
    stowed: Sequence[Stowed],
    names: dict[int, str],
) -> Iterator[Finding]:
    """Judge the places a plan says."""
    by_item = {(item.stop, item.number): item for item in items}
    for item in items:
        n = sum(one.places for one in stowed if (one.stop, one.item) == (item.stop, item.number))
        if n != item.places:
            text = say(
                "{n} places are said for empties of {stop} that need {places}.",
                n=n,
                stop=item.stop,
                places=item.places,
            )
            yield "empties", item.stop, n, item.places, text
    known = [one for one in stowed if (one.stop, one.item) in by_item and 0 <= one.row < len(truck.rows)]
    if len(known) < len(stowed):
        text = say(
            "Places are said for empties that no stop of the vehicle gives back, or in rows there are not."
        )
        yield "empties", "", len(stowed), len(known), text
    for one in known:
        seq = by_item[one.stop, one.item].seq
        if not _rooms(truck, standing, seq, max(names))[one.row]:
            text = say(
                "Empties of {stop} in row {row} are behind or beside goods for later stops.",
                stop=one.stop,
                row=one.row + 1,
            )
            yield "empties", one.stop, one.places, 0, text
    for seq in sorted({one.seq for one in standing}):
        rooms = _rooms(truck, standing, max(names), seq)
        for r, room in enumerate(rooms):
            here = [one for one in known if one.row == r and by_item[one.stop, one.item].seq <= seq]
            n = sum(one.places for one in here)
            if n > room:
                text = say(
                    "Empties take {n} places of row {r} after {names}; {room} may be taken.",
                    n=n,
                    r=r + 1,
                    names=names[seq],
                    room=room,
                )
                yield "empties", names[seq], n, room, text


def _overweight(
    request: LoadRequest,
    truck: Truck,
    standing: Sequence[Standing],
    items: Sequence[_Item],
    stowed: Sequence[Stowed],
    names: dict[int, str],
    riding: Sequence[Riding] | None = None,
) -> Iterator[Finding]:
    """
    Judge every state with empties on board; with ``riding`` every other one too, and how things are now.

    With nothing else on board a least need not be kept that the empty truck misses too, but not by more.
    """
    by_item = {(item.stop, item.number): item for item in items}
    unit = _Unit(request, truck)
    aboard = [_weight(truck, one.row, one.mass_kg) for one in riding or ()]
    for seq in sorted({one.seq for one in standing} | (set() if riding is None else {_NOW})):
        back = aboard + [
            _weight(truck, one.row, one.places * by_item[one.stop, one.item].place_kg)
            for one in stowed
            if (one.stop, one.item) in by_item
            and 0 <= one.row < len(truck.rows)
            and by_item[one.stop, one.item].seq <= seq
        ]
        if not back and riding is None:
            continue
        left = [one for one in standing if one.seq > seq]
        gross = truck.axles.tare_kg + sum(one.pallet.mass_kg for one in [*left, *back])
        has_axles = request.rules.has_axle_limits
        for f, (kind, figure, limit, is_least) in enumerate(
            figures_of(truck, [*left, *back], has_axles=has_axles)
        ):
            over = limit - figure if is_least else figure - limit
            over *= gross / 100 if kind.endswith("share") else 1
            spared = max(0.0, float(unit.none_kg[f])) if is_least and not left else 0.0
            if over > spared + _TOLERANCE_KG:
                what = "%" if kind.endswith("share") else "kg"
                word = say("at least") if is_least else say("at most")
                when = say("now") if seq == _NOW else say("after the drop at {names}", names=names[seq])
                text = say(
                    "{kind} {when}, empties on board: {figure:.1f} {what}, {word} {limit:g} {what} allowed.",
                    kind=kind[0].upper() + kind[1:].replace("_", " "),
                    when=when,
                    figure=figure,
                    what=what,
                    word=word,
                    limit=limit,
                )
                yield kind, names.get(seq), figure, limit, text
