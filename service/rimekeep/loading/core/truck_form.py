"""Reading a truck from plain data: axles, deck, doors. With several layouts it becomes several trucks."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from rimekeep.loading.core.chassis_form import FIELDS, axles_of
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.layouts import Footprint, layouts
from rimekeep.loading.core.measures import metric
from rimekeep.loading.core.shift_form import shift_of
from rimekeep.loading.core.vehicle import Row, SideDoor, Truck
from rimekeep.wording import say

KINDS = ("semi", "rigid", "drawbar")
DECK_FIELDS = ("length_mm", "width_mm", "door_gap_mm", "front_gap_mm")
COMMON_FIELDS = (
    "payload_max_kg", "gross_max_kg", "drive_min_share_pct", "steer_min_share_pct", "pallet", "kind", "rows",
    "layouts", "deck", "body_height_mm", "roof_gap_mm", "door_height_mm", "tail_lift_max_kg", "has_ramps",
    "side_doors", "is_road_friendly", "compartments", "bulkhead_after_rows",
)  # fmt: skip
MOST_ROWS = 60
MOST_AIRS = 3


def trucks_of(
    read: FieldReader, data: Mapping[str, Any], where: str, *, kind: int, footprints: Sequence[Footprint]
) -> list[Truck]:
    """Return one truck per layout of its deck; all of them are the same vehicles of the yard."""
    chassis = data.get("kind", "semi")
    if chassis not in KINDS:
        read.fault(
            f"{where}.kind",
            say("{chassis!r:.40} is not a kind of truck known here.", chassis=chassis),
            say('Give "semi", "rigid" or "drawbar".'),
        )
        chassis = say("semi")
    data = metric(read, data, where, (*COMMON_FIELDS, *FIELDS[chassis]))
    decks = _decks(read, data, where, footprints, is_drawbar=chassis == "drawbar")
    axles = axles_of(read, data, where, chassis)
    gross = read.number(data, "gross_max_kg", where, is_above=True)
    if not read.faults and gross < axles.tare_kg:
        read.fault(
            f"{where}.gross_max_kg",
            say(
                "The empty truck of {tare_kg:g} kg is over its gross limit of {gross:g} kg.",
                tare_kg=axles.tare_kg,
                gross=gross,
            ),
            say("Check the tares and the limit."),
        )
    lift = data.get("tail_lift_max_kg")
    # How many temperatures it may be given at once, where that is fewer than its bulkheads would make.
    airs = read.whole(data, "airs", where, least=1, most=MOST_AIRS, is_optional=True) or MOST_AIRS
    truck = Truck(
        name=str(data.get("name", "")),
        axles=axles,
        rows=decks[0] if decks else (),
        payload_max_kg=read.number(data, "payload_max_kg", where, is_above=True),
        gross_max_kg=gross,
        drive_min_share_pct=read.number(data, "drive_min_share_pct", where, default=0, most=100),
        steer_min_share_pct=read.number(data, "steer_min_share_pct", where, default=0, most=100),
        available=read.whole(data, "available", where, least=0, is_optional=True),
        pallet=str(data.get("pallet", "")),
        kind=kind,
        load_height_mm=_load_height(read, data, where),
        door_height_mm=_height(read, data, "door_height_mm", where),
        tail_lift_max_kg=None
        if lift is None
        else read.number(data, "tail_lift_max_kg", where, is_above=True, most=10_000),
        has_ramps=read.switch(data, "has_ramps", where, default=False),
        is_road_friendly=read.switch(data, "is_road_friendly", where, default=False),
        compartments=min(
            read.whole(data, "compartments", where, least=1, most=MOST_AIRS, is_optional=True) or 1, airs
        ),
        bulkhead_rows=_bulkhead_rows(read, data, where),
        has_one_air=airs == 1,
        shift=shift_of(read, data, where),
        decks_mm=_decks_mm(data),
    )
    return [
        replace(truck, rows=rows, side_doors=_side_doors(read, data, where, rows)) for rows in decks or [()]
    ]


def _bulkhead_rows(read: FieldReader, data: Mapping[str, Any], where: str) -> tuple[int, ...] | None:
    """Return the rows behind which a bulkhead may stand, numbered as in a plan; None for any."""
    if data.get("bulkhead_after_rows") is None:
        return None
    rows = read.items(data, "bulkhead_after_rows", f"{where}.bulkhead_after_rows")
    if not all(type(row) is int and 0 <= row < 2 * MOST_ROWS for row in rows):
        read.fault(
            f"{where}.bulkhead_after_rows",
            say("A bulkhead stands behind a row, and rows are whole numbers from 0 at the front wall."),
            say("Give them as in [3, 4, 5]."),
        )
        return None
    return tuple(sorted(set(rows)))


def _height(read: FieldReader, data: Mapping[str, Any], key: str, where: str) -> float:
    if data.get(key) is None:
        return 0.0
    return read.number(data, key, where, is_above=True, most=5000)


def _load_height(read: FieldReader, data: Mapping[str, Any], where: str) -> float:
    """Return how high a load may be: the body's inside less the air it needs below the roof."""
    height = _height(read, data, "body_height_mm", where)
    gap = read.number(data, "roof_gap_mm", where, default=0, most=2000)
    if height and gap >= height:
        read.fault(
            f"{where}.roof_gap_mm",
            say("A gap of {gap:g} mm leaves nothing of a body {height:g} mm high.", gap=gap, height=height),
            say("Give the air needed between load and roof."),
        )
    return max(height - gap, 0.0)


