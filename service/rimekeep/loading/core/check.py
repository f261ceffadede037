"""
Judging any load plan, hand-made ones too, without a line of the planner.

Moments are taken here on their own: about the bogie for the kingpin, about the tractor's front axle for the
drive axle, about the rear axle for a rigid truck. What this finds is a forecast from stated figures; the
scale decides.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from rimekeep.loading.core.vehicle import LoadRequest, Pallet, SemiAxles

_TOLERANCE_KG = 1e-6

PlacedPallet = tuple[str, int, int]
"""Pallet id, row from the front wall, lane from the left, both from 0. Texts for people count from 1."""


@dataclass(frozen=True, slots=True)
class Violation:
    """
    One rule a plan breaks.

    ``vehicle`` counts from 0, None for the plan as a whole; ``after_stop`` is None at departure and for rules
    that know no state; ``figure`` stands against ``limit`` in the unit of the kind (kg, %, a count).
    """

    kind: str
    vehicle: int | None
    after_stop: str | None
    figure: float
    limit: float
    text: str


@dataclass(frozen=True, slots=True)
class _Standing:
    """A known pallet on an existing place."""

    pallet: Pallet
    seq: int
    row: int
    x_mm: float


def check_plan(request: LoadRequest, plan: Sequence[Sequence[PlacedPallet]]) -> list[Violation]:
    """
    Return every rule of a request that a plan breaks.

    Parameters
    ----------
    request
        What was to be loaded, under which rules.
    plan
        Per vehicle, pallets on their places.

    Returns
    -------
    list of Violation
        Empty for a plan that keeps every rule. Kinds: ``unknown_pallet``, ``missing``, ``twice``,
        ``no_place``, ``place_taken``, ``drop_order``, ``gap``, ``temperature``, ``stops``, ``split``,
        ``fleet``, ``payload``, ``gross``, ``kingpin``, ``kingpin_min``, ``front``, ``drive``, ``bogie``,
        ``rear``, ``drive_share``, ``steer_share``.
    """
    found = list(_whole_plan(request, plan))
    for v, placed in enumerate(plan):
        found += _places(request, v, placed)
        standing = _standing(request, placed)
        if request.rules.has_drop_order:
            found += _drop_order(v, standing)
        if not request.rules.is_gap_allowed:
            found += _gaps(request, v, standing)
        found += _company(request, v, standing)
        found += _weights(request, v, standing)
    return found


def _whole_plan(request: LoadRequest, plan: Sequence[Sequence[PlacedPallet]]) -> Iterator[Violation]:
    times = Counter(pallet for placed in plan for pallet, _, _ in placed)
    known = {pallet.id: pallet for pallet in request.pallets}
    for pallet in known:
        if times[pallet] == 0:
            yield Violation("missing", None, None, 0, 1, f"Pallet {pallet} stands on no vehicle.")
        elif times[pallet] > 1:
            text = f"Pallet {pallet} is placed {times[pallet]} times."
            yield Violation("twice", None, None, times[pallet], 1, text)
    for pallet in times:
        if pallet not in known:
            text = f"There is no pallet {pallet} in the request."
            yield Violation("unknown_pallet", None, None, times[pallet], 0, text)
    used = sum(1 for placed in plan if placed)
    available = request.truck.available
    if available is not None and used > available:
        text = f"The plan uses {used} vehicles and {available} stand in the yard."
        yield Violation("fleet", None, None, used, available, text)
    if not request.rules.is_split_allowed:
        for stop in request.stops:
            served = sum(
                any(p in known and known[p].stop == stop.id for p, _, _ in placed) for placed in plan
            )
            if served > 1:
                text = f"Stop {stop.id} is split over {served} vehicles and may not be."
                yield Violation("split", None, stop.id, served, 1, text)


def _places(request: LoadRequest, v: int, placed: Sequence[PlacedPallet]) -> Iterator[Violation]:
    rows = request.truck.rows
    taken: dict[tuple[int, int], str] = {}
    for pallet, row, lane in placed:
        if not 0 <= row < len(rows):
            text = f"Pallet {pallet} stands in row {row + 1}; the deck has rows 1 to {len(rows)}."
            yield Violation("no_place", v, None, row, len(rows) - 1, text)
        elif not 0 <= lane < rows[row].lanes:
            text = (
                f"Pallet {pallet} stands in lane {lane + 1}; row {row + 1} has lanes 1 to {rows[row].lanes}."
            )
            yield Violation("no_place", v, None, lane, rows[row].lanes - 1, text)
        elif (row, lane) in taken:
            text = f"Pallets {taken[row, lane]} and {pallet} both stand in row {row + 1}, lane {lane + 1}."
            yield Violation("place_taken", v, None, 2, 1, text)
        taken.setdefault((row, lane), pallet)


def _standing(request: LoadRequest, placed: Sequence[PlacedPallet]) -> list[_Standing]:
    known = {pallet.id: pallet for pallet in request.pallets}
    seqs = {stop.id: stop.seq for stop in request.stops}
    rows = request.truck.rows
    return [
        _Standing(known[name], seqs[known[name].stop], row, rows[row].x_mm)
        for name, row, _ in placed
        if name in known and 0 <= row < len(rows)
    ]


def _drop_order(v: int, standing: Sequence[_Standing]) -> Iterator[Violation]:
    for one in standing:
        blocking = [other for other in standing if other.seq > one.seq and other.row > one.row]
        if blocking:
            first = max(blocking, key=lambda other: other.row)
            text = (
                f"Pallet {one.pallet.id} for {one.pallet.stop} in row {one.row + 1} cannot come out: "
                f"{first.pallet.id} for the later stop {first.pallet.stop} stands nearer the doors, "
                f"in row {first.row + 1} (row 1 is at the front wall)."
            )
            yield Violation("drop_order", v, one.pallet.stop, first.row, one.row, text)


def _gaps(request: LoadRequest, v: int, standing: Sequence[_Standing]) -> Iterator[Violation]:
    per_row = Counter(one.row for one in standing)
    last = max(per_row, default=-1)
    for r in range(last):
        lanes = request.truck.rows[r].lanes
        if per_row[r] < lanes:
            text = f"Row {r + 1} holds {per_row[r]} of {lanes} pallets with row {last + 1} loaded behind it."
            yield Violation("gap", v, None, per_row[r], lanes, text)


def _company(request: LoadRequest, v: int, standing: Sequence[_Standing]) -> Iterator[Violation]:
    on_board = {one.pallet.temperature_class for one in standing}
    classes = [known for known in request.temperature_classes if known.id in on_board]
    if request.rules.has_temperature:
        for a, b in combinations(classes, 2):
            warmest_low, coldest_high = max(a.min_c, b.min_c), min(a.max_c, b.max_c)
            if warmest_low > coldest_high:
                text = (
                    f"{a.id} ({a.min_c:g} to {a.max_c:g} °C) and {b.id} ({b.min_c:g} to {b.max_c:g} °C) "
                    "have no common setpoint."
                )
                yield Violation("temperature", v, None, warmest_low, coldest_high, text)
    stops = len({one.pallet.stop for one in standing})
    most = request.rules.max_stops_per_truck
    if most is not None and stops > most:
        text = f"The vehicle serves {stops} stops and may serve {most}."
        yield Violation("stops", v, None, stops, most, text)


def _weights(request: LoadRequest, v: int, standing: Sequence[_Standing]) -> Iterator[Violation]:
    names = {one.seq: one.pallet.stop for one in standing}
    states: list[tuple[str | None, list[_Standing]]] = [(None, list(standing))]
    if request.rules.has_weights_after_drops:
        states += [(names[seq], [one for one in standing if one.seq > seq]) for seq in sorted(names)]
    for after, left in states:
        when = "at departure" if after is None else f"after the drop at {after}"
        for kind, figure, limit, is_least in _figures(request, left):
            is_broken = figure < limit - _TOLERANCE_KG if is_least else figure > limit + _TOLERANCE_KG
            if is_broken:
                unit = "%" if kind.endswith("share") else "kg"
                word = "at least" if is_least else "at most"
                name = kind.replace("_", " ")
                text = f"{name} {when}: {figure:.1f} {unit}, {word} {limit:g} {unit} allowed."
                yield Violation(kind, v, after, figure, limit, text[0].upper() + text[1:])


def _figures(request: LoadRequest, left: Sequence[_Standing]) -> Iterator[tuple[str, float, float, bool]]:
    """Yield kind, figure, limit and whether the limit is a least, for one state of the load."""
    truck = request.truck
    load = sum(one.pallet.mass_kg for one in left)
    gross = load + truck.axles.tare_kg
    yield "payload", load, truck.payload_max_kg, False
    yield "gross", gross, truck.gross_max_kg, False
    if not request.rules.has_axle_limits:
        return
    axles = truck.axles
    if isinstance(axles, SemiAxles):
        bogie_x = axles.kingpin_x_mm + axles.kingpin_to_bogie_mm
        about_bogie = sum(one.pallet.mass_kg * (bogie_x - one.x_mm) for one in left)
        kingpin = about_bogie / axles.kingpin_to_bogie_mm
        behind_front = axles.wheelbase_mm - axles.fifth_wheel_lead_mm
        driven = axles.drive_tare_kg + kingpin * behind_front / axles.wheelbase_mm
        steered = axles.front_tare_kg + axles.drive_tare_kg + kingpin - driven
        yield "kingpin", kingpin, axles.kingpin_max_kg, False
        if left:
            yield "kingpin_min", kingpin, axles.kingpin_min_kg, True
        yield "bogie", axles.bogie_tare_kg + load - kingpin, axles.bogie_max_kg, False
        yield "front", steered, axles.front_max_kg, False
        yield "drive", driven, axles.drive_max_kg, False
    else:
        rear_x = axles.front_axle_x_mm + axles.wheelbase_mm
        about_rear = sum(one.pallet.mass_kg * (rear_x - one.x_mm) for one in left)
        steered = axles.front_tare_kg + about_rear / axles.wheelbase_mm
        driven = gross - steered
        yield "front", steered, axles.front_max_kg, False
        yield "rear", driven, axles.rear_max_kg, False
    if left:
        yield "drive_share", 100 * driven / gross, truck.drive_min_share_pct, True
        yield "steer_share", 100 * steered / gross, truck.steer_min_share_pct, True
