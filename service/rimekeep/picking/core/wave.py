"""
From pallets and order lines to an allocation, and back from lots to pallets.

Expiry days: ``expires_on`` is the last full day of the site's calendar before the effective expiry, so beer
that expires at midnight after 30 April, or at any hour of 1 May, counts as good through 30 April.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, tzinfo

from rimekeep.picking.core.allocation import Line, LotStock, Reason, Short, allocate, eligible
from rimekeep.picking.core.allocation.records import Key
from rimekeep.picking.core.handling import LotUnit, grabs
from rimekeep.picking.core.states import Handling
from rimekeep.stock.core.records import Pickable

# The integer search for lot caps runs while others wait for their turn to reserve: bound it tighter.
SEARCH_EFFORT_S = 3.0


@dataclass(frozen=True, slots=True)
class Take:
    """Cases of one content that serve one line."""

    line_id: int
    content: Pickable
    cases: int
    how: Handling
    expires_on: date


@dataclass(frozen=True, slots=True)
class Wave:
    """What serves which line, what is short and why; ``bound`` as in `Allocation`."""

    takes: list[Take]
    short: dict[int, Short]
    wanted: int
    served: int
    bound: int
    is_proven: bool


def plan_wave(
    stock: Iterable[Pickable],
    lines: Sequence[Line],
    *,
    expires_on: Mapping[int, date],
    zone: tzinfo,
    mixed_units: frozenset[int] = frozenset(),
    lots_had: Mapping[int, frozenset[int]] | None = None,
) -> Wave:
    """
    Decide which cases of which pallets serve which lines.

    Parameters
    ----------
    stock
        Free cases by content; held ones too, so that a short line is told of them.
    lines
        What is wanted; ids are integers.
    expires_on
        Last full day of life by content; a content that is not in it counts by its printed date.
    zone
        The site's time zone: decides on which day a pallet came in.
    mixed_units
        Units with more than one content; they are never taken whole.
    lots_had
        Ids of the lots that serve a line already, by line: they count against its lot cap.

    Returns
    -------
    Wave
        Takes in the order of the lines, one per line and content.
    """
    groups: dict[str, list[Pickable]] = defaultdict(list)
    days: dict[str, date] = {}
    for one in stock:
        day = expires_on.get(one.content_id, one.best_before_on)
        # The lot's code leads, so that equal dates go by lot code as text.
        key = f"{one.lot_code}\x1f{one.lot_id}\x1f{day}\x1f{one.is_released:d}"
        groups[key].append(one)
        days[key] = day
    lots = {
        key: LotStock(
            id=key,
            product=members[0].product_id,
            cases=sum(one.free_cases for one in members),
            expires_on=days[key],
            received_on=min(one.received_at for one in members).astimezone(zone).date(),
            held=not members[0].is_released,
            printed_on=members[0].best_before_on,
        )
        for key, members in groups.items()
    }
    lot_ids = {key: members[0].lot_id for key, members in groups.items()}
    had = lots_had or {}
    open_lines, full_lines = _within_caps(lines, had)
    found = allocate(lots.values(), open_lines, effort=SEARCH_EFFORT_S)
    short = dict(found.short) | {
        line.id: Short(line.cases, Reason.LOT_CAP, ((Reason.LOT_CAP, line.cases),)) for line in full_lines
    }
    taken = _topped_up(lots, lot_ids, lines, found.taken, short, had)
    left = _left(lots, taken)
    for line in full_lines:
        if line.id in short:
            short[line.id] = _why_capped(lots, left, line, short[line.id].cases)
    takes = _takes(groups, days, taken, mixed_units)
    served = sum(cases for _, _, cases in taken)
    return Wave(
        takes=takes,
        short={int(line_id): why for line_id, why in short.items()},
        wanted=sum(line.cases for line in lines),
        served=served,
        bound=max(found.bound, served),
        is_proven=found.is_proven and served == found.served,
    )


def _within_caps(lines: Sequence[Line], had: Mapping[int, frozenset[int]]) -> tuple[list[Line], list[Line]]:
    """Return the lines with what is left of their lot caps, and those whose caps are used up."""
    open_lines, full_lines = [], []
    for line in lines:
        used = len(had.get(int(line.id), ()))
        if line.max_lots is None or not used:
            open_lines.append(line)
        elif used < line.max_lots:
            open_lines.append(replace(line, max_lots=line.max_lots - used))
        else:
            full_lines.append(line)
    return open_lines, full_lines


def _left(lots: Mapping[str, LotStock], taken: Iterable[tuple[Key, Key, int]]) -> dict[str, int]:
    left = {key: lot.cases for key, lot in lots.items()}
    for _, key, cases in taken:
        left[str(key)] -= cases
    return left


def _topped_up(
    lots: Mapping[str, LotStock],
    lot_ids: Mapping[str, int],
    lines: Sequence[Line],
    taken: list[tuple[Key, Key, int]],
    short: dict[Key, Short],
    had: Mapping[int, frozenset[int]],
) -> list[tuple[Key, Key, int]]:
    """
    Return ``taken`` with more for capped lines, of the lots they have already; ``short`` is kept in step.

    A lot whose pallets aged differently counts as several against the cap above, but the customer sees one
    lot: more of it breaks no cap, and having the same printed date no sequence of deliveries.
    """
    left = _left(lots, taken)
    merged: dict[tuple[Key, Key], int] = {(line_id, key): cases for line_id, key, cases in taken}
    for line in lines:
        if line.max_lots is None or line.id not in short:
            continue
        own = {lot_ids[str(key)] for line_id, key, _ in taken if line_id == line.id}
        own |= had.get(int(line.id), frozenset())
        for key in sorted(lots, key=lambda key: (lots[key].expires_on, key)):
            missing = short[line.id].cases if line.id in short else 0
            cases = min(missing, left[key])
            if not cases or lot_ids[key] not in own or eligible(lots[key], line):
                continue
            left[key] -= cases
            merged[line.id, key] = merged.get((line.id, key), 0) + cases
            why = short.pop(line.id)
            if cases < missing:
                blocked = tuple((reason, min(many, missing - cases)) for reason, many in why.blocked)
                short[line.id] = Short(missing - cases, why.reason, blocked)
    return [(line_id, key, cases) for (line_id, key), cases in merged.items()]


def _why_capped(lots: Mapping[str, LotStock], left: Mapping[str, int], line: Line, missing: int) -> Short:
    """Return why a line whose cap is used up stays short: the cap, or what would have stopped it anyway."""
    kept: dict[Reason, int] = defaultdict(int)
    for key, lot in lots.items():
        if lot.product == line.product:
            reasons = eligible(lot, line)
            kept[reasons[0] if reasons else Reason.LOT_CAP] += left[key]
    causes = [(reason, min(missing, cases)) for reason, cases in kept.items() if cases]
    unexplained = missing - sum(cases for _, cases in causes)
    if unexplained > 0:
        causes.append((Reason.NO_STOCK, unexplained))
    causes.sort(key=lambda cause: (-cause[1], cause[0]))
    return Short(missing, causes[0][0], tuple(causes))


def _takes(
    groups: Mapping[str, list[Pickable]],
    days: Mapping[str, date],
    taken: Iterable[tuple[Key, Key, int]],
    mixed_units: frozenset[int],
) -> list[Take]:
    """Choose the pallets: within a lot handling decides, line after line on what the ones before left."""
    free = {one.content_id: one.free_cases for members in groups.values() for one in members}
    by_id = {one.content_id: one for members in groups.values() for one in members}
    result: list[Take] = []
    for line_id, lot_key, cases in taken:
        key = str(lot_key)
        units = [
            _as_unit(one, free[one.content_id], mixed_units) for one in groups[key] if free[one.content_id]
        ]
        by_content: dict[int, int] = defaultdict(int)
        for grab in grabs(units, cases, cases_per_layer=groups[key][0].cases_per_layer):
            by_content[int(grab.unit_id)] += grab.cases
        for content_id, grabbed in by_content.items():
            one = by_id[content_id]
            free[content_id] -= grabbed
            result.append(Take(int(line_id), one, grabbed, _how(one, grabbed, mixed_units), days[key]))
    return result


def _as_unit(one: Pickable, free_cases: int, mixed_units: frozenset[int]) -> LotUnit:
    is_broken = one.is_opened or free_cases < one.cases or one.unit_id in mixed_units
    bay = (one.zone_id, one.aisle or 0, one.slot or 0, one.level or 0)
    return LotUnit(str(one.content_id), free_cases, is_broken, one.full_pallet_cases, bay)


def _how(one: Pickable, cases: int, mixed_units: frozenset[int]) -> Handling:
    if cases == one.cases and one.unit_id not in mixed_units:
        return Handling.PALLET
    return Handling.CASES if cases % one.cases_per_layer else Handling.LAYERS
