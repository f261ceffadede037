"""The allocation of a wave: pick the exact method each product needs, and put the answers together."""

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from operator import attrgetter

from rimekeep.errors import invalid
from rimekeep.picking.core.allocation.capped import Found, Start, search
from rimekeep.picking.core.allocation.fefo import first_expired, tails
from rimekeep.picking.core.allocation.flow import cheapest_flow
from rimekeep.picking.core.allocation.narrow import CLOSE, narrowed, turn_s, turns
from rimekeep.picking.core.allocation.records import Allocation, Key, Line, LotStock, Short
from rimekeep.picking.core.allocation.rules import ProductWave, Taken, in_lot_order
from rimekeep.picking.core.allocation.sequence import in_order, keeps_sequences
from rimekeep.picking.core.allocation.shorts import shorts
from rimekeep.wording import say

_LOT_DAYS = ("expires_on", "received_on", "available_on", "printed_on", "promised_on")
_LINE_DAYS = ("ship_on", "deliver_on", "last_delivered_on", "next_delivered_on")
_NEEDED_DAYS = ("expires_on", "received_on", "ship_on", "deliver_on")
_ABREAST = 2  # the solvers let go of the interpreter while they work
# Deterministic seconds below which the exact search hardly gets past its preparation, and above which it
# seldom finds anything more; and what preparing takes for each pair of line and lot. [s]
_LEAST_EFFORT, _MOST_EFFORT, _S_A_PAIR = 0.2, 1.5, 3e-4
# So few pairs the exact search does at once; so many it does not get through.
_FEW_PAIRS, _MOST_PAIRS = 300, 10_000


def allocate(lots: Iterable[LotStock], lines: Iterable[Line], *, effort: float = 3.0) -> Allocation:
    """
    Decide which lots serve which lines.

    Parameters
    ----------
    lots
        Free stock. Lots of other products than the lines' are passed over.
    lines
        What is wanted. Within a priority, the order given decides who goes short where that is free to
        choose.
    effort
        Bound on the integer searches, in seconds of one core as reckoned from their sizes, shared by the
        products that need one. Only lot caps and colliding deliveries to one customer ever do. A first answer
        and its bound come before that, at some hundredths of a second a product. [s]

    Returns
    -------
    Allocation
        First the most cases of the highest priority, then of the next; then the least Σ cases × expiry day.
        Where the search ran out of effort, the best answer found with its ``bound``. The same input gives the
        same answer, unless a machine so loaded that a program ran into its time limit found less.

    Raises
    ------
    Invalid
        An id occurs twice, parts of one lot print different dates, a day is none, integer days and dates are
        mixed, or a number is beyond any store and calendar.

    Notes
    -----
    Several deliveries of a product to one customer in the wave: lines that name the same
    ``last_delivered_on`` are guaranteed never to get an older printed date on a later day. Without that rule
    the older cases go to the earlier delivery wherever it costs nothing.

    Examples
    --------
    >>> lots = [LotStock("A", "lager", 30, expires_on=120, received_on=1), LotStock("B", "lager", 30, 90, 5)]
    >>> allocate(lots, [Line("1", "inn", "lager", 40, ship_on=10, deliver_on=10)]).taken
    [('1', 'B', 30), ('1', 'A', 10)]
    """
    lots, lines = list(lots), list(lines)
    _check(lots, lines)
    try:
        return _solved(lots, lines, effort)
    except OverflowError:
        raise invalid(
            "days",
            say("A day or a number of cases is beyond any calendar or store."),
            say("Give what can be."),
        ) from None


def _solved(lots: list[LotStock], lines: list[Line], effort: float) -> Allocation:
    waves = by_product(lots, lines)
    bounds = [without_caps(wave) for wave in waves]
    answers = [
        in_order(wave, bound) if wave.deliveries else bound for wave, bound in zip(waves, bounds, strict=True)
    ]
    to_search = [
        place
        for place, wave in enumerate(waves)
        if not (wave.keeps_caps(answers[place]) and keeps_sequences(wave, answers[place]))
    ]
    searched = _search([waves[place] for place in to_search], [bounds[place] for place in to_search], effort)
    bound = sum(_served(answer) for place, answer in enumerate(answers) if place not in set(to_search))
    for place, found in zip(to_search, searched, strict=True):
        answers[place] = in_order(waves[place], found.taken)
        bound += found.bound
    is_proven = all(found.is_proven for found in searched)
    return _told(lines, waves, answers, bound, is_proven)


def _search(waves: list[ProductWave], bounds: list[Taken], effort: float) -> list[Found]:
    """
    Return the best answers found for products whose caps or sequences bind.

    Products do not interact and effort is reckoned from sizes, not by a clock: two are worked on abreast, and
    the answer is the same as one after the other.
    """
    with ThreadPoolExecutor(_ABREAST) as pool:
        starts = list(pool.map(Start.of, waves, bounds))
        turns, left = _turns(starts, effort)
        starts = list(pool.map(_narrowed, starts, turns))
        return list(pool.map(_found, starts, _shares(starts, left)))


