"""A day's deliveries as a load request: units with their weight and temperature, one stop per customer."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from rimekeep.errors import Fault, Invalid
from rimekeep.loading.core.about import About
from rimekeep.loading.core.cargo import PLACE_MM, Cargo
from rimekeep.loading.core.chassis_form import FIELDS
from rimekeep.loading.core.day_stacks import stack_facts
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.fit_out import airs_of, cold_data, undivided
from rimekeep.loading.core.measures import metric
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.truck_form import COMMON_FIELDS
from rimekeep.loading.core.vehicle import LoadRequest
from rimekeep.wording import say


def class_name(carry_range_c: tuple[float, float]) -> str:
    """Return the name of a temperature class: its range in words."""
    return say(
        "{carry_range_c:g} to {carry_range_c_1:g} °C",
        carry_range_c=carry_range_c[0],
        carry_range_c_1=carry_range_c[1],
    )


def checked_truck(truck: Mapping[str, Any]) -> dict[str, Any]:
    """
    Return a truck's description with the fields that mean something, all checked.

    Raises
    ------
    Invalid
        One fault per wrong, missing or unknown field (``truck.…``), each with its mend.
    """
    own = FIELDS.get(str(truck.get("kind", "semi")), tuple(name for some in FIELDS.values() for name in some))
    known = {*COMMON_FIELDS, *own, "cold"}
    read = FieldReader()
    truck = metric(read, truck, "truck", known)
    faults = [
        Fault(
            f"truck.{name}"[:100],
            say("There is no such field of this kind of truck."),
            say("Remove it or correct its name."),
        )
        for name in truck
        if name not in known and name != "name"
    ]
    if truck.get("pallet", "") not in ("", *PLACE_MM):
        faults.append(
            Fault(
                "truck.pallet",
                say("The deck is laid out for no known pallet."),
                say("Give {choices}.", choices=" or ".join(PLACE_MM)),
            )
        )
    cold = cold_data(read, read.entry(truck["cold"], "truck.cold")) if truck.get("cold") is not None else {}
    faults += read.faults
    if faults:
        raise Invalid("load-request", say("The truck cannot be used as it is."), tuple(faults))
    load_request(
        {
            "truck": truck,
            "rules": {},
            "temperature_classes": {"any": {"min_c": 0, "max_c": 0}},
            "stops": [{"id": "any", "seq": 1}],
            "pallets": [
                {"id": name, "stop": "any", "class": "any", "weight_kg": 1, "footprint": name}
                for name in ([truck["pallet"]] if truck.get("pallet") else PLACE_MM)
            ],
        }
    )
    kept = {name: truck[name] for name in sorted(known - {"cold"}) if name in truck}
    if "rows" in truck:
        kept["rows"] = _rows(truck["rows"])
    return kept | ({"cold": cold} if cold else {})


def _rows(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return rows with the fields that mean something, in mm."""
    return [
        {key: row[key] for key in ("x_mm", "lanes", "place") if key in row}
        for row in (metric(FieldReader(), one, "", ("x_mm",)) for one in rows)
    ]


def day_request(
    builds: Sequence[tuple[Mapping[str, Any], int]],
    *,
    name: str,
    stops: Sequence[str],
    cargo: Sequence[Cargo],
    max_stops_per_trip: int | None,
    empties: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
    stacks: bool = True,
    divide: bool = True,
) -> dict[str, Any]:
    """
    Return a day's request in the form of `load_request`; pallets are named by SSCC, stops by customer.

    ``builds`` are trucks of different build, each with how many of it are free. ``empties`` are what stops
    give back. With ``stacks`` units may go on top of each other where products and trucks allow. With
    ``divide`` trucks that can be are divided where units share no air; the others keep to one.
    """
    back = empties or {}
    trucks = [{"name": name, **truck, "available": available} for truck, available in builds]
    rules: dict[str, Any] = {"max_stops_per_truck": max_stops_per_trip}
    if divide and is_clashing(cargo) and any(airs_of(truck) > 1 for truck in trucks):
        rules["single_compartment"] = False
        trucks = [{**truck, "airs": airs_of(truck)} for truck in trucks]
    return {
        "name": name,
        **({"truck": trucks[0]} if len(trucks) == 1 else {"trucks": trucks}),
        "rules": rules,
        "stacks": stacks,
        "stops": [
            {"id": stop, "seq": seq} | ({"empties": list(back[stop])} if back.get(stop) else {})
            for seq, stop in enumerate(stops, 1)
        ],
        **_goods(cargo, trucks, stacks=stacks),
    }


def is_clashing(cargo: Sequence[Cargo]) -> bool:
    """Tell whether some units share no air with others."""
    ranges = {unit.carry_range_c for unit in cargo}
    return max((low for low, _ in ranges), default=0.0) > min((high for _, high in ranges), default=0.0)


def is_divided(data: Mapping[str, Any]) -> bool:
    """Tell whether a day's request lets vehicles be divided."""
    return data["rules"].get("single_compartment") is False


