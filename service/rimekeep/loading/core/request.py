"""Reading a load request from plain data (JSON), with every fault named by field and mended in words."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from rimekeep.errors import Invalid
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.vehicle import (
    LoadRequest,
    Pallet,
    RigidAxles,
    Row,
    Rules,
    SemiAxles,
    Stop,
    TemperatureClass,
    Truck,
)

_SEMI_LENGTHS = {"d_k_mm": "kingpin_x_mm", "L_s_mm": "kingpin_to_bogie_mm", "WB_mm": "wheelbase_mm"}
_SEMI_WEIGHTS = {
    "F0_kg": "front_tare_kg",
    "D0_kg": "drive_tare_kg",
    "B0_kg": "bogie_tare_kg",
    "front_max_kg": "front_max_kg",
    "drive_max_kg": "drive_max_kg",
    "bogie_max_kg": "bogie_max_kg",
    "K_max_kg": "kingpin_max_kg",
}
_RIGID_WEIGHTS = ("front_tare_kg", "rear_tare_kg", "front_max_kg", "rear_max_kg")


def load_request(data: object) -> LoadRequest:
    """
    Return the request a deck instance describes.

    Parameters
    ----------
    data
        A mapping with ``truck``, ``rules``, ``temperature_classes``, ``stops`` and ``pallets``. A
        semi-trailer truck gives ``d_k_mm, L_s_mm, WB_mm, e_mm, F0_kg, D0_kg, B0_kg`` and its maxima; a rigid
        one ``kind: "rigid"``, ``front_axle_x_mm``, ``wheelbase_mm``, tares and maxima of front and rear. [mm,
        kg]

    Returns
    -------
    LoadRequest
        Checked: ids are unique, every reference resolves, every number is finite and in its bounds.

    Raises
    ------
    Invalid
        With one fault per wrong field.
    """
    read = FieldReader()
    root = read.entry(data, "$")
    request = LoadRequest(
        truck=_truck(read, read.part(root, "truck", "truck")),
        rules=_rules(read, root.get("rules", {})),
        temperature_classes=_classes(read, read.part(root, "temperature_classes", "temperature_classes")),
        stops=_stops(read, read.items(root, "stops", "stops")),
        pallets=_pallets(read, read.items(root, "pallets", "pallets")),
        name=str(root.get("name", "")),
        truck_bound=read.whole(root, "truck_bound", "$", least=1, is_optional=True),
    )
    if not read.faults:
        _cross_check(read, request)
    if read.faults:
        raise Invalid("load-request", "The load request cannot be used as it is.", tuple(read.faults))
    return request


def _truck(read: FieldReader, data: Mapping[str, Any]) -> Truck:
    rows = tuple(
        Row(
            read.number(read.entry(row, f"truck.rows[{r}]"), "x_mm", f"truck.rows[{r}]", least=None),
            read.whole(read.entry(row, f"truck.rows[{r}]"), "lanes", f"truck.rows[{r}]", least=1, most=10)
            or 1,
        )
        for r, row in enumerate(read.items(data, "rows", "truck.rows"))
    )
    for r, (ahead, behind) in enumerate(pairwise(rows), start=1):
        if not behind.x_mm > ahead.x_mm:
            read.fault(
                f"truck.rows[{r}].x_mm",
                f"Row {r + 1} at {behind.x_mm:g} mm is not behind row {r} at {ahead.x_mm:g} mm.",
                "List the rows from the front wall (row 1) to the doors.",
            )
    kind = data.get("kind", "semi")
    if kind not in ("semi", "rigid"):
        read.fault("truck.kind", f"{kind!r} is not a kind of truck known here.", 'Give "semi" or "rigid".')
    axles = _rigid_axles(read, data) if kind == "rigid" else _semi_axles(read, data)
    gross = read.number(data, "gross_max_kg", "truck", is_above=True)
    if not read.faults and gross < axles.tare_kg:
        read.fault(
            "truck.gross_max_kg",
            f"The empty truck of {axles.tare_kg:g} kg is over its gross limit of {gross:g} kg.",
            "Check the tares and the limit.",
        )
    return Truck(
        name=str(data.get("name", "")),
        axles=axles,
        rows=rows,
        payload_max_kg=read.number(data, "payload_max_kg", "truck", is_above=True),
        gross_max_kg=gross,
        drive_min_share_pct=read.number(data, "drive_min_share_pct", "truck", default=0, most=100),
        steer_min_share_pct=read.number(data, "steer_min_share_pct", "truck", default=0, most=100),
        available=read.whole(data, "available", "truck", least=0, is_optional=True),
        pallet=str(data.get("pallet", "")),
    )


def _semi_axles(read: FieldReader, data: Mapping[str, Any]) -> SemiAxles:
    if not any(key in data for key in (*_SEMI_LENGTHS, *_SEMI_WEIGHTS)):
        read.fault(
            "truck",
            "The truck has no axles.",
            "Give d_k_mm, L_s_mm, WB_mm, e_mm, the tares F0_kg, D0_kg, B0_kg and the maxima,"
            ' or kind "rigid" with its axles.',
        )
    values = {
        ours: read.number(data, key, "truck", least=None if key == "d_k_mm" else 0, is_above=key != "d_k_mm")
        for key, ours in _SEMI_LENGTHS.items()
    }
    values |= {ours: read.number(data, key, "truck") for key, ours in _SEMI_WEIGHTS.items()}
    axles = SemiAxles(
        **values,
        fifth_wheel_lead_mm=read.number(data, "e_mm", "truck", least=None),
        kingpin_min_kg=read.number(data, "K_min_kg", "truck", default=0, least=None),
    )
    if not read.faults and axles.kingpin_min_kg > axles.kingpin_max_kg:
        read.fault(
            "truck.K_min_kg", "The kingpin's least load is above its greatest.", "Swap or correct them."
        )
    _check_tares(
        read,
        ("front_max_kg", axles.front_tare_kg, axles.front_max_kg),
        ("drive_max_kg", axles.drive_tare_kg, axles.drive_max_kg),
        ("bogie_max_kg", axles.bogie_tare_kg, axles.bogie_max_kg),
    )
    return axles


def _rigid_axles(read: FieldReader, data: Mapping[str, Any]) -> RigidAxles:
    axles = RigidAxles(
        front_axle_x_mm=read.number(data, "front_axle_x_mm", "truck", least=None),
        wheelbase_mm=read.number(data, "wheelbase_mm", "truck", is_above=True),
        **{key: read.number(data, key, "truck") for key in _RIGID_WEIGHTS},
    )
    _check_tares(
        read,
        ("front_max_kg", axles.front_tare_kg, axles.front_max_kg),
        ("rear_max_kg", axles.rear_tare_kg, axles.rear_max_kg),
    )
    return axles


def _check_tares(read: FieldReader, *axles: tuple[str, float, float]) -> None:
    for name, tare, most in axles:
        if not read.faults and tare > most:
            read.fault(
                f"truck.{name}",
                f"The empty axle carries {tare:g} kg and may carry {most:g} kg.",
                "Check the tare and the limit.",
            )


def _rules(read: FieldReader, data: object) -> Rules:
    given = read.entry(data, "rules")
    if given.get("single_compartment", True) is not True:
        read.fault(
            "rules.single_compartment",
            "Only bodies of one compartment can be planned.",
            "Give true, and plan each compartment's goods on their own.",
        )
    weights = given.get("weights_checked", "after every stop")
    return Rules(
        max_stops_per_truck=read.whole(given, "max_stops_per_truck", "rules", least=1, is_optional=True),
        is_split_allowed=_switch(read, given, "split_of_stop_allowed"),
        is_gap_allowed=_switch(read, given, "gaps_allowed"),
        has_drop_order=bool(given.get("lifo", True)),
        has_weights_after_drops=not isinstance(weights, str) or "after" in weights,
    )


def _switch(read: FieldReader, data: Mapping[str, Any], key: str) -> bool:
    value = data.get(key, True)
    if not isinstance(value, bool):
        read.fault(f"rules.{key}", f"{value!r} is not true or false.", "Give true or false.")
        return True
    return value


def _classes(read: FieldReader, data: Mapping[str, Any]) -> tuple[TemperatureClass, ...]:
    classes = []
    for name, value in data.items():
        where = f"temperature_classes.{name}"
        entry = read.entry(value, where)
        low = read.number(entry, "min_c", where, least=-273.15, most=1000)
        high = read.number(entry, "max_c", where, least=-273.15, most=1000)
        if low > high and not read.faults:
            read.fault(where, f"The range runs from {low:g} to {high:g} °C.", "Give the lower end first.")
        classes.append(TemperatureClass(str(name), low, high))
    return tuple(classes)


def _stops(read: FieldReader, entries: Sequence[Any]) -> tuple[Stop, ...]:
    stops = []
    for s, value in enumerate(entries):
        entry = read.entry(value, f"stops[{s}]")
        seq = read.whole(entry, "seq", f"stops[{s}]")
        stops.append(Stop(read.text(entry, "id", f"stops[{s}]"), seq or 0))
    return tuple(stops)


def _pallets(read: FieldReader, entries: Sequence[Any]) -> tuple[Pallet, ...]:
    pallets = []
    for p, value in enumerate(entries):
        where = f"pallets[{p}]"
        entry = read.entry(value, where)
        pallets.append(
            Pallet(
                id=read.text(entry, "id", where),
                stop=read.text(entry, "stop", where),
                temperature_class=read.text(entry, "class", where),
                mass_kg=read.number(entry, "weight_kg", where, is_above=True, most=100_000),
            )
        )
    return tuple(pallets)


def _cross_check(read: FieldReader, request: LoadRequest) -> None:
    _unique(read, "stops", "id", [stop.id for stop in request.stops])
    _unique(read, "stops", "seq", [stop.seq for stop in request.stops])
    _unique(read, "pallets", "id", [pallet.id for pallet in request.pallets])
    stops = {stop.id for stop in request.stops}
    classes = {known.id for known in request.temperature_classes}
    for p, pallet in enumerate(request.pallets):
        if pallet.stop not in stops:
            read.fault(
                f"pallets[{p}].stop", f"There is no stop {pallet.stop!r}.", "Add the stop or correct it."
            )
        if pallet.temperature_class not in classes:
            read.fault(
                f"pallets[{p}].class",
                f"There is no temperature class {pallet.temperature_class!r}.",
                "Add the class or correct it.",
            )


def _unique(read: FieldReader, where: str, key: str, values: Sequence[object]) -> None:
    first: dict[object, int] = {}
    for k, value in enumerate(values):
        if value in first:
            read.fault(
                f"{where}[{k}].{key}",
                f"{value!r} already stands at {where}[{first[value]}].",
                f"Give every entry of {where} its own {key}.",
            )
        first.setdefault(value, k)
