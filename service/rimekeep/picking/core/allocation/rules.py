"""Which lot may serve which line, for one pair and for a whole product at once."""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from rimekeep.picking.core.allocation.records import (
    ROUNDING_DAYS,
    Key,
    Line,
    LotStock,
    Reason,
    day_number,
)

Cases = NDArray[np.int64]
Flags = NDArray[np.bool_]
Taken = list[dict[int, int]]
"""Per line of a `ProductWave`: cases by position of the lot."""

LONG_AGO = -(10**9)  # a day before any day: stands for "no such rule"
FAR_OFF = 10**9  # likewise, a day after any day


def eligible(lot: LotStock, line: Line) -> list[Reason]:
    """
    Return every reason why ``lot`` may not serve ``line``; an empty list means it may.

    The minimum life must be left on all dates, the printed, the effective and the promised one, on the day of
    delivery; the boundary day counts as enough. The promised date is named only where the other two would do.
    No backward date looks at the printed date alone, equality allowed, towards what came before and what is
    promised for later. The lot cap speaks only where the lots a line has from before use it up.

    Examples
    --------
    >>> lot = LotStock("A", "lager", 40, expires_on=100, received_on=0)
    >>> eligible(lot, Line("1", "inn", "lager", 10, ship_on=9, deliver_on=10, min_life_days=91))
    [<Reason.TOO_OLD: 'too_old'>]
    """
    expires = day_number(lot.expires_on)
    printed = expires if lot.printed_on is None else day_number(lot.printed_on)
    promised = expires if lot.promised_on is None else day_number(lot.promised_on)
    is_same = lot.product == line.product
    needed = day_number(line.deliver_on) + (line.life_days(lot) if is_same else line.min_life_days)
    last, following = line.last_delivered_on, line.next_delivered_on
    checks = (
        (Reason.OTHER_PRODUCT, not is_same),
        (Reason.NO_STOCK, lot.cases == 0),
        (Reason.HELD, lot.held),
        (
            Reason.NOT_YET,
            lot.available_on is not None and day_number(lot.available_on) > day_number(line.ship_on),
        ),
        (Reason.TOO_OLD, min(expires, printed) < needed),
        (Reason.PROMISE_TOO_SHORT, promised < needed <= min(expires, printed)),
        (Reason.OLDER_THAN_LAST, last is not None and printed < day_number(last)),
        (Reason.NEWER_THAN_NEXT, following is not None and printed > day_number(following)),
        (Reason.LOT_CAP, line.is_closed_to(lot)),
    )
    return [reason for reason, is_broken in checks if is_broken]


_DAYS_OF = attrgetter("expires_on", "received_on")


def in_lot_order(lots: Iterable[LotStock]) -> list[LotStock]:
    """Sort first-expired first, then first received, then by lot id as text."""
    # Dates sort as the days they are numbered by; ids are asked for only where both days are the same.
    ordered = sorted(lots, key=_DAYS_OF)
    days = [*map(_DAYS_OF, ordered)]
    if len(set(days)) < len(days):
        ordered.sort(key=lambda lot: (*_DAYS_OF(lot), str(lot.id)))
    return ordered