def _decks(
    read: FieldReader,
    data: Mapping[str, Any],
    where: str,
    footprints: Sequence[Footprint],
    *,
    is_drawbar: bool,
) -> list[tuple[Row, ...]]:
    """Return the layouts to choose from; a combination's are those of both bodies, the truck's rows first."""
    found = _body_decks(read, data, where, footprints, 0)
    if not is_drawbar:
        return found
    trailer = data.get("trailer")
    there = trailer if isinstance(trailer, Mapping) else {}
    behind = _body_decks(read, {"pallet": data.get("pallet"), **there}, f"{where}.trailer", footprints, 1)
    return [ahead + rows for ahead in found for rows in behind]


def _body_decks(
    read: FieldReader, data: Mapping[str, Any], where: str, footprints: Sequence[Footprint], body: int
) -> list[tuple[Row, ...]]:
    given = [key for key in ("rows", "layouts", "deck") if data.get(key) is not None]
    if len(given) > 1:
        read.fault(
            f"{where}.{given[1]}",
            say(
                "The deck is described twice, by {given} and by {given_1}.", given=given[0], given_1=given[1]
            ),
            say("Keep one of them."),
        )
        return []
    pallet = _pallet(data.get("pallet"))
    if given == ["deck"]:
        made = _generated(read, read.entry(data["deck"], f"{where}.deck"), where, footprints, pallet, body)
    elif given == ["layouts"]:
        made = []
        for k, one in enumerate(read.items(data, "layouts", f"{where}.layouts")):
            here = f"{where}.layouts[{k}]"
            made.append(_rows(read, read.entry(one, here), here, pallet, body))
    else:
        made = [_rows(read, data, where, pallet, body)]
    for rows in made:
        if len(rows) > MOST_ROWS:
            read.fault(
                f"{where}.rows",
                say("{n} rows are on no deck.", n=len(rows)),
                say("Give at most {MOST_ROWS}.", MOST_ROWS=MOST_ROWS),
            )
    return made


def _pallet(value: object) -> Footprint | None:
    """Return the footprint a deck is laid out for, None when it is said in other words."""
    aside = FieldReader()
    found = aside.footprint(value, "pallet")
    return None if aside.faults else found


def _footprint(read: FieldReader, value: object, where: str) -> Footprint | None:
    return None if value in (None, "") else read.footprint(value, where)


