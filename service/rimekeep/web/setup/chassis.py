"""A vehicle's data as a form: what is on its plate and weigh note, group by group."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rimekeep.loading.core.fit_out import missing_data


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to say: its path in the truck, its name, how it is typed, and what was said so far."""

    path: str
    label: str
    kind: str = "number"
    need: bool = False
    columns: str = ""
    value: Any = None

    @property
    def unit(self) -> str:
        """Return what its number counts: "kg", "mm", or nothing."""
        return next((unit for unit in ("kg", "mm") if self.path.endswith(f"_{unit}")), "")


@dataclass(frozen=True, slots=True)
class Group:
    """Things that are said together."""

    name: str
    entries: tuple[Entry, ...]


_SEMI = (
    Group(
        _("Lengths"),
        (
            Entry("d_k_mm", _("Front wall to kingpin, mm"), need=True),
            Entry("L_s_mm", _("Kingpin to the middle of the trailer's axles, mm"), need=True),
            Entry("WB_mm", _("Tractor's wheelbase, mm"), need=True),
            Entry("e_mm", _("Fifth wheel ahead of the drive axle, mm"), need=True),
        ),
    ),
    Group(
        _("Axle loads, empty and at most"),
        (
            Entry("F0_kg", _("Front axle empty, kg"), need=True),
            Entry("front_max_kg", _("Front axle at most, kg"), need=True),
            Entry("D0_kg", _("Drive axles empty, kg"), need=True),
            Entry("drive_max_kg", _("Drive axles at most, kg"), need=True),
            Entry("B0_kg", _("Trailer's axles empty, kg"), need=True),
            Entry("bogie_max_kg", _("Trailer's axles at most, kg"), need=True),
            Entry("K_max_kg", _("On the kingpin at most, kg"), need=True),
            Entry("K_min_kg", _("On the kingpin at least, kg")),
        ),
    ),
    Group(
        _("Axles of each group"),
        (
            Entry("drive_axles", _("Drive axles"), "whole"),
            Entry("drive_spacing_mm", _("From one drive axle to the next, mm")),
            Entry("driven_axles", _("Axles that are driven"), "whole"),
            Entry("bogie_axles", _("Trailer's axles"), "whole"),
            Entry("bogie_spacing_mm", _("From one trailer axle to the next, mm")),
        ),
    ),
)
_RIGID = (
    Group(
        _("Lengths"),
        (
            Entry(
                "front_axle_x_mm",
                _("Front axle behind the body's front wall, mm (ahead of it: negative)"),
                need=True,
            ),
            Entry("wheelbase_mm", _("Wheelbase, mm"), need=True),
        ),
    ),
    Group(
        _("Axle loads, empty and at most"),
        (
            Entry("front_tare_kg", _("Front axle empty, kg"), need=True),
            Entry("front_max_kg", _("Front axle at most, kg"), need=True),
            Entry("rear_tare_kg", _("Rear axles empty, kg"), need=True),
            Entry("rear_max_kg", _("Rear axles at most, kg"), need=True),
        ),
    ),
    Group(
        _("Axles of each group"),
        (
            Entry("rear_axles", _("Rear axles"), "whole"),
            Entry("rear_spacing_mm", _("From one rear axle to the next, mm")),
            Entry("driven_axles", _("Axles that are driven"), "whole"),
        ),
    ),
)
_COUPLING = Group(
    _("Coupling"),
    (
        Entry("coupling_x_mm", _("Coupling behind the front wall, mm"), need=True),
        Entry("motor_max_kg", _("Truck alone at most, kg")),
        Entry("trailer_max_kg", _("Trailer alone at most, kg")),
    ),
)
_CENTRE_AXLE = Group(
    _("Trailer with its axles in the middle"),
    (
        Entry("trailer.eye_x_mm", _("Eye from its front wall, mm (ahead: negative)"), need=True),
        Entry("trailer.axle_x_mm", _("Axles behind its front wall, mm"), need=True),
        Entry("trailer.tare_kg", _("Empty, kg"), need=True),
        Entry("trailer.max_kg", _("Its axles at most, kg"), need=True),
        Entry("trailer.coupling_max_kg", _("On the coupling at most, kg"), need=True),
        Entry("trailer.coupling_min_kg", _("On the coupling at least, kg")),
        Entry("trailer.axles", _("Axles"), "whole"),
        Entry("trailer.spacing_mm", _("From one to the next, mm")),
    ),
)
_FULL = Group(
    _("Trailer with axles in front and behind"),
    (
        Entry("trailer.front_x_mm", _("Front axle behind its front wall, mm"), need=True),
        Entry("trailer.rear_x_mm", _("Rear axles behind its front wall, mm"), need=True),
        Entry("trailer.front_tare_kg", _("Front axle empty, kg"), need=True),
        Entry("trailer.front_max_kg", _("Front axle at most, kg"), need=True),
        Entry("trailer.rear_tare_kg", _("Rear axles empty, kg"), need=True),
        Entry("trailer.rear_max_kg", _("Rear axles at most, kg"), need=True),
        Entry("trailer.drawbar_mm", _("Coupling to its front axle, mm")),
        Entry("trailer.front_axles", _("Front axles"), "whole"),
        Entry("trailer.rear_axles", _("Rear axles"), "whole"),
    ),
)
_LIMITS = Group(
    _("Limits of the whole"),
    (
        Entry("payload_max_kg", _("Payload at most, kg"), need=True),
        Entry("gross_max_kg", _("Gross mass at most, kg"), need=True),
        Entry("drive_min_share_pct", _("Least share of the mass on driven axles, %%")),
        Entry("steer_min_share_pct", _("Least share of the mass on the steering axle, %%")),
        Entry("is_road_friendly", _("Road-friendly suspension"), "json"),
    ),
)


