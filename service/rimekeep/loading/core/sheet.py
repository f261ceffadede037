"""The loading sheet: what one trip's loaders and driver must know, and the same as plain text."""

from collections.abc import Mapping, Sequence
from functools import reduce
from itertools import pairwise
from typing import Any

from rimekeep.loading.core.callers import ALONE, OtherCalls
from rimekeep.loading.core.cautions import cautions
from rimekeep.loading.core.gear import Gear, Law
from rimekeep.loading.core.held import LoadHeld
from rimekeep.loading.core.papers import (
    Announced,
    Axle,
    DeckRow,
    Head,
    LoadingPaper,
    Note,
    NoteUnit,
    SheetLine,
    State,
    Turn,
)
from rimekeep.loading.core.plan import Compartment, middle_c
from rimekeep.loading.core.records import PlaceView, TripView
from rimekeep.loading.core.securing_notes import bulkhead_notes, securing_notes, stack_notes
from rimekeep.loading.core.sequence import in_loading_order
from rimekeep.loading.core.vehicle import Stop
from rimekeep.wording import glued, say


def loading_paper(
    head: Head,
    trip: TripView,
    lanes: Sequence[int],
    lines: Sequence[SheetLine],
    held: Sequence[LoadHeld],
    by: tuple[Law, Gear],
    road: Sequence[str] = (),
    expected: Mapping[int, str] | None = None,
    stops: Sequence[Stop] = (),
    others: Mapping[str, OtherCalls] | None = None,
) -> LoadingPaper:
    """
    Return what a trip's loading sheet says.

    ``lanes`` are those of each row of the deck, from the front wall; ``held`` says how the load is held in
    every state, reckoned ``by`` which rules and gear; ``expected`` when drops are reached; ``stops`` what
    empties were announced at them, and ``others`` which trips call there too, by customer.
    """
    order = _order(trip.places)
    return LoadingPaper(
        head=head,
        reefer=_reefer(trip),
        cautions=(*cautions("loading"), *(cautions("bulkheads") if trip.compartments else ())),
        order=order,
        deck=_deck(trip.places, order, lanes, held, trip.compartments),
        securing_notes=(
            *securing_notes(held, *by),
            *stack_notes(order),
            *bulkhead_notes(trip.compartments),
        ),
        states=_states(trip.axle_table),
        drops=delivery_notes(trip.places, lines, expected or {}, stops, others or {}),
        road=tuple(road),
    )


def delivery_notes(
    places: Sequence[PlaceView],
    lines: Sequence[SheetLine],
    expected: Mapping[int, str],
    stops: Sequence[Stop] = (),
    others: Mapping[str, OtherCalls] | None = None,
) -> tuple[Note, ...]:
    """Return what is handed over at each drop, in drop order; what stands nearest the doors first."""
    announced = {
        stop.id: tuple(Announced(one.kind, one.pieces, one.mass_kg) for one in stop.empties) for stop in stops
    }
    on_unit: dict[int, list[SheetLine]] = {}
    for line in lines:
        on_unit.setdefault(line.unit_id, []).append(line)
    notes = []
    for drop in sorted({place.drop for place in places}):
        own = (place for place in places if place.drop == drop)
        here = sorted(own, key=lambda place: (-place.row, place.lane, -place.tier))
        first = here[0]
        units = tuple(
            NoteUnit(
                place.sscc,
                place.order_code,
                place.row + 1,
                place.lane + 1,
                place.mass_kg,
                tuple(on_unit.get(place.unit_id, ())),
                is_on_top=place.tier > 0,
            )
            for place in here
        )
        notes.append(
            Note(
                drop,
                first.customer_code,
                first.customer_name,
                first.customer_address,
                units,
                expected.get(drop, ""),
                announced.get(first.customer_code, ()),
                (others or {}).get(first.customer_code, ALONE),
            )
        )
    return tuple(notes)