@dataclass(frozen=True)
class ProductWave:
    """
    All lots (`in_lot_order`, none empty) and lines (in the order of service) of one product.

    Arrays are made when first asked for: most products never need them.
    """

    lots: list[LotStock]
    lines: list[Line]

    @cached_property
    def expiry(self) -> list[int]:
        """Return the effective expiry day of each lot, ascending."""
        return [day_number(lot.expires_on) for lot in self.lots]

    @cached_property
    def printed(self) -> list[int]:
        """Return the printed day of each lot."""
        return [
            day if lot.printed_on is None else day_number(lot.printed_on)
            for lot, day in zip(self.lots, self.expiry, strict=True)
        ]

    @cached_property
    def promised(self) -> list[int]:
        """Return the day up to which customers are promised that each lot lasts."""
        return [
            day if lot.promised_on is None else day_number(lot.promised_on)
            for lot, day in zip(self.lots, self.expiry, strict=True)
        ]

    @cached_property
    def free(self) -> list[int]:
        """Return the cases of each lot that may be used at all; a held lot has none."""
        return [0 if lot.held else int(lot.cases) for lot in self.lots]

    @cached_property
    def has_fractions(self) -> bool:
        """Tell whether any line asks for a fraction of a lot's total life."""
        return any(line.min_life_fraction is not None for line in self.lines)

    @cached_property
    def needed_on(self) -> list[int]:
        """Return the day up to which each line's beer must last, whatever lot it is of; see `needed`."""
        if self.has_fractions:
            return [day_number(line.deliver_on) + line.life_days(self.lots[0]) for line in self.lines]
        return [day_number(line.deliver_on) + line.min_life_days for line in self.lines]

    @cached_property
    def needed(self) -> Cases:
        """Return the day up to which each lot must last for each line; shape (lines, lots or 1)."""
        if not self.has_fractions or self.is_one_life:
            return np.array(self.needed_on, np.int64)[:, None]
        asking = next(line for line in self.lines if line.min_life_fraction is not None)
        unknown = next((lot for lot in self.lots if lot.total_days is None), None)
        if unknown is not None:
            asking.life_days(unknown)  # says what is wrong
        total = np.array([lot.total_days for lot in self.lots], np.int64)
        part = np.array([line.min_life_fraction or 0.0 for line in self.lines])[:, None]
        days = np.array([line.min_life_days for line in self.lines], np.int64)[:, None]
        deliver = np.array([day_number(line.deliver_on) for line in self.lines], np.int64)[:, None]
        least = np.maximum(days, np.ceil(part * total - ROUNDING_DAYS).astype(np.int64))
        return np.asarray(deliver + least, np.int64)

    @cached_property
    def is_one_life(self) -> bool:
        """Tell whether all lots have the same total life, so that a fraction means the same days for all."""
        return len({lot.total_days for lot in self.lots}) == 1

    @cached_property
    def last_on(self) -> list[int]:
        """Return the printed day each line may not go behind."""
        return [
            LONG_AGO if line.last_delivered_on is None else day_number(line.last_delivered_on)
            for line in self.lines
        ]

    @cached_property
    def next_on(self) -> list[int]:
        """Return the printed day each line may not overtake."""
        return [
            FAR_OFF if line.next_delivered_on is None else day_number(line.next_delivered_on)
            for line in self.lines
        ]

    def broken(self, positions: Sequence[int] | slice = slice(None)) -> list[tuple[Reason, Flags]]:
        """
        Return, in the order they are reported, which rule each (line, lot) breaks.

        Flags have the shape (lines at ``positions``, lots).
        """
        available = np.array(
            [LONG_AGO if lot.available_on is None else day_number(lot.available_on) for lot in self.lots],
            np.int64,
        )
        at = np.arange(len(self.lines))[positions].tolist()
        ship = np.array([day_number(self.lines[place].ship_on) for place in at], np.int64)[:, None]
        printed = np.array(self.printed, np.int64)
        soonest = np.minimum(printed, np.array(self.expiry, np.int64))
        needed = self.needed[positions]
        is_enough = soonest >= needed
        held = np.array([lot.held for lot in self.lots], np.bool_)
        closed = np.zeros((len(at), len(self.lots)), np.bool_)
        for row, place in enumerate(at):
            if self.lines[place].new_lots == 0:
                closed[row] = [self.lines[place].is_closed_to(lot) for lot in self.lots]
        return [
            (Reason.HELD, np.broadcast_to(held, closed.shape)),
            (Reason.NOT_YET, available > ship),
            (Reason.TOO_OLD, ~is_enough),
            (Reason.PROMISE_TOO_SHORT, is_enough & (np.array(self.promised, np.int64) < needed)),
            (Reason.OLDER_THAN_LAST, printed < np.array(self.last_on, np.int64)[positions, None]),
            (Reason.NEWER_THAN_NEXT, printed > np.array(self.next_on, np.int64)[positions, None]),
            (Reason.LOT_CAP, closed),
        ]

    @cached_property
    def usable(self) -> Flags:
        """Return which lot may serve which line; shape (lines, lots)."""
        usable = np.ones((len(self.lines), len(self.lots)), np.bool_)
        for _, flags in self.broken():
            usable &= ~flags
        return usable

    def narrowed(self, usable: Flags) -> "ProductWave":
        """Return the same lots and lines with fewer pairs that may be used."""
        narrow = ProductWave(self.lots, self.lines)
        narrow.__dict__["usable"] = usable  # where the cached property keeps it
        return narrow

    @cached_property
    def classes(self) -> list[int]:
        """Return the priorities that occur, highest first."""
        return sorted({line.priority for line in self.lines}, reverse=True)

    @cached_property
    def labels(self) -> list[int]:
        """Return the lot each stock is of, numbered by first appearance."""
        numbers: dict[Key, int] = {}
        return [numbers.setdefault(lot.label, len(numbers)) for lot in self.lots]

    @cached_property
    def had(self) -> list[frozenset[int]]:
        """Return which of `labels` serve each line from before."""
        number = dict(zip((lot.label for lot in self.lots), self.labels, strict=True))
        return [frozenset(number[key] for key in line.lots_had if key in number) for line in self.lines]

    @cached_property
    def caps(self) -> list[int | None]:
        """Return how many lots may be new to each line, None where that cannot bind (see also `broken`)."""
        if all(line.max_lots is None for line in self.lines):
            return [None] * len(self.lines)
        most = len(set(self.labels))
        return [
            None if not line.new_lots or line.new_lots >= min(most, line.cases) else line.new_lots
            for line in self.lines
        ]

    def new_lots(self, position: int, lots: Iterable[int]) -> set[int]:
        """Return the `labels` of ``lots`` that the line at ``position`` does not have from before."""
        return {self.labels[lot] for lot in lots} - self.had[position]

    def served_by_class(self, taken: Taken) -> list[int]:
        """Return the cases served in each of `classes`."""
        served = dict.fromkeys(self.classes, 0)
        for line, lots in zip(self.lines, taken, strict=True):
            served[line.priority] += sum(lots.values())
        return list(served.values())

    def cost(self, taken: Taken) -> int:
        """Return Σ cases × (expiry day − first expiry day), the second goal."""
        first = self.expiry[0] if self.expiry else 0
        return sum(cases * (self.expiry[lot] - first) for lots in taken for lot, cases in lots.items())

    def keeps_caps(self, taken: Taken) -> bool:
        """Tell whether no line uses more different lots than its customer accepts."""
        return all(
            cap is None or len(self.new_lots(position, taken[position])) <= cap
            for position, cap in enumerate(self.caps)
        )

    @cached_property
    def sequences(self) -> list[list[list[int]]]:
        """
        Return the lines that go to one customer on different days: per such customer, lines by delivery.

        Lines that name different last deliveries state rules of their own and are kept apart.
        """
        if not self.deliveries:
            return []
        return self._by_delivery([(line.customer, self.last_on[at]) for at, line in enumerate(self.lines)])

    @cached_property
    def deliveries(self) -> list[list[list[int]]]:
        """Return the same with all lines of a customer together, whatever rules they state."""
        return self._by_delivery([line.customer for line in self.lines])

    def _by_delivery(self, keys: Sequence[Hashable]) -> list[list[list[int]]]:
        if len(set(keys)) == len(keys):
            return []
        groups: dict[Hashable, list[int]] = {}
        for position, key in enumerate(keys):
            groups.setdefault(key, []).append(position)
        found = []
        for members in groups.values():
            if len(members) > 1:
                days: dict[int, list[int]] = {}
                for position in members:
                    days.setdefault(day_number(self.lines[position].deliver_on), []).append(position)
                if len(days) > 1:
                    found.append([days[day] for day in sorted(days)])
        return found

    @cached_property
    def in_sequence(self) -> dict[int, tuple[list[list[int]], int]]:
        """Return, for lines of customers with the no-backward rule, their sequence and place in it."""
        return {
            position: (sequence, rank)
            for sequence in self.sequences
            if self.is_binding(sequence)
            for rank, delivery in enumerate(sequence)
            for position in delivery
        }

    def is_binding(self, sequence: list[list[int]]) -> bool:
        """Tell whether the customer of this sequence has the no-backward rule."""
        return self.last_on[sequence[0][0]] != LONG_AGO