def _generated(
    read: FieldReader,
    deck: Mapping[str, Any],
    where: str,
    footprints: Sequence[Footprint],
    pallet: Footprint | None,
    body: int,
) -> list[tuple[Row, ...]]:
    deck = metric(read, deck, f"{where}.deck", DECK_FIELDS)
    length = read.number(deck, "length_mm", f"{where}.deck", is_above=True, most=30_000)
    width = read.number(deck, "width_mm", f"{where}.deck", is_above=True, most=4000)
    gaps = sum(
        read.number(deck, key, f"{where}.deck", default=0, most=5000)
        for key in ("door_gap_mm", "front_gap_mm")
    )
    wanted = list(footprints) or ([pallet] if pallet else [])
    if read.faults:
        return []
    if not wanted:
        read.fault(
            f"{where}.deck",
            say("A deck cannot be laid out without the footprint of what stands on it."),
            say('Give the pallets "footprint", or the truck "pallet", as in "800x1200".'),
        )
        return []
    made = layouts(length - gaps, width, wanted, body=body)
    if not made:
        read.fault(
            f"{where}.deck",
            say(
                "No pallet of {wanted:g} × {wanted_0:g} mm fits {length:g} × {width:g} mm.",
                wanted=wanted[0][1],
                wanted_0=wanted[0][0],
                length=length - gaps,
                width=width,
            ),
            say("Check length, width and gaps."),
        )
    front = read.number(deck, "front_gap_mm", f"{where}.deck", default=0, most=5000)
    return [tuple(replace(row, x_mm=round(row.x_mm + front, 3)) for row in rows) for rows in made]


def _decks_mm(data: Mapping[str, Any]) -> tuple[tuple[int, float, float], ...]:
    """Return the decks given by length and width; what is wrong with them is told where they are laid out."""
    found, aside = [], FieldReader()
    for body, of_body in enumerate((data, data.get("trailer"))):
        deck = of_body.get("deck") if isinstance(of_body, Mapping) else None
        if isinstance(deck, Mapping):
            deck = metric(aside, deck, "deck", DECK_FIELDS)
            length, gap, width = (
                aside.number(deck, key, "deck", default=0) for key in ("length_mm", "door_gap_mm", "width_mm")
            )
            found.append((body, length - gap, width))
    return () if aside.faults else tuple(found)


def _rows(
    read: FieldReader, data: Mapping[str, Any], where: str, pallet: Footprint | None, body: int
) -> tuple[Row, ...]:
    rows = []
    for r, value in enumerate(read.items(data, "rows", f"{where}.rows")):
        here = f"{where}.rows[{r}]"
        entry = metric(read, read.entry(value, here), here, ("x_mm",))
        place = _footprint(read, entry.get("place"), f"{here}.place") or pallet or (0.0, 0.0)
        x_mm = read.number(entry, "x_mm", here, least=None)
        lanes = read.whole(entry, "lanes", here, least=1, most=10) or 1
        rows.append(Row(x_mm, lanes, body, along_mm=place[1], across_mm=place[0]))
    for r, (ahead, behind) in enumerate(pairwise(rows), start=1):
        if not behind.x_mm > ahead.x_mm:
            read.fault(
                f"{where}.rows[{r}].x_mm",
                say(
                    "Row {r} at {x_mm:g} mm is not behind row {r_2} at {ahead_x_mm:g} mm.",
                    r=r + 1,
                    x_mm=behind.x_mm,
                    r_2=r,
                    ahead_x_mm=ahead.x_mm,
                ),
                say("List the rows from the front wall (row 1) to the doors."),
            )
    return tuple(rows)


def _side_doors(
    read: FieldReader, data: Mapping[str, Any], where: str, rows: Sequence[Row]
) -> tuple[SideDoor, ...]:
    """Return side doors; rows are numbered as in a plan, from 0 and over both bodies."""
    if data.get("side_doors") is None:
        return ()
    found = []
    for k, value in enumerate(read.items(data, "side_doors", f"{where}.side_doors")):
        here = f"{where}.side_doors[{k}]"
        entry = read.entry(value, here)
        first = read.whole(entry, "first_row", here, least=0)
        last = read.whole(entry, "last_row", here, least=0)
        if entry.get("side") not in ("left", "right"):
            read.fault(
                f"{here}.side",
                say("A door is in the left or the right wall."),
                say('Give "left" or "right".'),
            )
        elif first is None or last is None:
            continue
        elif not first <= last < len(rows) or rows[first].body != rows[last].body:
            read.fault(
                here,
                say(
                    "There are no rows {first} to {last} in one body of a deck of {n} rows.",
                    first=first,
                    last=last,
                    n=len(rows),
                ),
                say("Count rows from 0 at the front wall."),
            )
        else:
            found.append(SideDoor(first, last, entry["side"] == "left"))
    return tuple(found)