def _reefer(trip: TripView) -> tuple[str, ...]:
    low, high = trip.setpoint_min_c, trip.setpoint_max_c
    if trip.compartments:
        return _divided_reefer(trip)
    advised = middle_c(low, high)
    first = say(
        "setpoint {advised:g} °C (everything on board may travel at {low:g} to {high:g} °C)",
        advised=advised,
        low=low,
        high=high,
    )
    if trip.cold is None:
        return (
            first,
            say(
                "Pre-cool the closed, empty body to {advised:g} °C before loading; unit off with doors open.",
                advised=advised,
            ),
        )
    return first, trip.cold["precool"]["text"], say("Does the unit hold it? {cold}", cold=trip.cold["text"])


def _divided_reefer(trip: TripView) -> tuple[str, ...]:
    """Return what the unit is set to compartment by compartment, and where bulkheads stand."""
    rooms = trip.compartments
    setpoints = glued(
        *(
            say("{rows_words} {setpoint_c:g} °C", rows_words=room.rows_words, setpoint_c=room.setpoint_c)
            for room in rooms
        ),
        by=", ",
    )
    behind = reduce(
        lambda some, last: say("{some} and {last}", some=some, last=last),
        [say("row {row}", row=room.last_row + 1) for room in rooms[:-1]],
    )
    lines = [
        say(
            "{n} setpoints: {setpoints}; a bulkhead behind {behind}",
            n=len(rooms),
            setpoints=setpoints,
            behind=behind,
        ),
        *(
            say(
                "Compartment {number}, {rows_words}: setpoint {setpoint_c:g} °C (its goods may travel at "
                "{setpoint_min_c:g} to {setpoint_max_c:g} °C)",
                number=number,
                rows_words=room.rows_words,
                setpoint_c=room.setpoint_c,
                setpoint_min_c=room.setpoint_min_c,
                setpoint_max_c=room.setpoint_max_c,
            )
            for number, room in enumerate(rooms, 1)
        ),
    ]
    told = (trip.cold or {}).get("compartments")
    if trip.cold is None or not told:
        return (
            *lines,
            say(
                "Set the bulkheads, pre-cool the closed, empty body before loading; unit off with doors open."
            ),
        )
    return (
        *lines,
        say("Set the bulkheads first. {cold}", cold=trip.cold["precool"]["text"]),
        say("Does the unit hold it? {cold}", cold=trip.cold["text"]),
    )


def _order(places: Sequence[PlaceView]) -> tuple[Turn, ...]:
    by_unit = {place.unit_id: place for place in places}
    parts: dict[tuple[int, int], set[int]] = {}
    for place in places:
        parts.setdefault((place.row, place.lane), set()).add(place.part)
    tops = {(place.row, place.lane) for place in places if place.tier}
    turns = []
    for number, spot in enumerate(in_loading_order([place.spot for place in places]), 1):
        place = by_unit[spot.unit_id]
        turns.append(
            Turn(
                number,
                spot.row + 1,
                spot.lane + 1,
                spot.sscc,
                spot.drop,
                place.customer_code,
                place.mass_kg,
                spot.is_loaded,
                is_shared=len(parts[spot.row, spot.lane]) > 1,
                is_turned=place.is_turned,
                stacked="on top" if place.tier else "below" if (place.row, place.lane) in tops else "",
            )
        )
    return tuple(turns)


def row_masses_kg(places: Sequence[PlaceView]) -> Mapping[int, float]:
    """Return the mass standing in each row."""
    masses: dict[int, float] = {}
    for place in sorted(places, key=lambda place: place.row):
        masses[place.row] = masses.get(place.row, 0.0) + place.mass_kg
    return masses


def _deck(
    places: Sequence[PlaceView],
    order: Sequence[Turn],
    lanes: Sequence[int],
    held: Sequence[LoadHeld],
    rooms: Sequence[Compartment],
) -> tuple[DeckRow, ...]:
    bulkheads = {
        ahead.last_row: say(
            "BULKHEAD: ahead {setpoint_c:g} °C, behind {behind_setpoint_c:g} °C",
            setpoint_c=ahead.setpoint_c,
            behind_setpoint_c=behind.setpoint_c,
        )
        for ahead, behind in pairwise(rooms)
    }
    turn_of = {turn.sscc: turn for turn in order}
    at: dict[tuple[int, int], dict[tuple[int, int], Turn]] = {}
    # What was delivered has left its place to what was refused of it.
    for place in sorted(places, key=lambda place: (place.off_at is None, -place.tier, place.part)):
        at.setdefault((place.row, place.lane), {})[-place.tier, place.part] = turn_of[place.sscc]
    masses = row_masses_kg(places)
    said = {one.row: one.said_on_deck for one in held[0].rows} if held else {}
    return tuple(
        DeckRow(
            row + 1,
            tuple(tuple(at[row, lane][k] for k in sorted(at.get((row, lane), ()))) for lane in range(wide)),
            masses.get(row, 0.0),
            said.get(row, ""),
            bulkheads.get(row, ""),
        )
        for row, wide in enumerate(lanes)
    )


