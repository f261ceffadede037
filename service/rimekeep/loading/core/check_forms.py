"""Whether pallets stand on places there are, share one as they may, fit it, and can be set down."""

from collections.abc import Iterator, Mapping, Sequence

from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Truck
from rimekeep.loading.core.violation import PlacedPallet, Violation


def broken_by_places(
    request: LoadRequest, truck: Truck, v: int, placed: Sequence[PlacedPallet]
) -> Iterator[Violation]:
    rows = truck.rows
    taken: dict[tuple[int, int], list[str]] = {}
    for pallet, row, lane in placed:
        if not 0 <= row < len(rows):
            text = f"Pallet {pallet} stands in row {row + 1}; the deck has rows 1 to {len(rows)}."
            yield Violation("no_place", v, None, row, len(rows) - 1, text)
        elif not 0 <= lane < rows[row].lanes:
            text = (
                f"Pallet {pallet} stands in lane {lane + 1}; row {row + 1} has lanes 1 to {rows[row].lanes}."
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
    text = f"Pallets {' and '.join(names)} both stand in row {place[0] + 1}, lane {place[1] + 1}."
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
        text = f"Pallets {base.id} and {top.id} share a place beside which a side door gives no clear order."
        yield Violation("stacking", v, None, 2, 1, text)
    if all(is_half):
        return
    rooms = [height for height in (truck.load_height_mm, truck.door_height_mm) if height > 0]
    height = base.height_mm + top.height_mm
    if not rooms or not base.height_mm or not top.height_mm:
        text = f"Whether {top.id} on {base.id} is too high cannot be told: a height is missing."
        yield Violation("stacking", v, None, height, min(rooms, default=0), text)
    elif height > min(rooms):
        text = f"{top.id} on {base.id} is {height:g} mm high and {min(rooms):g} mm pass."
        yield Violation("stacking", v, None, height, min(rooms), text)
    if top.mass_kg > base.top_max_kg:
        text = f"{top.id} of {top.mass_kg:g} kg stands on {base.id}, which bears {base.top_max_kg:g} kg."
        yield Violation("stacking", v, None, top.mass_kg, base.top_max_kg, text)
    if seqs[top.stop] > seqs[base.stop]:
        text = f"{base.id} for {base.stop} stands below {top.id}, which is for the later stop {top.stop}."
        yield Violation("stacking", v, base.stop, seqs[top.stop], seqs[base.stop], text)
    if top.long_mm > base.long_mm or top.short_mm > base.short_mm or any(is_half):
        text = f"{top.id} hangs over the edges of {base.id} below it."
        yield Violation("stacking", v, None, top.long_mm, base.long_mm, text)


def broken_by_forms(
    request: LoadRequest, truck: Truck, v: int, standing: Sequence[Standing]
) -> Iterator[Violation]:
    """Judge size against place, door and roof, and weight against how a pallet comes off at its stop."""
    docks = {stop.id: stop.has_dock for stop in request.stops}
    for one in standing:
        pallet, row = one.pallet, truck.rows[one.row]
        who = f"Pallet {pallet.id} for {pallet.stop} in row {one.row + 1}"
        for word, height in (("load space", truck.load_height_mm), ("door", truck.door_height_mm)):
            if 0 < height < pallet.height_mm:
                text = f"{who} is {pallet.height_mm:g} mm high; the {word} lets {height:g} mm through."
                yield Violation("height", v, pallet.stop, pallet.height_mm, height, text)
        if row.along_mm > 0 and pallet.long_mm > 0:
            small, large = sorted((row.along_mm, row.across_mm))
            if pallet.long_mm > large or pallet.short_mm > small:
                text = (
                    f"{who} needs {pallet.short_mm:g} × {pallet.long_mm:g} mm; the place is "
                    f"{small:g} × {large:g} mm."
                )
                yield Violation("footprint", v, pallet.stop, pallet.long_mm, large, text)
        if not docks[pallet.stop] and not truck.has_ramps:
            lift = truck.tail_lift_max_kg
            if lift is None:
                text = f"{who} cannot be set down: no dock there, and no tail lift or ramps on the truck."
                yield Violation("unloading", v, pallet.stop, pallet.mass_kg, 0, text)
            elif pallet.mass_kg > lift:
                text = (
                    f"{who} weighs {pallet.mass_kg:g} kg; there is no dock and the tail lift takes "
                    f"{lift:g} kg."
                )
                yield Violation("unloading", v, pallet.stop, pallet.mass_kg, lift, text)
