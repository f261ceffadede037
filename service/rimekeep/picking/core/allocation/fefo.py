"""Line by line, first-expired first: exact whenever every line can use a tail of the same list of lots."""

from bisect import bisect_left
from operator import attrgetter

import numpy as np

from rimekeep.picking.core.allocation.records import day_number
from rimekeep.picking.core.allocation.rules import ProductWave, Taken

_OTHER_DAYS = attrgetter("available_on", "printed_on", "promised_on")


def tails(wave: ProductWave) -> list[int] | None:
    """
    Return from which lot on each line may use every lot (held ones aside), or None where that is not so.

    With date rules that are lower bounds on the sorted date the answer is a bisection; otherwise the table of
    eligible pairs decides, so that availability days and printed or promised dates that happen not to bind,
    or that lie in the same order, cost nothing.
    """
    if _is_plain(wave):
        expiry = wave.expiry
        return [bisect_left(expiry, max(pair)) for pair in zip(wave.needed_on, wave.last_on, strict=True)]
    is_free = np.array([cases > 0 for cases in wave.free], np.bool_)
    usable = wave.usable[:, is_free]
    if (usable[:, :-1] & ~usable[:, 1:]).any():
        return None
    places = np.append(np.flatnonzero(is_free), len(wave.lots))
    return [int(places[usable.shape[1] - count]) for count in usable.sum(axis=1)]


def _is_plain(wave: ProductWave) -> bool:
    """Tell whether every lot is open to all, there by the first ship day, and has one date for everything."""
    if any(line.next_delivered_on is not None or line.new_lots == 0 for line in wave.lines):
        return False
    if wave.has_fractions and not wave.is_one_life:
        return False
    if {*map(_OTHER_DAYS, wave.lots)} == {(None, None, None)}:
        return True
    first_ship = min(day_number(line.ship_on) for line in wave.lines)
    return all(
        lot.held
        or (
            (lot.available_on is None or day_number(lot.available_on) <= first_ship)
            and (lot.printed_on is None or day_number(lot.printed_on) == expiry)
            and (lot.promised_on is None or day_number(lot.promised_on) == expiry)
        )
        for lot, expiry in zip(wave.lots, wave.expiry, strict=True)
    )


def first_expired(wave: ProductWave, starts: list[int]) -> Taken:
    """
    Serve the lines in their order, each from its own start in the list of lots.

    The eligible lots of the lines are nested, so a line never takes a lot a stricter one needs while another
    would do: whatever the order of lines, the most cases are served and the earliest expiries used, and of
    two lines in want of the same cases the earlier in order gets them.
    """
    left = wave.free.copy()
    end = len(left)
    after = list(range(end + 1))  # the next lot with anything left, with path halving
    taken: Taken = []
    for line, start in zip(wave.lines, starts, strict=True):
        missing = line.cases
        lots: dict[int, int] = {}
        place = start
        while missing:
            while (beyond := after[place]) != place:
                after[place] = place = after[beyond]
            if place == end:
                break
            there = left[place]
            if there > missing:
                lots[place] = missing
                left[place] = there - missing
                break
            if there:
                lots[place] = there
                left[place] = 0
                missing -= there
            after[place] = place + 1
        taken.append(lots)
    return taken
