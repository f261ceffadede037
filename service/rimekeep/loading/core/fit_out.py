"""What a vehicle's body is fitted with against the warm: walls, unit, door, curtain, bulkheads."""

from collections.abc import Mapping, Sequence
from typing import Any

from rimekeep.loading.core.fields import FieldReader
from rimekeep.wording import say

_NUMBERS = {
    "wall_area_m2": 1000.0,
    "k_w_m2k": 10.0,
    "door_height_m": 5.0,
    "door_width_m": 15.0,
    "bulkhead_w_k": 500.0,
}
_BALANCE = ("wall_area_m2", "k_w_m2k", "capacity_w", "door_height_m", "door_width_m", "has_curtain")
_MOST_EVAPORATORS = 3
_POINT = {"outside_c", "inside_c", "difference_k", "watts"}
_COLDEST_C, _WARMEST_C = -60.0, 80.0


def cold_data(read: FieldReader, data: Mapping[str, Any], where: str = "truck.cold") -> dict[str, Any]:
    """
    Return the cold data of a vehicle as they are stored, with faults noted on the way.

    Nothing is needed here; what a heat balance lacks is told when one is asked for. A point of the unit's
    capacity is an outside and an inside temperature with the watts held there; the outside may be given as
    ``difference_k`` above the inside, and is stored as a temperature. ``evaporators`` are one for each
    compartment, front first, with the ``watts`` each takes out at most; ``bulkhead_w_k`` is what a bulkhead
    lets through per kelvin, its K times its area.
    """
    known = {*_NUMBERS, "capacity_w", "has_curtain", "evaporators"}
    for name in data:
        if name not in known:
            read.fault(
                f"{where}.{name}"[:100],
                say("There is no such field of cold data."),
                say("Fields are {choices}.", choices=", ".join(sorted(known))),
            )
    kept: dict[str, Any] = {
        name: read.number(data, name, where, is_above=True, most=most)
        for name, most in _NUMBERS.items()
        if data.get(name) is not None
    }
    if data.get("has_curtain") is not None:
        if isinstance(data["has_curtain"], bool):
            kept["has_curtain"] = data["has_curtain"]
        else:
            read.fault(
                f"{where}.has_curtain",
                say("The value is not true or false."),
                say("Give true when a curtain hangs."),
            )
    if data.get("capacity_w") is not None:
        kept["capacity_w"] = _capacity(read, read.items(data, "capacity_w", f"{where}.capacity_w"), where)
    if data.get("evaporators") is not None:
        given = read.items(data, "evaporators", f"{where}.evaporators")
        kept["evaporators"] = _evaporators(read, given, f"{where}.evaporators")
    return kept


def _evaporators(read: FieldReader, entries: Sequence[Any], where: str) -> list[dict[str, float]]:
    if len(entries) > _MOST_EVAPORATORS:
        read.fault(
            where,
            say("There are {count} evaporators.", count=len(entries)),
            say(
                "Give one for each compartment, {most} at most, the front one first.", most=_MOST_EVAPORATORS
            ),
        )
        return []
    found = []
    for k, value in enumerate(entries):
        entry = read.entry(value, f"{where}[{k}]")
        for name in entry:
            if name != "watts":
                read.fault(
                    f"{where}[{k}].{name}"[:100],
                    say("There is no such field of an evaporator."),
                    say("Give watts."),
                )
        found.append({"watts": read.number(entry, "watts", f"{where}[{k}]", is_above=True, most=100_000)})
    return found


def airs_of(truck: Mapping[str, Any]) -> int:
    """Return how many compartments of a temperature of their own a registered vehicle can be divided into."""
    count = int(truck.get("compartments") or 1)
    if count == 1 or undivided(truck) is not None:
        return 1
    return min(count, len(truck["cold"]["evaporators"]))