def without_division(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return a day's request as it is where no vehicle is divided after all."""
    rules = {key: value for key, value in data["rules"].items() if key != "single_compartment"}
    given = data["trucks"] if "trucks" in data else [data["truck"]]
    trucks = [{key: value for key, value in truck.items() if key != "airs"} for truck in given]
    return {
        **data,
        "rules": rules,
        **({"trucks": trucks} if "trucks" in data else {"truck": trucks[0]}),
    }


def kept_whole(trucks: Sequence[tuple[Mapping[str, Any], str]], cargo: Sequence[Cargo]) -> list[str]:
    """Return in words which trucks, each with its names, have compartments and are not divided, and why."""
    if not is_clashing(cargo):
        return []
    return [
        say("{names} kept to one air although there are compartments: {why}.", names=names, why=why)
        for truck, names in trucks
        if (why := undivided(truck)) is not None
    ]


def amended_request(
    data: Mapping[str, Any],
    cargo: Sequence[Cargo],
    free: Mapping[int, int],
    joining: Mapping[str, Mapping[str, Any]],
    *,
    are_new_first: bool,
) -> dict[str, Any]:
    """
    Return a day's request with what is to be carried now, and how many of each of its trucks are ``free``.

    Customers it did not have are called last, in the order of the cargo, or first; ``joining`` has what is
    known of their roads.
    """
    own = {**joining, **{stop["id"]: stop for stop in data["stops"]}}
    known = [stop["id"] for stop in sorted(data["stops"], key=lambda stop: stop["seq"])]
    new = [one for one in dict.fromkeys(unit.customer for unit in cargo) if one not in known]
    called = [*new, *known] if are_new_first else [*known, *new]
    stops = [{**own.get(stop, {}), "id": stop, "seq": seq} for seq, stop in enumerate(called, 1)]
    given = data["trucks"] if "trucks" in data else [data["truck"]]
    trucks = [{**truck, "available": free[number]} for number, truck in enumerate(given)]
    return {
        **data,
        **({"trucks": trucks} if "trucks" in data else {"truck": trucks[0]}),
        "stops": stops,
        **_goods(cargo, trucks, stacks=data.get("stacks", False)),
    }


def with_pallets(
    data: Mapping[str, Any], former: Mapping[str, Any], ssccs: Collection[str]
) -> dict[str, Any]:
    """Return a day's request with some pallets of a former one besides, as they are described there."""
    kept = [pallet for pallet in former["pallets"] if pallet["id"] in ssccs]
    classes = {pallet["class"]: former["temperature_classes"][pallet["class"]] for pallet in kept}
    return {
        **data,
        "temperature_classes": {**classes, **data["temperature_classes"]},
        "pallets": [*kept, *data["pallets"]],
    }


def same_decks(before: LoadRequest, after: LoadRequest) -> dict[int, int]:
    """
    Return the number each truck of a request has in another, by kind and layout; those it lacks are left out.

    Which layouts there are follows from the footprints of all that is carried.
    """
    numbers = {(truck.kind, truck.rows): number for number, truck in reversed(list(enumerate(after.trucks)))}
    found = {number: numbers.get((truck.kind, truck.rows)) for number, truck in enumerate(before.trucks)}
    return {number: same for number, same in found.items() if same is not None}


def _goods(cargo: Sequence[Cargo], trucks: Sequence[Mapping[str, Any]], *, stacks: bool) -> dict[str, Any]:
    facts = stack_facts(cargo, trucks) if stacks else {}
    ranges = sorted({unit.carry_range_c for unit in cargo})
    return {
        "temperature_classes": {class_name(one): {"min_c": one[0], "max_c": one[1]} for one in ranges},
        "pallets": [
            {
                "id": unit.sscc,
                "stop": unit.customer,
                "class": class_name(unit.carry_range_c),
                "weight_kg": unit.mass_kg,
                "footprint": unit.footprint,
                **facts.get(unit.unit_id, {}),
            }
            for unit in cargo
        ],
    }


def misfits(trucks: Sequence[Mapping[str, Any]], cargo: Sequence[Cargo]) -> list[str]:
    """Return in words why some units fit no truck of these at all, before any plan is tried."""
    reasons = []
    for unit in cargo:
        low, high = unit.carry_range_c
        if low > high:
            reasons.append(
                say(
                    "temperature: the products on unit {sscc} share no temperature to be carried at (one "
                    "needs at least {low:g} °C, another at most {high:g} °C); build two units of it",
                    about=About.ORDERS,
                    sscc=unit.sscc,
                    low=low,
                    high=high,
                )
            )
    places_mm = [PLACE_MM.get(str(truck.get("pallet", ""))) if "rows" in truck else None for truck in trucks]
    known_mm = [place for place in places_mm if place is not None]
    widest_mm = max(known_mm) if len(known_mm) == len(trucks) else None
    wide = [unit for unit in cargo if widest_mm is not None and unit.width_mm > widest_mm]
    if wide:
        reasons.append(
            say(
                "footprint: {n} units (the first is {sscc}) stand on pallets {width_mm} mm wide and the "
                "deck's places are {widest_mm} mm; use a truck whose deck is laid out for them",
                about=About.VEHICLES,
                n=len(wide),
                sscc=wide[0].sscc,
                width_mm=wide[0].width_mm,
                widest_mm=widest_mm,
            )
        )
    return reasons
