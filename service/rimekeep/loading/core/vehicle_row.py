"""A vehicle as one row of a file: flat columns, put together into the form a truck is registered in."""

from collections.abc import Mapping
from typing import Any

from rimekeep.loading.core.chassis_form import (
    CENTRE_AXLE_FIELDS,
    DRAWBAR_FIELDS,
    FULL_FIELDS,
    SEMI_FIELDS,
)
from rimekeep.loading.core.truck_form import COMMON_FIELDS, DECK_FIELDS

COLD_NUMBERS = ("wall_area_m2", "k_w_m2k", "door_height_m", "door_width_m", "bulkhead_w_k")
_NESTED = {"kind", "pallet", "rows", "layouts", "deck", "side_doors", "trailer", "bulkhead_after_rows"}
_SWITCHES = {"has_ramps", "is_road_friendly"}
_OTHER_UNITS = {"_kg": ("_lb",), "_mm": ("_in", "_ft")}


def _with_units(names: tuple[str, ...]) -> list[str]:
    """Return columns with those that say the same in another unit."""
    return [
        other
        for name in names
        for other in (name, *(f"{name[:-3]}{unit}" for unit in _OTHER_UNITS.get(name[-3:], ())))
    ]


NUMBER_COLUMNS = tuple(
    dict.fromkeys(
        [
            *_with_units(
                tuple(
                    name
                    for name in (*SEMI_FIELDS, *DRAWBAR_FIELDS, *COMMON_FIELDS)
                    if name not in _NESTED | _SWITCHES
                )
            ),
            *_with_units(tuple(f"deck_{name}" for name in DECK_FIELDS)),
            *_with_units(tuple(f"trailer_{name}" for name in (*CENTRE_AXLE_FIELDS, *FULL_FIELDS))),
            *_with_units(("trailer_axle_max_kg",)),
            *_with_units(tuple(f"trailer_deck_{name}" for name in DECK_FIELDS)),
            *(f"cold_{name}" for name in COLD_NUMBERS),
        ]
    )
)
SWITCH_COLUMNS = (*sorted(_SWITCHES), "cold_has_curtain")
TEXT_COLUMNS = (
    "kind", "pallet", "rows", "bulkhead_after_rows", "trailer_type", "trailer_rows", "cold_capacity_w",
    "cold_evaporators",
)  # fmt: skip
# Of the columns that begin like a group's, those that are the truck's own, and the group's own limit then.
_OWN = {"trailer_max_kg", "trailer_max_lb"}
_RENAMED = {"trailer_axle_max_kg": "trailer_max_kg", "trailer_axle_max_lb": "trailer_max_lb"}


def truck_of_row(values: Mapping[str, object]) -> dict[str, Any]:
    """
    Return the truck a row describes; an empty cell says nothing.

    ``rows`` are ``x:lanes`` from the front wall, as in ``500:2 1500:2``; ``cold_capacity_w`` is
    ``outside/inside:watts``, as in ``30/0:8100 30/-20:4400``; ``cold_evaporators`` the watts of each, front
    first, and ``bulkhead_after_rows`` rows from 0, as in ``3 4 5``. What cannot be read that way is kept as
    it stands, for the reader of trucks to name. ``trailer_max_kg`` is the trailer's mass, and
    ``trailer_axle_max_kg`` what the axles of a centre-axle trailer bear.
    """
    truck: dict[str, Any] = {}
    groups: dict[str, dict[str, Any]] = {"deck": {}, "trailer": {}, "trailer_deck": {}, "cold": {}}
    for column, value in values.items():
        if value is None or value == "":
            continue
        if column not in (*NUMBER_COLUMNS, *SWITCH_COLUMNS, *TEXT_COLUMNS):
            continue
        said = value if isinstance(value, bool) or not isinstance(value, float) else _plain(value)
        if column == "bulkhead_after_rows":
            said = [_number(one) for one in str(value).split()]
        elif column == "cold_evaporators":
            said = [{"watts": _number(one)} for one in str(value).split()]
        elif column == "rows" or column.endswith("_rows"):
            said = _pairs(str(value), ("x_mm", "lanes"))
        elif column == "cold_capacity_w":
            said = _capacity(str(value))
        prefix = next(
            (
                name
                for name in ("trailer_deck", "trailer", "deck", "cold")
                if column.startswith(f"{name}_") and column not in _OWN
            ),
            None,
        )
        if prefix is None:
            truck[column] = said
        else:
            groups[prefix][_RENAMED.get(column, column)[len(prefix) + 1 :]] = said
    if groups["trailer_deck"]:
        groups["trailer"]["deck"] = groups["trailer_deck"]
    return truck | {name: groups[name] for name in ("deck", "trailer", "cold") if groups[name]}


def column_of(field: str) -> str:
    """Return the column a fault of a truck's field is about."""
    name = field.removeprefix("truck").removeprefix(".")
    for group in ("rows", "capacity_w", "evaporators"):
        name = name.split(f"{group}[")[0] + group if f"{group}[" in name else name
    if name.startswith("trailer.max_"):
        return name.replace("trailer.", "trailer_axle_")
    return name.replace(".", "_")


def _plain(value: float) -> float | int:
    return int(value) if value.is_integer() else value


def _pairs(cell: str, names: tuple[str, str]) -> list[Any]:
    """Return entries of two numbers each, as they stand where they are none."""
    found: list[Any] = []
    for entry in cell.split():
        first, _, second = entry.partition(":")
        found.append({names[0]: _number(first), names[1]: _number(second)})
    return found


def _capacity(cell: str) -> list[Any]:
    found: list[Any] = []
    for entry in cell.split():
        at, _, watts = entry.partition(":")
        outside, _, inside = at.partition("/")
        found.append({"outside_c": _number(outside), "inside_c": _number(inside), "watts": _number(watts)})
    return found


def _number(cell: str) -> Any:
    try:
        return _plain(float(cell))
    except (ValueError, OverflowError):
        return cell
