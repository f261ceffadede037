"""Reading a load request from plain data (JSON), with every fault named by field and mended in words."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from rimekeep.errors import Invalid
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.gear import Law
from rimekeep.loading.core.highway import under_profile
from rimekeep.loading.core.layouts import Footprint
from rimekeep.loading.core.measures import metric
from rimekeep.loading.core.profile_form import chosen_profile, profiles_from
from rimekeep.loading.core.profiles import BUILT_IN, WeightProfile
from rimekeep.loading.core.road_form import roads_of
from rimekeep.loading.core.shift_form import check_shifts
from rimekeep.loading.core.states import Empty
from rimekeep.loading.core.truck_form import trucks_of
from rimekeep.loading.core.vehicle import Empties, LoadRequest, Pallet, Rules, Stop, TemperatureClass, Truck
from rimekeep.wording import say

MOST_PALLETS = 2000


def load_request(data: object, profiles: Mapping[str, WeightProfile] | None = None) -> LoadRequest:
    """
    Return the request a deck instance describes.

    Parameters
    ----------
    data
        A mapping with ``truck`` (or ``trucks``, kinds to choose from), ``rules``, ``temperature_classes``,
        ``stops`` and ``pallets``. A semi-trailer truck gives ``d_k_mm, L_s_mm, WB_mm, e_mm, F0_kg, D0_kg,
        B0_kg`` and its maxima; a rigid one ``kind: "rigid"``, ``front_axle_x_mm``, ``wheelbase_mm``, tares
        and maxima of front and rear; a combination ``kind: "drawbar"``, the same and ``coupling_x_mm`` and
        ``trailer``. A stop may give back ``empties``, each with ``kind``, ``pieces``, ``mass_kg`` (of all
        pieces) and ``places``. [mm, kg]

        With positions of ``depot`` and stops or a matrix ``roads.distances_m`` stops may leave out ``seq``:
        then the order is to be chosen. [°, m, s]

        A truck that leaves several times a day gives ``trips``, ``shift_starts_s`` and ``shift_ends_s``,
        ``turn_round_s`` at the dock, and without positions ``trip_s``, what any trip takes. [s]

    profiles
        Weight rules that ``rules.weight_profile`` may name, by id; None: the built-in ones. Those in
        ``weight_profiles`` of the data are added.

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
    known = dict(BUILT_IN if profiles is None else profiles)
    if root.get("weight_profiles") is not None:
        known |= profiles_from([("weight_profiles", root["weight_profiles"])])
    given = root.get("rules")
    asked = given.get("weight_profile") if isinstance(given, Mapping) else None
    profile = chosen_profile(read, asked, known)
    stops = [read.entry(stop, f"stops[{s}]") for s, stop in enumerate(read.items(root, "stops", "stops"))]
    roads = roads_of(read, root, stops)
    is_order_open = roads is not None and not any("seq" in stop for stop in stops)
    request = LoadRequest(
        trucks=_trucks(read, root, _footprints(root), profile),
        rules=_rules(read, root.get("rules", {}), Law.EU if profile is None else profile.securing),
        temperature_classes=_classes(read, read.part(root, "temperature_classes", "temperature_classes")),
        stops=_stops(read, stops, is_order_open=is_order_open),
        pallets=_pallets(read, read.items(root, "pallets", "pallets")),
        name=str(root.get("name", "")),
        truck_bound=read.whole(root, "truck_bound", "$", least=1, is_optional=True),
        roads=roads,
        is_order_open=is_order_open,
    )
    if not read.faults:
        _cross_check(read, request)
    if read.faults:
        raise Invalid("load-request", say("The load request cannot be used as it is."), tuple(read.faults))
    return request


def _footprints(root: Mapping[str, Any]) -> list[Footprint]:
    """Return the footprints there are to carry, as far as they can be read; faults are noted later."""
    given = root.get("pallets")
    said = {
        entry["footprint"]
        for entry in (given if isinstance(given, list) else ())
        if isinstance(entry, Mapping) and isinstance(entry.get("footprint"), str)
    }
    aside = FieldReader()
    found = {aside.footprint(value, "") for value in said}
    return [] if aside.faults else sorted(found)


