"""The answer: what stands where on which vehicle, what the axles carry in every state, and why not."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rimekeep.loading.core.axles import kingpin_and_bogie_kg, rigid_axles_kg, tractor_axles_kg
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, SemiAxles, Truck

Status = Literal["optimal", "feasible", "infeasible"]


@dataclass(frozen=True, slots=True)
class Placement:
    """One pallet on its place; rows count from the front wall, lanes from the left."""

    pallet: str
    row: int
    lane: int


@dataclass(frozen=True, slots=True)
class AxleLoad:
    """What one axle, group or kingpin carries, tare included where it has one."""

    name: str
    load_kg: float
    max_kg: float


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
class VehiclePlan:
    """One loaded vehicle; ``stops`` in drop order, the setpoint anywhere in its range."""

    placements: tuple[Placement, ...]
    stops: tuple[str, ...]
    setpoint_min_c: float
    setpoint_max_c: float
    states: tuple[LoadState, ...]

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
    """

    status: Status
    lower_bound: int
    vehicles: tuple[VehiclePlan, ...]
    visits: int
    visits_bound: int
    unplaced: tuple[str, ...]
    reasons: tuple[str, ...]

    @property
    def placed(self) -> list[list[tuple[str, int, int]]]:
        """Per vehicle, pallet id, row and lane."""
        return [[(p.pallet, p.row, p.lane) for p in vehicle.placements] for vehicle in self.vehicles]


def plan_json(plan: LoadPlan) -> dict[str, object]:
    """Return a plan as plain data for JSON."""
    return {
        "status": plan.status,
        "trucks": len(plan.vehicles),
        "visits": plan.visits,
        "lower_bound": plan.lower_bound,
        "plan": [[list(place) for place in vehicle] for vehicle in plan.placed],
        "reasons": list(plan.reasons),
    }


def axle_loads(truck: Truck, masses_kg: Sequence[float], x_mm: Sequence[float]) -> tuple[AxleLoad, ...]:
    """Return what every axle carries under pallets at given positions."""
    axles = truck.axles
    if isinstance(axles, SemiAxles):
        kingpin, bogie = kingpin_and_bogie_kg(
            masses_kg, x_mm, d_k_mm=axles.kingpin_x_mm, l_s_mm=axles.kingpin_to_bogie_mm
        )
        front, drive = tractor_axles_kg(
            kingpin,
            front_tare_kg=axles.front_tare_kg,
            drive_tare_kg=axles.drive_tare_kg,
            e_mm=axles.fifth_wheel_lead_mm,
            wheelbase_mm=axles.wheelbase_mm,
        )
        return (
            AxleLoad("kingpin", float(kingpin), axles.kingpin_max_kg),
            AxleLoad("front", float(front), axles.front_max_kg),
            AxleLoad("drive", float(drive), axles.drive_max_kg),
            AxleLoad("bogie", axles.bogie_tare_kg + float(bogie), axles.bogie_max_kg),
        )
    front, rear = rigid_axles_kg(
        masses_kg,
        x_mm,
        front_axle_x_mm=axles.front_axle_x_mm,
        wheelbase_mm=axles.wheelbase_mm,
        front_tare_kg=axles.front_tare_kg,
        rear_tare_kg=axles.rear_tare_kg,
    )
    return (
        AxleLoad("front", float(front), axles.front_max_kg),
        AxleLoad("rear", float(rear), axles.rear_max_kg),
    )


def vehicle_plan(request: LoadRequest, placements: Sequence[Placement]) -> VehiclePlan:
    """Return one vehicle's plan with its weights at departure and after every drop."""
    pallets = {pallet.id: pallet for pallet in request.pallets}
    classes = {known.id: known for known in request.temperature_classes}
    carried = [(pallets[place.pallet], place) for place in placements]
    on_board = {pallet.stop for pallet, _ in carried}
    stops = sorted((stop for stop in request.stops if stop.id in on_board), key=lambda stop: stop.seq)
    later = {stop.id: k for k, stop in enumerate(stops, start=1)}
    states = []
    for k in range(len(stops) + 1):
        left = [(pallet, place.row) for pallet, place in carried if later[pallet.stop] > k]
        after = stops[k - 1] if k else None
        states.append(_state(request, left, after.seq if after else 0, after.id if after else None))
    return VehiclePlan(
        placements=tuple(sorted(placements, key=lambda place: (place.row, place.lane))),
        stops=tuple(stop.id for stop in stops),
        setpoint_min_c=max(classes[pallet.temperature_class].min_c for pallet, _ in carried),
        setpoint_max_c=min(classes[pallet.temperature_class].max_c for pallet, _ in carried),
        states=tuple(states),
    )


def _state(request: LoadRequest, left: Sequence[tuple[Pallet, int]], seq: int, stop: str | None) -> LoadState:
    masses = [pallet.mass_kg for pallet, _ in left]
    x_mm = [request.truck.rows[row].x_mm for _, row in left]
    payload = float(sum(masses))
    axles = axle_loads(request.truck, masses, x_mm)
    return LoadState(seq, stop, payload, request.truck.axles.tare_kg + payload, axles)
