"""The answer: what stands where on which vehicle, what the axles carry in every state, and why not."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from rimekeep.loading.core.axle_loads import AxleLoad, axle_loads
from rimekeep.loading.core.stow import stowed_empties
from rimekeep.loading.core.turned import as_it_stands
from rimekeep.loading.core.vehicle import LoadRequest, Stowed, TemperatureClass, Truck, Turn
from rimekeep.wording import say

Status = Literal["optimal", "feasible", "infeasible"]


def middle_c(low_c: float, high_c: float) -> float:
    """Return the set point advised for a range: its middle, with most room to either side. [°C]"""
    return round((low_c + high_c) / 2, 1)


@dataclass(frozen=True, slots=True)
class Placement:
    """
    One pallet on its place, turned or not; rows count from the front wall, lanes from the left.

    ``tier`` 0 is the deck, 1 on top of another pallet.
    """

    pallet: str
    row: int
    lane: int
    is_turned: bool = False
    tier: int = 0


@dataclass(frozen=True, slots=True)
class LoadState:
    """Weights at departure (``after_seq`` 0, no stop) or after one drop."""

    after_seq: int
    after_stop: str | None
    payload_kg: float
    gross_kg: float
    axles: tuple[AxleLoad, ...]

    def load_kg(self, name: str) -> float:
        """Return what one axle carries."""
        return next(axle.load_kg for axle in self.axles if axle.name == name)


@dataclass(frozen=True, slots=True)
class Compartment:
    """Rows of one body between walls and bulkheads, and the air all goods in it may travel in."""

    first_row: int
    last_row: int
    setpoint_min_c: float
    setpoint_max_c: float

    @property
    def setpoint_c(self) -> float:
        """Return the set point advised."""
        return middle_c(self.setpoint_min_c, self.setpoint_max_c)

    @property
    def rows_words(self) -> str:
        """Return which rows it spans, counted from 1."""
        if self.first_row == self.last_row:
            return say("row {row}", row=self.first_row + 1)
        return say("rows {first} to {last}", first=self.first_row + 1, last=self.last_row + 1)


@dataclass(frozen=True, slots=True)
class VehiclePlan:
    """
    One loaded vehicle; ``stops`` in drop order, the setpoint anywhere in its range.

    States after drops weigh ``stowed``, what the stops give back, on the places found for it.

    ``truck`` is its number among the request's trucks. With ``compartments`` (front first) there is no one
    setpoint: then the range runs over all of them.
    """

    placements: tuple[Placement, ...]
    stops: tuple[str, ...]
    setpoint_min_c: float
    setpoint_max_c: float
    states: tuple[LoadState, ...]
    truck: int = 0
    compartments: tuple[Compartment, ...] = ()
    stowed: tuple[Stowed, ...] = ()

    @property
    def margin_kg(self) -> float:
        """Least slack of any axle in any state."""
        return min(axle.max_kg - axle.load_kg for state in self.states for axle in state.axles)


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """
    A plan with what is proven about it.

    ``optimal``: neither vehicles nor visits can be fewer. ``feasible``: legal, and any plan needs at least
    ``lower_bound`` vehicles; with the plan's number of vehicles, at least ``visits_bound`` visits.
    ``infeasible``: ``reasons`` say why and what would help.

    ``turns`` say per vehicle which trip of which truck it is; empty where nothing is said of shifts, and each
    is a truck of its own.
    """

    status: Status
    lower_bound: int
    vehicles: tuple[VehiclePlan, ...]
    visits: int
    visits_bound: int
    unplaced: tuple[str, ...]
    reasons: tuple[str, ...]
    turns: tuple[Turn, ...] = ()

    @property
    def trucks_needed(self) -> int:
        """How many trucks make the trips."""
        return len({turn.vehicle for turn in self.turns}) if self.turns else len(self.vehicles)

    @property
    def placed(self) -> list[list[tuple[str, int, int]]]:
        """Per vehicle, pallet id, row and lane."""
        return [[(p.pallet, p.row, p.lane) for p in vehicle.placements] for vehicle in self.vehicles]

    @property
    def trucks(self) -> list[int]:
        """Per vehicle, its number among the request's trucks."""
        return [vehicle.truck for vehicle in self.vehicles]


def plan_json(plan: LoadPlan, request: LoadRequest | None = None) -> dict[str, object]:
    """
    Return a plan as plain data for JSON; with several trucks to choose from, also which were taken.

    ``empties`` are, per vehicle, the stop, the entry among what it gives back, the row and the places taken.
    """
    is_divided = any(vehicle.compartments for vehicle in plan.vehicles)
    several = request is not None and (len(request.trucks) > 1 or is_divided)
    taken = (
        [_taken(request.trucks[one.truck], one) for one in plan.vehicles]
        if request is not None and several
        else []
    )
    back = [[[one.stop, one.item, one.row, one.places] for one in v.stowed] for v in plan.vehicles]
    found: dict[str, object] = {
        "status": plan.status,
        "trucks": plan.trucks_needed,
        "visits": plan.visits,
        "lower_bound": plan.lower_bound,
        "plan": [[list(place) for place in vehicle] for vehicle in plan.placed],
        "reasons": list(plan.reasons),
    }
    if several:
        found["vehicles"] = taken
    if plan.turns:
        found["trips"] = [asdict(turn) for turn in plan.turns]
    if any(back):
        found["empties"] = back
    return found