def _trucks(
    read: FieldReader,
    root: Mapping[str, Any],
    footprints: Sequence[Footprint],
    profile: WeightProfile | None,
) -> tuple[Truck, ...]:
    if "trucks" in root:
        if "truck" in root:
            read.fault("truck", say("There are both 'truck' and 'trucks'."), say("Keep one of them."))
        entries = [
            (f"trucks[{k}]", read.entry(value, f"trucks[{k}]"))
            for k, value in enumerate(read.items(root, "trucks", "trucks"))
        ]
    else:
        entries = [("truck", read.part(root, "truck", "truck"))]
    found = []
    for kind, (where, data) in enumerate(entries):
        laid_out = trucks_of(read, data, where, kind=kind, footprints=footprints)
        if profile is not None and not read.faults:
            held = under_profile(read, laid_out[0], profile, where)
            laid_out = [
                replace(
                    truck,
                    gross_max_kg=held.gross_max_kg,
                    drive_min_share_pct=held.drive_min_share_pct,
                    limits=held.limits,
                )
                for truck in laid_out
            ]
        found += laid_out
    return tuple(found)


def _rules(read: FieldReader, data: object, law: Law) -> Rules:
    given = read.entry(data, "rules")
    weights = given.get("weights_checked", "after every stop")
    return Rules(
        max_stops_per_truck=read.whole(given, "max_stops_per_truck", "rules", least=1, is_optional=True),
        is_split_allowed=read.switch(given, "split_of_stop_allowed", "rules", default=True),
        is_gap_allowed=read.switch(given, "gaps_allowed", "rules", default=True),
        is_single_compartment=read.switch(given, "single_compartment", "rules", default=True),
        has_drop_order=bool(given.get("lifo", True)),
        has_weights_after_drops=not isinstance(weights, str) or "after" in weights,
        law=law,
    )


def _classes(read: FieldReader, data: Mapping[str, Any]) -> tuple[TemperatureClass, ...]:
    classes = []
    for name, value in data.items():
        where = f"temperature_classes.{name}"
        entry = read.entry(value, where)
        low = read.number(entry, "min_c", where, least=-273.15, most=1000)
        high = read.number(entry, "max_c", where, least=-273.15, most=1000)
        if low > high and not read.faults:
            read.fault(
                where,
                say("The range runs from {low:g} to {high:g} °C.", low=low, high=high),
                say("Give the lower end first."),
            )
        classes.append(TemperatureClass(str(name), low, high))
    return tuple(classes)


def _stops(
    read: FieldReader, entries: Sequence[Mapping[str, Any]], *, is_order_open: bool
) -> tuple[Stop, ...]:
    stops = []
    for s, entry in enumerate(entries):
        seq = s + 1 if is_order_open else read.whole(entry, "seq", f"stops[{s}]")
        has_dock = read.switch(entry, "has_dock", f"stops[{s}]", default=True)
        back = _empties(read, entry.get("empties"), f"stops[{s}].empties")
        stops.append(Stop(read.text(entry, "id", f"stops[{s}]"), seq or 0, has_dock, back))
    return tuple(stops)


def _empties(read: FieldReader, given: object, where: str) -> tuple[Empties, ...]:
    if given is None:
        return ()
    if not isinstance(given, list | tuple):
        read.fault(
            where,
            say("The empties are not a list."),
            say("Give a list; an empty one when nothing comes back."),
        )
        return ()
    found = []
    for k, value in enumerate(given):
        here = f"{where}[{k}]"
        entry = metric(read, read.entry(value, here), here, ("mass_kg",))
        kind = read.text(entry, "kind", here)
        if kind and kind not in list(Empty):
            read.fault(
                f"{here}.kind",
                say("There are no empties {kind!r:.40}.", kind=kind),
                say("Give {choices}.", choices=", ".join(Empty)),
            )
        found.append(
            Empties(
                kind,
                read.whole(entry, "pieces", here, least=1) or 1,
                read.number(entry, "mass_kg", here, is_above=True, most=100_000),
                read.whole(entry, "places", here, least=1, most=1000) or 1,
            )
        )
    return tuple(found)