def _states(table: Sequence[Mapping[str, Any]]) -> tuple[State, ...]:
    least: dict[str, float] = {}
    for state in table:
        for axle in state["axles"]:
            margin = axle["max_kg"] - axle["load_kg"]
            least[axle["name"]] = min(margin, least.get(axle["name"], margin))
    return tuple(
        State(
            say("at departure")
            if state["after_stop"] is None
            else say("after drop {number}, {stop}", number=number, stop=state["after_stop"]),
            state["payload_kg"],
            state["gross_kg"],
            tuple(
                Axle(
                    axle["name"],
                    axle["load_kg"],
                    axle["max_kg"],
                    is_tightest=axle["max_kg"] - axle["load_kg"] <= least[axle["name"]],
                )
                for axle in state["axles"]
            ),
        )
        for number, state in enumerate(table)
    )


def sheet_text(paper: LoadingPaper, drawing: str) -> str:
    """Return the loading sheet as plain text."""
    head = paper.head
    parts = [
        [
            f"LOADING SHEET  plan {head.plan_id}  trip {head.trip_id}  vehicle {head.vehicle_and_turn}  "
            f"{head.ship_on.isoformat()}",
            *([] if head.is_confirmed else ["DRAFT: the plan is not confirmed; do not load by this sheet."]),
        ],
        [f"REEFER  {paper.reefer[0]}", *(f"  {line}" for line in paper.reefer[1:])],
        *([["ON THE ROAD", *(f"  {line}" for line in paper.road)]] if paper.road else []),
        ["CAUTION", *(f"  ! {caution}" for caution in paper.cautions)],
        _loading_lines(paper.order),
        ["DECK, from above", *drawing.splitlines()],
        _securing_lines(paper),
        *(_drop_lines(note) for note in paper.drops),
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _loading_lines(order: Sequence[Turn]) -> list[str]:
    wide = max([4, *(len(one.place) for one in order)])
    return [
        "LOAD IN THIS ORDER  (row 1 at the front wall, lane 1 at the left)",
        f"  no.  row  {'lane':>{wide}}  SSCC                 drop  customer        kg",
        *(
            f"  {one.number:>3}  {one.row:>3}  {one.place:>{wide}}  {one.sscc:<19}  {one.drop:>4}  "
            f"{one.customer_code:<12}  {one.mass_kg:>6.0f}{'  turned by 90°' if one.is_turned else ''}"
            f"{'  loaded' if one.is_loaded else ''}"
            for one in order
        ),
    ]


def _securing_lines(paper: LoadingPaper) -> list[str]:
    return [
        f"SECURING  {paper.securing_notes[0]}",
        *(f"  {note}" for note in paper.securing_notes[1:]),
        *(
            f"  row {row.number:>2}: {row.mass_kg:>6.0f} kg  {row.securing}"
            for row in paper.deck
            if row.securing
        ),
    ]


def _drop_lines(note: Note) -> list[str]:
    lines = [f"DROP {note.drop}  {note.customer_code}  {note.customer_name}"]
    if note.customer_address:
        lines.append(f"  {note.customer_address}")
    if note.expected:
        lines.append(f"  expected {note.expected} (an estimate, by the site's clock)")
    if note.empties:
        lines.append(f"  empties announced: {note.empties_words}")
    for unit in note.units:
        top = "  (on top: lift it off first)" if unit.is_on_top else ""
        lines.append(f"  {unit.sscc}  order {unit.order_code}{top}")
        lines += [
            f"    {line.cases:>4} x {line.sku} {line.product}, lot {line.lot}, "
            f"best before {line.best_before_on.isoformat()}"
            for line in unit.lines
        ]
    return lines
