"""
From pallets and order lines to an allocation, and back from lots to pallets.

Expiry days: ``expires_on`` is the last full day of the site's calendar before the effective expiry, so beer
that expires at midnight after 30 April, or at any hour of 1 May, counts as good through 30 April.
``promised_on`` is that of the date the site's customers are promised by; ``expires_on`` alone sorts.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from rimekeep.picking.core.allocation import Line, LotStock, Short, allocate
from rimekeep.picking.core.allocation.records import Key
from rimekeep.picking.core.handling import LotUnit, grabs
from rimekeep.picking.core.records import ShortCases, Way
from rimekeep.picking.core.states import Handling
from rimekeep.stock.core.records import Pickable

# The integer search for lot caps runs while others wait for their turn to reserve: bound it tighter.
SEARCH_EFFORT_S = 3.0
# What parts the facts in the id of a stock; its lot's code stands first.
_MARK = "\x1f"


@dataclass(frozen=True, slots=True)
class Take:
    """Cases of one content that serve one line."""

    line_id: int
    content: Pickable
    cases: int
    how: Handling
    expires_on: date
    promised_on: date


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
    promised_on: Mapping[int, date] | None = None,
    zone: tzinfo,
    mixed_units: frozenset[int] = frozenset(),
    effort: float = SEARCH_EFFORT_S,
) -> Wave:
    """
    Decide which cases of which pallets serve which lines.

    Parameters
    ----------
    stock
        Free cases by content; held ones too, so that a short line is told of them.
    lines
        What is wanted; ids are integers, and ``lots_had`` names ids of lots.
    expires_on
        Last full day of life by content; a content that is not in it counts by its printed date.
    promised_on
        Last day customers are promised, by content; a content that is not in it counts by ``expires_on``.
    zone
        The site's time zone: decides on which day a pallet came in.
    mixed_units
        Units with more than one content; they are never taken whole.
    effort
        As in `allocate`. [s]

    Returns
    -------
    Wave
        Takes in the order of the lines, one per line and content.
    """
    groups: dict[str, list[Pickable]] = defaultdict(list)
    days: dict[str, tuple[date, date]] = {}
    promises = promised_on or {}
    for one in stock:
        day = expires_on.get(one.content_id, one.best_before_on)
        promised = promises.get(one.content_id, day)
        # The lot's code leads, so that equal dates go by lot code as text.
        facts = (one.lot_code, one.lot_id, day, promised, int(one.is_released))
        key = _MARK.join(map(str, facts))
        groups[key].append(one)
        days[key] = day, promised
    lots = {
        key: LotStock(
            id=key,
            product=members[0].product_id,
            cases=sum(one.free_cases for one in members),
            expires_on=days[key][0],
            received_on=min(one.received_at for one in members).astimezone(zone).date(),
            held=not members[0].is_released,
            printed_on=members[0].best_before_on,
            lot=members[0].lot_id,
            promised_on=days[key][1],
            total_days=total_days(members[0].packaged_at, members[0].best_before_on, zone),
        )
        for key, members in groups.items()
    }
    found = allocate(lots.values(), lines, effort=effort)
    return Wave(
        takes=_takes(groups, days, found.taken, mixed_units),
        short={int(line_id): why for line_id, why in found.short.items()},
        wanted=sum(line.cases for line in lines),
        served=found.served,
        bound=found.bound,
        is_proven=found.is_proven,
    )


def total_days(packaged_at: datetime, best_before_on: date, zone: tzinfo) -> int:
    """Return a lot's whole life: days from the site's day of packaging to the printed best-before."""
    return max(0, (best_before_on - packaged_at.astimezone(zone).date()).days)


def told(short: Short, *, with_ways: bool = True) -> ShortCases:
    """Return what is short in the words of this feature; ``with_ways`` works out what would serve it."""
    causes = tuple((str(reason), cases) for reason, cases in short.blocked)
    ways = _ways(short) if with_ways else ()
    return ShortCases(short.cases, str(short.reason), short.reason.text, causes, ways)


def _ways(short: Short) -> tuple[Way, ...]:
    result = []
    for remedy in short.remedies:
        lots: dict[str, int] = defaultdict(int)
        for key, cases in remedy.lots:
            lots[_lot_code(key)] += cases
        on, until = remedy.on, remedy.lasts_until
        result.append(
            Way(
                change=str(remedy.change),
                cases=remedy.cases,
                lots=tuple(lots.items()),
                amount=remedy.amount,
                on=on if isinstance(on, date) else None,
                lasts_until=until if isinstance(until, date) else None,
                text=remedy.text(_lot_code),
            )
        )
    return tuple(result)


def _lot_code(key: Key) -> str:
    return str(key).split(_MARK, 1)[0]


def _takes(
    groups: Mapping[str, list[Pickable]],
    days: Mapping[str, tuple[date, date]],
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
            result.append(Take(int(line_id), one, grabbed, _how(one, grabbed, mixed_units), *days[key]))
    return result


def _as_unit(one: Pickable, free_cases: int, mixed_units: frozenset[int]) -> LotUnit:
    is_broken = one.is_opened or free_cases < one.cases or one.unit_id in mixed_units
    bay = (one.zone_id, one.aisle or 0, one.slot or 0, one.level or 0)
    lane = None if one.in_front is None else one.bay_id
    return LotUnit(
        str(one.content_id), free_cases, is_broken, one.full_pallet_cases, bay, lane, one.in_front or 0
    )


def _how(one: Pickable, cases: int, mixed_units: frozenset[int]) -> Handling:
    if cases == one.cases and one.unit_id not in mixed_units:
        return Handling.PALLET
    return Handling.CASES if cases % one.cases_per_layer else Handling.LAYERS