def _taken(truck: Truck, vehicle: VehiclePlan) -> dict[str, object]:
    """Return which truck of a request was taken, and how its deck is laid out."""
    rows = [{"x_mm": row.x_mm, "lanes": row.lanes, "body": row.body} for row in truck.rows]
    shown: dict[str, object] = {"truck": truck.kind, "name": truck.name, "rows": rows}
    return shown | (
        {"compartments": [asdict(one) for one in vehicle.compartments]} if vehicle.compartments else {}
    )


def vehicle_plan(request: LoadRequest, placements: Sequence[Placement], *, truck: int = 0) -> VehiclePlan:
    """Return one vehicle's plan with its weights at departure and after every drop, empties included."""
    chosen = request.trucks[truck]
    pallets = {pallet.id: pallet for pallet in request.pallets}
    classes = {known.id: known for known in request.temperature_classes}
    carried = [(pallets[place.pallet], place) for place in placements]
    on_board = {pallet.stop for pallet, _ in carried}
    stops = sorted((stop for stop in request.stops if stop.id in on_board), key=lambda stop: stop.seq)
    later = {stop.id: k for k, stop in enumerate(stops, start=1)}
    stowed = stowed_empties(request, truck, [(pallet, place.row) for pallet, place in carried])
    standing, at = as_it_stands(chosen, [(pallet, place.row, place.is_turned) for pallet, place in carried])
    empties = {stop.id: stop.empties for stop in stops}
    states = []
    for k in range(len(stops) + 1):
        left = [
            (pallet.mass_kg, row)
            for (pallet, _), row in zip(carried, at, strict=True)
            if later[pallet.stop] > k
        ]
        left += [
            (one.places * empties[one.stop][one.item].place_kg, one.row)
            for one in stowed
            if later[one.stop] <= k
        ]
        after = stops[k - 1] if k else None
        states.append(load_state(standing, left, after.seq if after else 0, after.id if after else None))
    ranges = [(classes[pallet.temperature_class], place.row) for pallet, place in carried]
    low, high = max(one.min_c for one, _ in ranges), min(one.max_c for one, _ in ranges)
    is_whole = request.rules.is_single_compartment or chosen.has_one_air
    divided = () if is_whole else _compartments(chosen, ranges)
    if divided:
        low = min(one.setpoint_min_c for one in divided)
        high = max(one.setpoint_max_c for one in divided)
    return VehiclePlan(
        placements=tuple(sorted(placements, key=lambda place: (place.row, place.lane))),
        stops=tuple(stop.id for stop in stops),
        setpoint_min_c=low,
        setpoint_max_c=high,
        states=tuple(states),
        truck=truck,
        compartments=divided,
        stowed=stowed,
    )


def compartments_of(
    request: LoadRequest, placements: Sequence[Placement], *, truck: int = 0
) -> tuple[Compartment, ...]:
    """Return the compartments of one vehicle, front first; none where it has one air, or nothing on it."""
    chosen = request.trucks[truck]
    if request.rules.is_single_compartment or chosen.has_one_air:
        return ()
    classes = {known.id: known for known in request.temperature_classes}
    class_of = {pallet.id: pallet.temperature_class for pallet in request.pallets}
    found = _compartments(chosen, [(classes[class_of[one.pallet]], one.row) for one in placements])
    return found if len(found) > 1 else ()


def _compartments(truck: Truck, ranges: Sequence[tuple[TemperatureClass, int]]) -> tuple[Compartment, ...]:
    """
    Return the compartments of a divided load, each as long as the goods allow from the front wall on.

    A bulkhead stands as far back as it may ahead of the first row whose goods share no air with those before.
    """
    found = []
    for rows in truck.bodies:
        start, low, high = rows[0], -math.inf, math.inf
        for r in rows:
            here = [known for known, row in ranges if row == r]
            both = (max([low, *(one.min_c for one in here)]), min([high, *(one.max_c for one in here)]))
            if both[0] > both[1]:
                allowed = [
                    s for s in range(start, r) if truck.bulkhead_rows is None or s in truck.bulkhead_rows
                ]
                behind = max(allowed, default=r - 1)
                found.append((start, behind))
                start = behind + 1
                since = [known for known, row in ranges if start <= row <= r]
                both = (max(one.min_c for one in since), min(one.max_c for one in since))
            low, high = both
        found.append((start, rows[-1]))
    return tuple(
        Compartment(first, last, max(one.min_c for one in inside), min(one.max_c for one in inside))
        for first, last in found
        if (inside := [known for known, row in ranges if first <= row <= last])
    )


def part_numbers(placements: Sequence[Placement]) -> list[int]:
    """Return for every pallet how many listed before it stand beside it on its place."""
    seen: Counter[tuple[int, int, int]] = Counter()
    found = []
    for place in placements:
        spot = (place.row, place.lane, place.tier)
        found.append(seen[spot])
        seen[spot] += 1
    return found


def load_state(truck: Truck, left: Sequence[tuple[float, int]], seq: int, stop: str | None) -> LoadState:
    """Return the weights of masses in rows, after a drop."""
    masses = [mass_kg for mass_kg, _ in left]
    payload = float(sum(masses))
    axles = axle_loads(truck, masses, [row for _, row in left])
    return LoadState(seq, stop, payload, truck.axles.tare_kg + payload, axles)