def _deck(where: str, name: str) -> Group:
    return Group(
        name,
        (
            Entry(f"{where}deck.length_mm", _("Inside length, mm")),
            Entry(f"{where}deck.width_mm", _("Inside width, mm")),
            Entry(f"{where}deck.front_gap_mm", _("Kept free at the front wall, mm")),
            Entry(f"{where}deck.door_gap_mm", _("Kept free at the doors, mm")),
            Entry(
                f"{where}rows",
                _("Or row by row, a line each: its middle from the front wall in mm, pallets side by side"),
                "rows",
                columns="x_mm lanes",
            ),
        ),
    )


_BODY = Group(
    _("Body, doors and unloading"),
    (
        Entry("pallet", _("Laid out for pallets of, mm"), "text"),
        Entry("body_height_mm", _("Inside height, mm")),
        Entry("roof_gap_mm", _("Air kept below the roof, mm")),
        Entry("door_height_mm", _("Height of the doors, mm")),
        Entry("tail_lift_max_kg", _("Tail lift bears, kg")),
        Entry("has_ramps", _("Unloads over ramps, without a tail lift"), "json"),
        Entry("compartments", _("Compartments of their own temperature"), "whole"),
    ),
)
_COLD = Group(
    _("Cooling"),
    (
        Entry("cold.wall_area_m2", _("Walls, roof and floor together, m²")),
        Entry("cold.k_w_m2k", _("Heat transfer of the walls (K), W/(m²·K)")),
        Entry("cold.door_height_m", _("Door opening's height, m")),
        Entry("cold.door_width_m", _("Door opening's width, m")),
        Entry("cold.has_curtain", _("Curtain in the doorway"), "json"),
        Entry(
            "cold.capacity_w",
            _("Cooling power: outside °C, inside °C and watts, a line each"),
            "rows",
            columns="outside_c inside_c watts",
        ),
        Entry("cold.bulkhead_w_k", _("A bulkhead lets through (K times its area), W/K")),
        Entry(
            "cold.evaporators",
            _("Evaporators of a divided body: most watts, a line each, front compartment first"),
            "rows",
            columns="watts",
        ),
    ),
)
KINDS: Mapping[str, str] = {
    "rigid": _("rigid truck"),
    "semi": _("tractor and semi-trailer"),
    "drawbar": _("truck and trailer, the trailer's axles in the middle"),
    "drawbar-full": _("truck and trailer, axles in front and behind"),
}
USES: Mapping[str, str] = {
    "weight_profile": _("holding it to a road's weight rules"),
    "body": _("judging heights and footprints"),
    "unloading": _("delivering where there is no dock"),
    "cold": _("telling whether it stays cold enough"),
    "compartments": _("a temperature of its own for each compartment"),
}
_WITHOUT_ENTRY = ("kind", "trailer.type")


