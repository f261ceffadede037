"""Whether pallets stand on places there are, share one as they may, fit it, and can be set down."""

from collections.abc import Iterator, Mapping, Sequence

from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Truck
from rimekeep.loading.core.violation import PlacedPallet, Violation
from rimekeep.wording import say


def broken_by_places(
    request: LoadRequest, truck: Truck, v: int, placed: Sequence[PlacedPallet]
) -> Iterator[Violation]:
    rows = truck.rows
    taken: dict[tuple[int, int], list[str]] = {}
    for pallet, row, lane in placed:
        if not 0 <= row < len(rows):
            text = say(
                "Pallet {pallet} stands in row {row}; the deck has rows 1 to {n}.",
                pallet=pallet,
                row=row + 1,
                n=len(rows),
            )
            yield Violation("no_place", v, None, row, len(rows) - 1, text)
        elif not 0 <= lane < rows[row].lanes:
            text = say(
                "Pallet {pallet} stands in lane {lane}; row {row} has lanes 1 to {lanes}.",
                pallet=pallet,
                lane=lane + 1,
                row=row + 1,
                lanes=rows[row].lanes,
            )
            yield Violation("no_place", v, None, lane, rows[row].lanes - 1, text)
        else:
            taken.setdefault((row, lane), []).append(pallet)
    known = {pallet.id: pallet for pallet in request.pallets}
    seqs = {stop.id: stop.seq for stop in request.stops}
    for (row, lane), names in taken.items():
        if len(names) > 1 and all(name in known for name in names):
            yield from _shared(truck, v, (row, lane), [known[name] for name in names], seqs)
        elif len(names) > 1:
            yield _taken_twice(v, (row, lane), names)


def _taken_twice(v: int, place: tuple[int, int], names: Sequence[str]) -> Violation:
    text = say(
        "Pallets {choices} both stand in row {place}, lane {place_more}.",
        choices=" and ".join(names),
        place=place[0] + 1,
        place_more=place[1] + 1,
    )
    return Violation("place_taken", v, None, len(names), 1, text)


def _shared(
    truck: Truck, v: int, place: tuple[int, int], pallets: Sequence[Pallet], seqs: Mapping[str, int]
) -> Iterator[Violation]:
    """
    Judge pallets of one place: two halves beside each other, or one on top of the one listed before it.

    Two of them may be tight below the roof, too heavy for the lower one, or in the way of its drop.
    """
    row = truck.rows[place[0]]
    small, large = sorted((row.along_mm, row.across_mm))
    is_half = [0 < one.long_mm <= small and 2 * one.short_mm <= large for one in pallets]
    base, top = pallets[0], pallets[1]
    if len(pallets) > 2 or (not all(is_half) and not (base.top_max_kg and top.is_stackable)):
        yield _taken_twice(v, place, [one.id for one in pallets])
        return
    if truck.side_doors:
        text = say(
            "Pallets {id} and {top_id} share a place beside which a side door gives no clear order.",
            id=base.id,
            top_id=top.id,
        )
        yield Violation("stacking", v, None, 2, 1, text)
    if all(is_half):
        return
    rooms = [height for height in (truck.load_height_mm, truck.door_height_mm) if height > 0]
    height = base.height_mm + top.height_mm
    if not rooms or not base.height_mm or not top.height_mm:
        text = say(
            "Whether {id} on {base_id} is too high cannot be told: a height is missing.",
            id=top.id,
            base_id=base.id,
        )
        yield Violation("stacking", v, None, height, min(rooms, default=0), text)
    elif height > min(rooms):
        text = say(
            "{id} on {base_id} is {height:g} mm high and {rooms:g} mm pass.",
            id=top.id,
            base_id=base.id,
            height=height,
            rooms=min(rooms),
        )
        yield Violation("stacking", v, None, height, min(rooms), text)
    if top.mass_kg > base.top_max_kg:
        text = say(
            "{id} of {mass_kg:g} kg stands on {base_id}, which bears {top_max_kg:g} kg.",
            id=top.id,
            mass_kg=top.mass_kg,
            base_id=base.id,
            top_max_kg=base.top_max_kg,
        )
        yield Violation("stacking", v, None, top.mass_kg, base.top_max_kg, text)
    if seqs[top.stop] > seqs[base.stop]:
        text = say(
            "{id} for {stop} stands below {top_id}, which is for the later stop {top_stop}.",
            id=base.id,
            stop=base.stop,
            top_id=top.id,
            top_stop=top.stop,
        )
        yield Violation("stacking", v, base.stop, seqs[top.stop], seqs[base.stop], text)
    if top.long_mm > base.long_mm or top.short_mm > base.short_mm or any(is_half):
        text = say("{id} hangs over the edges of {base_id} below it.", id=top.id, base_id=base.id)
        yield Violation("stacking", v, None, top.long_mm, base.long_mm, text)


def broken_by_forms(
    request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing]
) -> Iterator[Violation]:
    """Judge size against place, door and roof, and weight against how a pallet comes off at its stop."""
    docks = {stop.id: stop.has_dock for stop in request.stops}
    for one in standing:
        pallet, row = one.pallet, truck.rows[one.row]
        who = say("Pallet {id} for {stop} in row {row}", id=pallet.id, stop=pallet.stop, row=one.row + 1)
        for word, height in ((say("load space"), truck.load_height_mm), ("door", truck.door_height_mm)):
            if 0 < height < pallet.height_mm:
                text = say(
                    "{who} is {height_mm:g} mm high; the {word} lets {height:g} mm through.",
                    who=who,
                    height_mm=pallet.height_mm,
                    word=word,
                    height=height,
                )
                yield Violation("height", v, pallet.stop, pallet.height_mm, height, text)
        if row.along_mm > 0 and pallet.long_mm > 0:
            small, large = sorted((row.along_mm, row.across_mm))
            if pallet.long_mm > large or pallet.short_mm > small:
                text = say(
                    "{who} needs {short_mm:g} × {long_mm:g} mm; the place is {small:g} × {large:g} mm.",
                    who=who,
                    short_mm=pallet.short_mm,
                    long_mm=pallet.long_mm,
                    small=small,
                    large=large,
                )
                yield Violation("footprint", v, pallet.stop, pallet.long_mm, large, text)
        if not docks[pallet.stop] and not truck.has_ramps:
            lift = truck.tail_lift_max_kg
            if lift is None:
                text = say(
                    "{who} cannot be set down: no dock there, and no tail lift or ramps on the truck.",
                    who=who,
                )
                yield Violation("unloading", v, pallet.stop, pallet.mass_kg, 0, text)
            elif pallet.mass_kg > lift:
                text = say(
                    "{who} weighs {mass_kg:g} kg; there is no dock and the tail lift takes {lift:g} kg.",
                    who=who,
                    mass_kg=pallet.mass_kg,
                    lift=lift,
                )
                yield Violation("unloading", v, pallet.stop, pallet.mass_kg, lift, text)