def _pallets(read: FieldReader, entries: Sequence[Any]) -> tuple[Pallet, ...]:
    if len(entries) > MOST_PALLETS:
        read.fault(
            "pallets",
            say("{n} pallets are more than one plan takes.", n=len(entries)),
            say(
                "Plan {MOST_PALLETS} at most at once, stops that are near each other together.",
                MOST_PALLETS=MOST_PALLETS,
            ),
        )
        return ()
    pallets = []
    for p, value in enumerate(entries):
        where = f"pallets[{p}]"
        entry = read.entry(value, where)
        if not any(key.startswith(("weight", "mass")) for key in entry):
            read.fault(
                f"{where}.weight_kg", say("The weight is missing."), say("Give 'weight_kg' or 'weight_lb'.")
            )
            continue
        name = "mass_kg" if any(key.startswith("mass") for key in entry) else "weight_kg"
        if name == "mass_kg" and any(key.startswith("weight") for key in entry):
            read.fault(where, say("There are both a weight and a mass."), say("Keep one of them."))
        entry = metric(read, entry, where, (name, "height_mm", "top_max_kg"))
        longer, shorter = (
            read.footprint(entry["footprint"], f"{where}.footprint")
            if entry.get("footprint") is not None
            else (0.0, 0.0)
        )
        height = (
            read.number(entry, "height_mm", where, is_above=True, most=5000) if "height_mm" in entry else 0.0
        )
        pallets.append(
            Pallet(
                id=read.text(entry, "id", where),
                stop=read.text(entry, "stop", where),
                temperature_class=read.text(entry, "class", where),
                mass_kg=read.number(entry, name, where, is_above=True, most=100_000),
                long_mm=longer,
                short_mm=shorter,
                height_mm=height,
                top_max_kg=read.number(entry, "top_max_kg", where, default=0, most=10_000),
                is_stackable=read.switch(entry, "stackable", where, default=False),
            )
        )
    return tuple(pallets)


def _cross_check(read: FieldReader, request: LoadRequest) -> None:
    _unique(read, "stops", "id", [stop.id for stop in request.stops])
    _unique(read, "stops", "seq", [stop.seq for stop in request.stops])
    _unique(read, "pallets", "id", [pallet.id for pallet in request.pallets])
    check_shifts(read, request)
    stops = {stop.id for stop in request.stops}
    classes = {known.id for known in request.temperature_classes}
    if not request.rules.is_single_compartment and all(
        truck.compartments == 1 and len(truck.bodies) == 1 for truck in request.trucks
    ):
        read.fault(
            "rules.single_compartment",
            say("Several compartments are allowed and no truck says that it has them."),
            say("Give the truck 'compartments', how many its movable bulkheads make, or give true here."),
        )
    for p, pallet in enumerate(request.pallets):
        if pallet.stop not in stops:
            read.fault(
                f"pallets[{p}].stop",
                say("There is no stop {stop!r}.", stop=pallet.stop),
                say("Add the stop or correct it."),
            )
        if pallet.temperature_class not in classes:
            read.fault(
                f"pallets[{p}].class",
                say(
                    "There is no temperature class {temperature_class!r}.",
                    temperature_class=pallet.temperature_class,
                ),
                say("Add the class or correct it."),
            )


def _unique(read: FieldReader, where: str, key: str, values: Sequence[object]) -> None:
    first: dict[object, int] = {}
    for k, value in enumerate(values):
        if value in first:
            read.fault(
                f"{where}[{k}].{key}",
                say(
                    "{value!r} already stands at {where}[{first}].",
                    value=value,
                    where=where,
                    first=first[value],
                ),
                say("Give every entry of {where} its own {key}.", where=where, key=key),
            )
        first.setdefault(value, k)
