"""
Public bin packing instances, stated as loads without axles: one deck, one stop, payload alone binds.

Read from fixtures/checks/loads, where source and licence stand; without that folder nothing is measured.
"""

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rimekeep.loading.core.chassis import RigidAxles
from rimekeep.loading.core.effort import Progress
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.vehicle import (
    LoadRequest,
    Pallet,
    Row,
    Rules,
    Stop,
    TemperatureClass,
    Truck,
)

FOLDER = Path(__file__).parents[5] / "fixtures" / "checks" / "loads"
MOST_S = 10.0


@dataclass(frozen=True, slots=True)
class PublicFigure:
    """One line: what, the figure, the aim, how."""

    work: str
    value: float
    aim: str
    detail: str


def packing_request(instance: dict[str, Any]) -> LoadRequest:
    """Return a bin packing instance as a load request; a vehicle is a bin, payload its capacity."""
    items, capacity = instance["items"], instance["capacity"]
    truck = Truck(
        name="bin",
        axles=RigidAxles(0, 1000, 0, 0, capacity, capacity),
        rows=(Row(0, min(len(items), capacity // min(items))),),
        payload_max_kg=capacity,
        gross_max_kg=capacity,
    )
    pallets = tuple(Pallet(f"I{k}", "all", "any", mass) for k, mass in enumerate(items))
    return LoadRequest(
        trucks=(truck,),
        rules=Rules(has_axle_limits=False),
        temperature_classes=(TemperatureClass("any", 0, 0),),
        stops=(Stop("all", 1),),
        pallets=pallets,
        name=instance["name"],
    )


def measure() -> list[PublicFigure]:
    """Return the share of instances solved to the published optimum in time, listed."""
    told, solved = [], 0
    paths = sorted(FOLDER.glob("orlib_*.json"))
    for path in paths:
        instance = json.loads(path.read_text("utf-8"))
        request = packing_request(instance)
        begun = time.perf_counter()
        at_s: list[float] = []

        def tell(progress: Progress, best: int = instance["published_optimum"], since: float = begun) -> bool:
            if progress.vehicles == best == progress.lower_bound:
                at_s.append(time.perf_counter() - since)  # noqa: B023 - called within this turn
            return time.perf_counter() - since < 2 * MOST_S

        plan = plan_loads(request, tell=tell)
        is_solved = bool(at_s) and at_s[0] <= MOST_S
        solved += is_solved
        when = f"{at_s[0]:.1f} s" if at_s else "not"
        told.append(f"{instance['name']} {len(plan.vehicles)} of {instance['published_optimum']}, {when}")
    if not paths:
        return []
    return [
        PublicFigure(
            f"public bin packing instances, share proven at the published optimum in {MOST_S:g} s",
            solved / len(paths),
            "–",
            "; ".join(told),
        )
    ]
