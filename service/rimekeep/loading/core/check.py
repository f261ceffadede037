"""
Judging any load plan, hand-made ones too, without a line of the planner.

What this finds is a forecast from stated figures; the scale decides.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from rimekeep.loading.core.check_empties import broken_by_empties
from rimekeep.loading.core.check_forms import broken_by_forms, broken_by_places
from rimekeep.loading.core.check_rooms import Room, broken_by_bulkheads, broken_by_rooms
from rimekeep.loading.core.check_turned import broken_by_turned, is_full, stood, width_mm
from rimekeep.loading.core.check_turns import broken_by_turns
from rimekeep.loading.core.check_weights import Standing, figures_of
from rimekeep.loading.core.vehicle import LoadRequest, SideDoor, Stowed, Truck, Turn
from rimekeep.loading.core.violation import PlacedPallet, Violation
from rimekeep.wording import noted, say

_TOLERANCE_KG = 1e-6
# What figures are told by, where a vehicle gives its groups of axles no names of its own.
FIGURES = (
    noted("Payload"),
    noted("Gross"),
    noted("Kingpin"),
    noted("Kingpin min"),
    noted("Front"),
    noted("Drive"),
    noted("Rear"),
    noted("Bogie"),
    noted("Drive share"),
    noted("Steer share"),
)


def check_plan(
    request: LoadRequest,
    plan: Sequence[Sequence[PlacedPallet]],
    trucks: Sequence[int] | None = None,
    stowed: Sequence[Sequence[Stowed]] | None = None,
    turns: Sequence[Turn] | None = None,
    turned: Collection[str] = (),
    rooms: Sequence[Sequence[Room]] | None = None,
) -> list[Violation]:
    """
    Return every rule of a request that a plan breaks.

    Parameters
    ----------
    request
        What was to be loaded, under which rules.
    plan
        Per vehicle, pallets on their places.
    trucks
        Per vehicle, its number among the request's trucks; None where there is one.
    stowed
        Per vehicle, where what its stops give back is put; None where any legal places will do.
    turns
        Per vehicle, which trip of which truck it is and when; None where when trucks are out is not judged.
    turned
        Pallets turned by 90° against their row.
    rooms
        Per vehicle, the compartments the plan tells; None where any legal bulkheads will do.

    Returns
    -------
    list of Violation
        Empty for a plan that keeps every rule. Kinds: ``unknown_pallet``, ``missing``, ``twice``,
        ``no_place``, ``place_taken``, ``drop_order``, ``gap``, ``temperature``, ``stops``, ``split``,
        ``fleet``, ``empties``, ``footprint``, ``height``, ``stacking``, ``turned``, ``unloading``,
        ``payload``, ``gross``, the name of an axle group or coupling (``front``, ``drive``, ``bogie``,
        ``rear``, ``trailer``, ``kingpin``, …), the least of a coupling (``kingpin_min``,
        ``coupling_min``), the name of a road's limit, ``drive_share``, ``steer_share``. Of compartments told:
        ``compartment``. Of trips one
        after the other: ``trip_number``, ``trips``, ``vehicle``, ``trip_time``, ``trip_overlap``, ``shift``,
        ``opening``.
    """
    taken = _trucks(request, plan, trucks)
    found = list(_whole_plan(request, plan, taken))
    if turns is not None:
        found += check_turns(request, plan, taken, turns)
    for v, (placed, truck) in enumerate(zip(plan, taken, strict=True)):
        found += broken_by_places(request, truck, v, placed)
        standing = stood(truck, _standing(request, truck, placed), turned)
        found += broken_by_forms(request, truck, v, standing)
        found += broken_by_turned(request, truck, v, standing, turned)
        if request.rules.has_drop_order:
            found += _drop_order(truck, v, standing)
        if not request.rules.is_gap_allowed:
            found += _gaps(truck, v, standing, turned)
        found += _company(request, truck, v, standing)
        if rooms is not None:
            found += broken_by_rooms(request, truck, v, standing, rooms[v])
        found += _weights(request, truck, v, standing)
        back = None if stowed is None else stowed[v]
        found += [
            Violation(kind, v, after, figure, limit, text)
            for kind, after, figure, limit, text in broken_by_empties(request, truck, standing, back)
        ]
    return found


def check_turns(
    request: LoadRequest,
    plan: Sequence[Sequence[PlacedPallet]],
    taken: Sequence[Truck],
    turns: Sequence[Turn],
) -> list[Violation]:
    """Return what the sequence of trips breaks, whatever stands where on them."""
    stop_of = {pallet.id: pallet.stop for pallet in request.pallets}
    ordered = [stop.id for stop in sorted(request.stops, key=lambda stop: stop.seq)]
    called = [{stop_of[name] for name, _, _ in placed if name in stop_of} for placed in plan]
    stops = [[stop for stop in ordered if stop in here] for here in called]
    return [Violation(*one) for one in broken_by_turns(request, stops, taken, turns)]


def check_refusals(
    request: LoadRequest, plan: Sequence[Sequence[PlacedPallet]], trucks: Sequence[int] | None = None
) -> list[Violation]:
    """
    Return the weight limits a plan breaks when a drop, or one pallet of it, is refused and rides along.

    One refusal at a time: every whole drop, and every single pallet. Goods refused stand where they stood; to
    reach later drops behind them they are taken off and put back. Empties
    are not reckoned with here.
    """
    found: list[Violation] = []
    for v, (placed, truck) in enumerate(zip(plan, _trucks(request, plan, trucks), strict=True)):
        standing = _standing(request, truck, placed)
        drops: dict[str, list[str]] = {}
        for one in standing:
            drops.setdefault(one.pallet.stop, []).append(one.pallet.id)
        for stop, ids in drops.items():
            whole = tuple(ids)
            cases = [whole, *((one,) for one in ids)] if len(ids) > 1 else [whole]
            for refused in cases:
                said = (
                    say("the goods for {stop}", stop=stop)
                    if refused == whole
                    else say("pallet {refused} for {stop}", refused=refused[0], stop=stop)
                )
                for broken in _weights(request, truck, v, standing, frozenset(refused)):
                    text = say(
                        "If {said} {which} refused: {text}",
                        said=said,
                        which=(say("are") if refused == whole else say("is")),
                        text=broken.text,
                    )
                    found.append(replace(broken, text=text, refused=refused))
    return found


def _trucks(
    request: LoadRequest, plan: Sequence[Sequence[PlacedPallet]], trucks: Sequence[int] | None
) -> list[Truck]:
    numbers = [0] * len(plan) if trucks is None else trucks
    return [request.trucks[number] for number in numbers]


def _whole_plan(
    request: LoadRequest, plan: Sequence[Sequence[PlacedPallet]], taken: Sequence[Truck]
) -> Iterator[Violation]:
    times = Counter(pallet for placed in plan for pallet, _, _ in placed)
    known = {pallet.id: pallet for pallet in request.pallets}
    for pallet in known:
        if times[pallet] == 0:
            yield Violation(
                "missing", None, None, 0, 1, say("Pallet {pallet} stands on no vehicle.", pallet=pallet)
            )
        elif times[pallet] > 1:
            text = say("Pallet {pallet} is placed {times} times.", pallet=pallet, times=times[pallet])
            yield Violation("twice", None, None, times[pallet], 1, text)
    for pallet in times:
        if pallet not in known:
            text = say("There is no pallet {pallet} in the request.", pallet=pallet)
            yield Violation("unknown_pallet", None, None, times[pallet], 0, text)
    used = Counter(truck.kind for placed, truck in zip(plan, taken, strict=True) if placed)
    yards = {truck.kind: truck for truck in request.trucks}
    for kind, truck in yards.items():
        most = None if truck.available is None else truck.available * truck.trips
        if most is not None and used[kind] > most:
            name = say(" of kind {value}", value=truck.name or kind + 1) if len(yards) > 1 else ""
            text = say(
                "The plan uses {used} vehicles{name} and {most} stand in the yard.",
                used=used[kind],
                name=name,
                most=most,
            )
            if truck.trips > 1:
                text = say(
                    "The plan makes {used} trips with vehicles{name} that may make {most}.",
                    used=used[kind],
                    name=name,
                    most=most,
                )
            yield Violation("fleet", None, None, used[kind], most, text)
    if not request.rules.is_split_allowed:
        for stop in request.stops:
            served = sum(
                any(p in known and known[p].stop == stop.id for p, _, _ in placed) for placed in plan
            )
            if served > 1:
                text = say(
                    "Stop {id} is split over {served} vehicles and may not be.", id=stop.id, served=served
                )
                yield Violation("split", None, stop.id, served, 1, text)


def _standing(request: LoadRequest, truck: Truck, placed: Sequence[PlacedPallet]) -> list[Standing]:
    """Return the known pallets on existing places."""
    known = {pallet.id: pallet for pallet in request.pallets}
    seqs = {stop.id: stop.seq for stop in request.stops}
    return [
        Standing(known[name], seqs[known[name].stop], row, lane, truck.rows[row].body)
        for name, row, lane in placed
        if name in known and 0 <= row < len(truck.rows)
    ]


def _drop_order(truck: Truck, v: int, standing: Sequence[Standing]) -> Iterator[Violation]:
    for one in standing:
        later = [other for other in standing if other.seq > one.seq and other.body == one.body]
        blocking = [other for other in later if other.row > one.row]
        doors = [door for door in truck.side_doors if truck.rows[door.first].body == one.body]
        if not blocking or any(not _in_the_way(door, one, later) for door in doors):
            continue
        first = max(blocking, key=lambda other: other.row)
        aside = say(" and no side door can be reached either") if doors else ""
        text = say(
            "Pallet {id} for {stop} in row {row} cannot come out: {pallet_id} for the later stop "
            "{pallet_stop} stands nearer the doors, in row {row_more} (row 1 is at the front "
            "wall){aside}.",
            id=one.pallet.id,
            stop=one.pallet.stop,
            row=one.row + 1,
            pallet_id=first.pallet.id,
            pallet_stop=first.pallet.stop,
            row_more=first.row + 1,
            aside=aside,
        )
        yield Violation("drop_order", v, one.pallet.stop, first.row, one.row, text)


def _in_the_way(door: SideDoor, one: Standing, later: Sequence[Standing]) -> list[Standing]:
    """
    Return what a later stop has between a pallet and a side door.

    Beside the door that is what stands nearer to it in the same row; from elsewhere every row on the way, the
    nearest one beside the door included.
    """
    if door.first <= one.row <= door.last:
        return [
            other
            for other in later
            if other.row == one.row and (other.lane < one.lane if door.is_left else other.lane > one.lane)
        ]
    if one.row < door.first:
        return [other for other in later if one.row < other.row <= door.first]
    return [other for other in later if door.last <= other.row < one.row]


def _gaps(truck: Truck, v: int, standing: Sequence[Standing], turned: Collection[str]) -> Iterator[Violation]:
    per_row = Counter(row for row, _ in {(one.row, one.lane) for one in standing})
    for body in sorted({one.body for one in standing}):
        last = max(one.row for one in standing if one.body == body)
        for r in range(last):
            lanes = truck.rows[r].lanes
            here = [one for one in standing if one.row == r]
            if any(one.pallet.id in turned for one in here) and is_full(
                truck.rows[r], here, turned, width_mm(truck, body)
            ):
                continue
            if truck.rows[r].body == body and per_row[r] < lanes:
                text = say(
                    "Row {r} holds {per_row} of {lanes} pallets with row {last} loaded behind it.",
                    r=r + 1,
                    per_row=per_row[r],
                    lanes=lanes,
                    last=last + 1,
                )
                yield Violation("gap", v, None, per_row[r], lanes, text)


def _company(request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing]) -> Iterator[Violation]:
    on_board = {one.pallet.temperature_class for one in standing}
    classes = [known for known in request.temperature_classes if known.id in on_board]
    if request.rules.has_temperature and (request.rules.is_single_compartment or truck.has_one_air):
        for a, b in combinations(classes, 2):
            warmest_low, coldest_high = max(a.min_c, b.min_c), min(a.max_c, b.max_c)
            if warmest_low > coldest_high:
                text = say(
                    "{id} ({min_c:g} to {max_c:g} °C) and {b_id} ({b_min_c:g} to {b_max_c:g} °C) have no "
                    "common setpoint.",
                    id=a.id,
                    min_c=a.min_c,
                    max_c=a.max_c,
                    b_id=b.id,
                    b_min_c=b.min_c,
                    b_max_c=b.max_c,
                )
                yield Violation("temperature", v, None, warmest_low, coldest_high, text)
    elif request.rules.has_temperature:
        yield from broken_by_bulkheads(request, truck, v, standing)
    stops = len({one.pallet.stop for one in standing})
    most = request.rules.max_stops_per_truck
    if most is not None and stops > most:
        text = say("The vehicle serves {stops} stops and may serve {most}.", stops=stops, most=most)
        yield Violation("stops", v, None, stops, most, text)


def _weights(
    request: LoadRequest,
    truck: Truck,
    v: int,
    standing: Sequence[Standing],
    refused: frozenset[str] = frozenset(),
) -> Iterator[Violation]:
    """Judge every state; what is refused rides along after its drop."""
    names = {one.seq: one.pallet.stop for one in standing}
    states: list[tuple[str | None, list[Standing]]] = [] if refused else [(None, list(standing))]
    if request.rules.has_weights_after_drops:
        since = min((one.seq for one in standing if one.pallet.id in refused), default=0)
        states += [
            (names[seq], [one for one in standing if one.seq > seq or one.pallet.id in refused])
            for seq in sorted(names)
            if seq >= since
        ]
    for after, left in states:
        when = say("at departure") if after is None else say("after the drop at {after}", after=after)
        for kind, figure, limit, is_least in figures_of(truck, left, has_axles=request.rules.has_axle_limits):
            is_broken = figure < limit - _TOLERANCE_KG if is_least else figure > limit + _TOLERANCE_KG
            if is_broken:
                unit = "%" if kind.endswith("share") else "kg"
                word = say("at least") if is_least else say("at most")
                text = say(
                    "{kind} {when}: {figure:.1f} {unit}, {word} {limit:g} {unit} allowed.",
                    kind=kind[0].upper() + kind[1:].replace("_", " "),
                    when=when,
                    figure=figure,
                    unit=unit,
                    word=word,
                    limit=limit,
                )
                yield Violation(kind, v, after, figure, limit, text)