def _turns(starts: list[Start], effort: float) -> tuple[list[int], float]:
    """Return in how many turns each product is improved, most cases at stake first, and the effort left."""
    chosen, left = [0] * len(starts), effort
    for place in sorted(range(len(starts)), key=lambda one: (-starts[one].gap, one)):
        start = starts[place]
        if start.wave.usable.size > _FEW_PAIRS and start.gap > CLOSE * start.bound / 2:
            chosen[place] = min(turns(start.wave), int(left / turn_s(start.wave)))
            left -= chosen[place] * turn_s(start.wave)
    return chosen, left


def _narrowed(start: Start, most_turns: int) -> Start:
    taken = narrowed(start.wave, start.taken, start.top, most_turns=most_turns)
    return replace(start, taken=taken)


def _shares(starts: list[Start], effort: float) -> list[float]:
    """Return each product's share of the exact search; spread too thin it would win nothing anywhere."""
    left = effort
    chosen = []
    for place in sorted(range(len(starts)), key=lambda one: (-starts[one].gap, one)):
        cost = _LEAST_EFFORT + _S_A_PAIR * starts[place].wave.usable.size
        if starts[place].wave.usable.size <= _MOST_PAIRS and cost <= left:
            chosen.append(place)
            left -= cost
    share = min(_MOST_EFFORT, _LEAST_EFFORT + left / max(1, len(chosen)))
    return [share if place in chosen else 0.0 for place in range(len(starts))]


def _found(start: Start, effort: float) -> Found:
    return search(start, effort=effort) if effort else start.unsearched()


def without_caps(wave: ProductWave) -> Taken:
    """Return the best answer as if there were no lot caps and no sequences of deliveries."""
    if not wave.lots:
        return [{} for _ in wave.lines]
    starts = tails(wave)
    return cheapest_flow(wave) if starts is None else first_expired(wave, starts)


def _served(taken: Taken) -> int:
    return sum(cases for lots in taken for cases in lots.values())


def _check(lots: list[LotStock], lines: list[Line]) -> None:
    for what, keys in (("lots", [lot.id for lot in lots]), ("lines", [line.id for line in lines])):
        if len(set(keys)) < len(keys):
            twice = next(key for place, key in enumerate(keys) if key in keys[:place])
            raise invalid(
                what,
                say("The id {twice!r} occurs twice.", twice=twice),
                say("Give every lot and every line an id of its own."),
            )
    kinds = {
        kind
        for rows, names in ((lots, _LOT_DAYS), (lines, _LINE_DAYS))
        for name in names
        for kind in set(map(type, map(attrgetter(name), rows)))
        if kind is not type(None) or name in _NEEDED_DAYS
    }
    for kind in kinds:
        if not (issubclass(kind, date) or hasattr(kind, "__index__")):
            raise invalid(
                "days",
                say("A day is given as {name}.", name=kind.__name__),
                say("Give dates or whole numbers."),
            )
    if len({issubclass(kind, date) for kind in kinds}) > 1:
        raise invalid("days", say("Integer days and dates are mixed."), say("Give all days in one kind."))
    parts = [lot for lot in lots if lot.lot is not None]
    seen: dict[Key, tuple[Key, object]] = {}
    for lot in parts:
        facts = (lot.product, lot.expires_on if lot.printed_on is None else lot.printed_on)
        if seen.setdefault(lot.label, facts) != facts:
            raise invalid(
                "lots",
                say("Parts of lot {lot!r} differ in product or printed date.", lot=lot.lot),
                say("Give one lot's parts the same, or name them as different lots."),
            )


def by_product(lots: list[LotStock], lines: list[Line]) -> list[ProductWave]:
    waves: dict[Key, ProductWave] = {}
    for line in sorted(lines, key=attrgetter("priority"), reverse=True):
        wave = waves.get(line.product)
        if wave is None:
            wave = waves[line.product] = ProductWave([], [])
        wave.lines.append(line)
    for lot in lots:
        if lot.cases and (wave := waves.get(lot.product)) is not None:
            wave.lots.append(lot)
    return [ProductWave(in_lot_order(wave.lots), wave.lines) for wave in waves.values()]


def _told(
    lines: list[Line], waves: list[ProductWave], answers: list[Taken], bound: int, is_proven: bool
) -> Allocation:
    by_line: dict[Key, list[tuple[Key, Key, int]]] = {}
    short: dict[Key, Short] = {}
    for wave, answer in zip(waves, answers, strict=True):
        ids = [lot.id for lot in wave.lots]
        missing = []
        for line, taken in zip(wave.lines, answer, strict=True):
            own = line.id
            if len(taken) == 1:  # by far the commonest
                [(lot, cases)] = taken.items()
                by_line[own] = [(own, ids[lot], cases)]
                missing.append(line.cases - cases)
            else:
                by_line[own] = [(own, ids[lot], taken[lot]) for lot in sorted(taken)]
                missing.append(line.cases - sum(taken.values()))
        if any(missing):
            short |= shorts(wave, answer, missing)
    return Allocation(
        [pick for line in lines for pick in by_line[line.id]],
        {line.id: short[line.id] for line in lines if line.id in short},
        bound,
        is_proven,
    )