def undivided(truck: Mapping[str, Any]) -> str | None:
    """Return why a vehicle that has compartments is kept to one air all the same; None: it is not."""
    if (truck.get("compartments") or 1) == 1:
        return None
    if truck.get("kind", "semi") == "drawbar":
        return say("its cold is reckoned for one body, and it has two")
    lacks = missing_data(truck).get("compartments", ())
    return say("it lacks {fields}", fields=", ".join(lacks)) if lacks else None


def missing_data(truck: Mapping[str, Any]) -> dict[str, list[str]]:
    """
    Return what a registered vehicle lacks, use by use; a use without gaps is left out.

    ``weight_profile``: holding it to a road's weight rules. ``body``: judging heights and footprints.
    ``unloading``: delivering where there is no dock. ``cold``: a heat balance. ``compartments``: giving each
    of them a temperature of its own, where it has any.
    """
    kind = truck.get("kind", "semi")
    trailer = truck.get("trailer") or {}
    axles = {
        "semi": ["drive_axles", "bogie_axles"],
        "rigid": ["rear_axles"],
        "drawbar": ["rear_axles"],
    }.get(kind, [])
    of_trailer = ["front_axles", "rear_axles", "drawbar_mm"] if trailer.get("type") == "full" else ["axles"]
    cold = truck.get("cold") or {}
    has_places = "pallet" in truck or "deck" in truck
    has_places = has_places or all("place" in row for row in truck.get("rows", ({},)))
    found = {
        "weight_profile": [name for name in axles if name not in truck]
        + ([f"trailer.{name}" for name in of_trailer if name not in trailer] if kind == "drawbar" else []),
        "body": [name for name in ("body_height_mm", "door_height_mm") if name not in truck]
        + ([] if has_places else ["pallet"]),
        "unloading": [] if truck.get("has_ramps") or "tail_lift_max_kg" in truck else ["tail_lift_max_kg"],
        "cold": [f"cold.{name}" for name in _BALANCE if name not in cold],
        "compartments": _undividable(cold) if (truck.get("compartments") or 1) > 1 else [],
    }
    return {use: names for use, names in found.items() if names}


def _undividable(cold: Mapping[str, Any]) -> list[str]:
    found = [f"cold.{name}" for name in (*_BALANCE, "bulkhead_w_k") if name not in cold]
    return found + ([] if len(cold.get("evaporators", ())) > 1 else ["cold.evaporators"])


def _capacity(read: FieldReader, entries: Sequence[Any], where: str) -> list[dict[str, float]]:
    points: dict[tuple[float, float], float] = {}
    for k, value in enumerate(entries):
        here = f"{where}.capacity_w[{k}]"
        entry = read.entry(value, here)
        for name in entry:
            if name not in _POINT:
                read.fault(
                    f"{here}.{name}"[:100],
                    say("There is no such field of a point."),
                    say("Fields are {choices}.", choices=", ".join(sorted(_POINT))),
                )
        inside = read.number(entry, "inside_c", here, least=_COLDEST_C, most=_WARMEST_C)
        if ("outside_c" in entry) == ("difference_k" in entry):
            read.fault(
                here,
                say("A point needs the outside temperature or the difference to it, one of them."),
                say("Give outside_c, or difference_k above inside_c."),
            )
            continue
        if "outside_c" in entry:
            outside = read.number(entry, "outside_c", here, least=_COLDEST_C, most=_WARMEST_C)
        else:
            outside = round(inside + read.number(entry, "difference_k", here, most=140), 3)
        watts = read.number(entry, "watts", here, most=100_000)
        if points.setdefault((outside, inside), watts) != watts:
            read.fault(
                here,
                say(
                    "Two capacities are given at {outside:g} °C outside and {inside:g} °C inside.",
                    outside=outside,
                    inside=inside,
                ),
                say("Keep one of them."),
            )
    return [
        {"outside_c": outside, "inside_c": inside, "watts": watts}
        for (outside, inside), watts in sorted(points.items())
    ]