def kind_of(truck: Mapping[str, Any]) -> str:
    """Return which of `KINDS` a truck is."""
    kind = str(truck.get("kind", "semi"))
    return "drawbar-full" if (truck.get("trailer") or {}).get("type") == "full" else kind


def _groups(kind: str) -> tuple[Group, ...]:
    ends = (_LIMITS, _deck("", _("Deck")))
    if kind == "semi":
        return (*_SEMI, *ends, _BODY, _COLD)
    if kind == "rigid":
        return (*_RIGID, *ends, _BODY, _COLD)
    trailer = _FULL if kind == "drawbar-full" else _CENTRE_AXLE
    return (*_RIGID, _COUPLING, trailer, *ends, _deck("trailer.", _("Trailer's deck")), _BODY, _COLD)


@dataclass(frozen=True, slots=True)
class Form:
    """What is said of a vehicle, and what the form does not ask about, kept as it is: path and JSON."""

    kind: str
    groups: tuple[Group, ...]
    kept: tuple[tuple[str, str], ...]

    @property
    def labels(self) -> dict[str, str]:
        """Return the names of what can be said, by path."""
        return {entry.path: entry.label for group in self.groups for entry in group.entries}


def form_of(truck: Mapping[str, Any], kind: str) -> Form:
    """Return the form of a truck of one of `KINDS`; an empty truck's is to be filled in."""
    kept: dict[str, str] = {}
    said = dict(_leaves(truck))
    groups = tuple(
        Group(group.name, tuple(_filled(entry, said, kept) for entry in group.entries))
        for group in _groups(kind)
    )
    asked = {entry.path for group in groups for entry in group.entries} | {*_WITHOUT_ENTRY}
    kept |= {path: json.dumps(value) for path, value in said.items() if path not in asked}
    return Form(kind, groups, tuple(sorted(kept.items())))


def _leaves(truck: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for name, value in truck.items():
        if name in ("trailer", "cold", "deck") and isinstance(value, Mapping):
            yield from ((f"{name}.{path}", found) for path, found in _leaves(value))
        else:
            yield name, value


def _filled(entry: Entry, said: Mapping[str, Any], kept: dict[str, str]) -> Entry:
    value = said.get(entry.path)
    if entry.kind == "rows" and value is not None:
        columns = entry.columns.split()
        if all(isinstance(one, Mapping) and set(one) == set(columns) for one in value):
            value = "\n".join(" ".join(f"{one[name]:.10g}" for name in columns) for one in value)
        else:
            # More is said of them than lines can hold.
            kept[entry.path] = json.dumps(value)
            value = None
    if entry.kind == "json" and value is not None:
        value = json.dumps(value)
    return Entry(entry.path, entry.label, entry.kind, entry.need, entry.columns, value)


def lacking(truck: Mapping[str, Any], form: Form) -> list[tuple[str, list[str]]]:
    """Return what a truck lacks by what for, in the form's words."""
    names = form.labels
    return [
        (USES[use], [names.get(path, path) for path in paths]) for use, paths in missing_data(truck).items()
    ]
