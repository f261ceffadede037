"""
What would have to change so that a short line is served, found by changing one thing and asking again.

Every remedy changes one rule or one fact and is held against `eligible` before it is told. It counts what
lies there unused after the whole wave, for this line alone: two short lines may be offered the same cases.
Order, our own convention: first what needs nobody's leave, then what the customer can grant, then another
day, QA's word, and last the brewery; within each the smallest change first.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

import numpy as np

from rimekeep.picking.core.allocation.records import Day, Key, Line, LotStock, Reason, day_number
from rimekeep.picking.core.allocation.rules import FAR_OFF, LONG_AGO, ProductWave, Taken, eligible
from rimekeep.picking.core.allocation.sequence import window
from rimekeep.wording import counted, say

_MOST_RELEASES = 3  # lots QA is asked about, the largest first; more would be a list of all that is held


class Change(StrEnum):
    """What is to change."""

    ALLOCATE_AGAIN = "allocate_again"
    MORE_LOTS = "accept_more_lots"
    LESS_LIFE = "accept_less_life"
    OLDER_DATE = "accept_older_date"
    NEWER_DATE = "accept_newer_date"
    SHIP_LATER = "ship_later"
    RELEASE = "release"
    MAKE = "make"


@dataclass(frozen=True, slots=True)
class Remedy:
    """
    One change, and what of the missing cases it serves.

    Attributes
    ----------
    change
        What is to change.
    cases
        Missing cases that are served then.
    lots
        (lot id, cases) that would serve them; empty where they are yet to be made.
    amount
        How much of the change: days less of life, days older, newer or later, lots more; else None.
    on
        The ship day, where that is what changes or when cases must be there; else None.
    lasts_until
        The day through which cases that are made must last; else None.
    """

    change: Change
    cases: int
    lots: tuple[tuple[Key, int], ...] = ()
    amount: int | None = None
    on: Day | None = None
    lasts_until: Day | None = None

    def text(self, name: Callable[[Key], str] = str) -> str:
        """Return the remedy as a sentence; ``name`` says what people know a lot by."""
        names = list(dict.fromkeys(name(lot) for lot, _ in self.lots))
        cases = counted("{n} case", "{n} cases", n=self.cases)
        if len(names) == 1:
            of = say("{cases} of lot {lots}", cases=cases, lots=names[0])
        else:
            of = say("{cases} of lots {lots}", cases=cases, lots=", ".join(names))
        days = counted("{n} day", "{n} days", n=self.amount or 0)
        lots = counted("{n} more lot", "{n} more lots", n=self.amount or 0)
        texts = {
            Change.ALLOCATE_AGAIN: say("{of} are free now: allocate again.", of=of),
            Change.MORE_LOTS: say("{of} would serve if {lots} were accepted.", of=of, lots=lots),
            Change.LESS_LIFE: say("{of} would serve if the minimum life were {days} less.", of=of, days=days),
            Change.OLDER_DATE: say(
                "{of} would serve if a printed date {days} older were accepted.", of=of, days=days
            ),
            Change.NEWER_DATE: say(
                "{of} would serve if they might be {days} newer than a later delivery.", of=of, days=days
            ),
            Change.SHIP_LATER: say(
                "{of} would serve if the line shipped on {on}, {days} later.", of=of, on=self.on, days=days
            ),
            Change.RELEASE: say("{of} would serve if QA released them.", of=of),
            Change.MAKE: say(
                "{cases} must be made, there by {on} and good through {until}.",
                cases=cases,
                on=self.on,
                until=self.lasts_until,
            ),
        }
        return texts[self.change]


@dataclass(frozen=True, slots=True)
class _Asked:
    """A short line as it stands after the wave, and the unused lots that fail it by one rule or by none."""

    line: Line
    fitting: list[LotStock]
    by_reason: dict[Reason, list[LotStock]]


_Try = Callable[[LotStock], tuple[LotStock, Line]]


def remedies(wave: ProductWave, taken: Taken, position: int) -> tuple[Remedy, ...]:
    """Return what would serve the line at ``position``, the smallest change first; see the module."""
    asked = _asked(wave, taken, position)
    found: list[Remedy] = []
    if served := _served(asked.line, asked.fitting):
        found.append(Remedy(Change.ALLOCATE_AGAIN, _sum(served), served))
    for change in (_more_lots, _less_life, _other_dates, _later, _released, _made):
        found += change(asked, wave)
    return tuple(found)


def _asked(wave: ProductWave, taken: Taken, position: int) -> _Asked:
    line = wave.lines[position]
    unused = [int(lot.cases) for lot in wave.lots]
    for given in taken:
        for place, cases in given.items():
            unused[place] -= cases
    low, high = window(wave, taken, position)
    last, following = max(wave.last_on[position], low), min(wave.next_on[position], high)
    after = replace(
        line,
        cases=line.cases - sum(taken[position].values()),
        lots_had=line.lots_had | {wave.lots[lot].label for lot in taken[position]},
        last_delivered_on=None if last <= LONG_AGO else _day(int(last), line),
        next_delivered_on=None if following >= FAR_OFF else _day(int(following), line),
    )
    broken = np.sum(
        [flags[0] for reason, flags in wave.broken([position]) if reason is not Reason.LOT_CAP], axis=0
    )
    fitting: list[LotStock] = []
    by_reason: dict[Reason, list[LotStock]] = {}
    for place in np.flatnonzero(np.asarray(broken) <= 1).tolist():
        if not unused[place]:
            continue
        lot = replace(wave.lots[place], cases=unused[place])
        reasons = eligible(lot, after)
        if not reasons:
            fitting.append(lot)
        elif len(reasons) == 1:
            by_reason.setdefault(reasons[0], []).append(lot)
    return _Asked(after, fitting, by_reason)


def _day(number: int, like: Line) -> Day:
    return date.fromordinal(number) if isinstance(like.ship_on, date) else number


def _served(line: Line, lots: Iterable[LotStock]) -> tuple[tuple[Key, int], ...]:
    """Return what ``line`` takes of ``lots`` that may all serve it, in as few lots as its cap allows."""
    choice = list(lots)
    room = line.new_lots
    if room is not None:
        holds: dict[Key, int] = {}
        for lot in choice:
            if lot.label not in line.lots_had:
                holds[lot.label] = holds.get(lot.label, 0) + lot.cases
        largest = sorted(holds, key=lambda label: -holds[label])[:room]
        choice = [lot for lot in choice if lot.label in line.lots_had or lot.label in largest]
    missing, served = line.cases, []
    for lot in choice:
        if got := min(missing, lot.cases):
            served.append((lot.id, got))
            missing -= got
    return tuple(served)


def _sum(served: Iterable[tuple[Key, int]]) -> int:
    return sum(cases for _, cases in served)


def _steps(
    asked: _Asked, lots: Sequence[LotStock], change: Change, need: Callable[[LotStock], int], attempt: _Try
) -> list[Remedy]:
    """
    Return the least step that serves more than is served anyway, and the least that serves all or the most.

    ``need`` says how far the rule must give way to a lot, ``attempt`` shows lot and line as they are then.
    """
    found: list[Remedy] = []
    anyway = _sum(_served(asked.line, asked.fitting))
    steps = sorted({step for lot in lots if (step := need(lot)) > 0})
    for step in steps:
        open_now = [lot for lot in lots if need(lot) <= step and not eligible(*attempt(lot))]
        served = _served(asked.line, [*asked.fitting, *open_now])
        if _sum(served) > (found[-1].cases if found else anyway):
            found = [*found[:1], Remedy(change, _sum(served), served, step)]
        if _sum(served) == asked.line.cases:
            break
    return found


def _more_lots(asked: _Asked, _: ProductWave) -> list[Remedy]:
    lots, line = asked.by_reason.get(Reason.LOT_CAP, []), asked.line
    found: list[Remedy] = []
    for more in range(1, len({lot.label for lot in lots}) + 1):
        wider = replace(line, max_lots=len(line.lots_had) + more)
        served = _served(wider, [lot for lot in lots if not eligible(lot, wider)])
        if _sum(served) > (found[-1].cases if found else 0):
            more_lots = len(line.lots_had) + more - (line.max_lots or 0)
            found = [*found[:1], Remedy(Change.MORE_LOTS, _sum(served), served, more_lots)]
        if _sum(served) == line.cases:
            break
    return found


def _less_life(asked: _Asked, _: ProductWave) -> list[Remedy]:
    def need(lot: LotStock) -> int:
        days = [lot.expires_on if day is None else day for day in (None, lot.printed_on, lot.promised_on)]
        return day_number(asked.line.deliver_on) + asked.line.life_days(lot) - min(map(day_number, days))

    def attempt(lot: LotStock) -> tuple[LotStock, Line]:
        # No customer takes beer that is over when it comes, so the minimum cannot fall below nothing.
        left = max(0, asked.line.life_days(lot) - need(lot))
        return lot, replace(asked.line, min_life_days=left, min_life_fraction=None)

    lots = [
        lot
        for reason in (Reason.TOO_OLD, Reason.PROMISE_TOO_SHORT)
        for lot in asked.by_reason.get(reason, [])
    ]
    return _steps(asked, lots, Change.LESS_LIFE, need, attempt)


def _printed(lot: LotStock) -> int:
    return day_number(lot.expires_on if lot.printed_on is None else lot.printed_on)


def _other_dates(asked: _Asked, _: ProductWave) -> list[Remedy]:
    found: list[Remedy] = []
    line = asked.line
    last, following = line.last_delivered_on, line.next_delivered_on
    if last is not None:
        day = day_number(last)
        found += _steps(
            asked,
            asked.by_reason.get(Reason.OLDER_THAN_LAST, []),
            Change.OLDER_DATE,
            lambda lot: day - _printed(lot),
            lambda lot: (lot, replace(line, last_delivered_on=_day(_printed(lot), line))),
        )
    if following is not None:
        until = day_number(following)
        found += _steps(
            asked,
            asked.by_reason.get(Reason.NEWER_THAN_NEXT, []),
            Change.NEWER_DATE,
            lambda lot: _printed(lot) - until,
            lambda lot: (lot, replace(line, next_delivered_on=_day(_printed(lot), line))),
        )
    return found


def _later(asked: _Asked, _: ProductWave) -> list[Remedy]:
    line = asked.line
    lots = asked.by_reason.get(Reason.NOT_YET, [])
    found: list[Remedy] = []
    anyway = _sum(_served(line, asked.fitting))
    for day in sorted({day_number(lot.available_on) for lot in lots if lot.available_on is not None}):
        shift = day - day_number(line.ship_on)
        later = replace(
            line, ship_on=_day(day, line), deliver_on=_day(day_number(line.deliver_on) + shift, line)
        )
        served = _served(later, [lot for lot in [*asked.fitting, *lots] if not eligible(lot, later)])
        if _sum(served) > (found[-1].cases if found else anyway):
            found = [*found[:1], Remedy(Change.SHIP_LATER, _sum(served), served, shift, later.ship_on)]
        if _sum(served) == line.cases:
            break
    return found


def _released(asked: _Asked, _: ProductWave) -> list[Remedy]:
    by_label: dict[Key, list[LotStock]] = {}
    for lot in asked.by_reason.get(Reason.HELD, []):
        free = replace(lot, held=False)
        if not eligible(free, asked.line):
            by_label.setdefault(lot.label, []).append(free)
    each = [_served(asked.line, lots) for lots in by_label.values()]
    found = [Remedy(Change.RELEASE, _sum(served), served) for served in each if served]
    return sorted(found, key=lambda remedy: -remedy.cases)[:_MOST_RELEASES]


def _made(asked: _Asked, wave: ProductWave) -> list[Remedy]:
    """Return the cases to be made, if a lot that is just good enough would serve the line."""
    line = asked.line
    totals = [lot.total_days for lot in wave.lots if lot.total_days is not None]
    made = LotStock(
        "", line.product, line.cases, line.ship_on, line.ship_on, total_days=max(totals, default=None)
    )
    if line.min_life_fraction is not None and made.total_days is None:
        return []
    through = day_number(line.deliver_on) + line.life_days(made)
    if line.last_delivered_on is not None:
        through = max(through, day_number(line.last_delivered_on))
    good = replace(made, expires_on=_day(through, line), available_on=line.ship_on)
    if eligible(good, line):
        return []
    return [Remedy(Change.MAKE, line.cases, on=line.ship_on, lasts_until=good.expires_on)]
