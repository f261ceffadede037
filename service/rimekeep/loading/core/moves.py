"""
What a move by hand makes better or worse: every weight limit in its tightest state, drop order, temperature.

Whether the move is legal is for `check` to say. Figures are forecasts from stated masses; the scale decides.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.plan import Compartment, Placement, compartments_of
from rimekeep.loading.core.statics import weight_rules
from rimekeep.loading.core.turned import as_it_stands
from rimekeep.loading.core.vehicle import LoadRequest, Pallet, Rules, Truck
from rimekeep.loading.core.violation import PlacedPallet, Violation
from rimekeep.wording import say

Verdict = Literal["better", "worse", "same"]
# Differences below this are rounding. [kg, °C]
_SAME = 1e-6
# Limits that are no axle's own.
_WORDS = {
    "payload": "payload",
    "gross": say("gross weight"),
    "kingpin": "kingpin",
    "kingpin_min": say("least load on the kingpin"),
    "drive_share": say("least share on the drive axle"),
    "steer_share": say("least share on the steered axle"),
}


@dataclass(frozen=True, slots=True)
class Margin:
    """What a limit leaves in its tightest state, below 0 where broken; ``after_stop`` None: at departure."""

    kg: float
    after_stop: str | None


@dataclass(frozen=True, slots=True)
class LimitChange:
    """One limit of one vehicle before and after; None where it does not bind, the vehicle being empty."""

    limit: str
    words: str
    before: Margin | None
    after: Margin | None

    @property
    def verdict(self) -> Verdict:
        """More left is better."""
        return _verdict(self.before.kg if self.before else None, self.after.kg if self.after else None)


@dataclass(frozen=True, slots=True)
class DeckChange:
    """
    One vehicle before and after.

    ``blocked`` are pallets that cannot come out at their drop; ``range_c`` is the air everything on board may
    travel in, its first end the higher one where there is none, and None for an empty vehicle. Of a divided
    body it is that of the compartment with least room; ``bulkheads`` are the rows they stand behind, from 0.
    """

    limits: tuple[LimitChange, ...]
    blocked_before: tuple[str, ...]
    blocked_after: tuple[str, ...]
    range_before_c: tuple[float, float] | None
    range_after_c: tuple[float, float] | None
    bulkheads_before: tuple[int, ...] = ()
    bulkheads_after: tuple[int, ...] = ()

    @property
    def order_verdict(self) -> Verdict:
        """Fewer pallets in each other's way are better."""
        return _verdict(-float(len(self.blocked_before)), -float(len(self.blocked_after)))

    @property
    def temperature_verdict(self) -> Verdict:
        """A wider range is better."""
        return _verdict(_width(self.range_before_c), _width(self.range_after_c))


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a change of decks comes to: the rules it breaks and mends, and one change a vehicle."""

    broken: tuple[Violation, ...]
    mended: tuple[Violation, ...]
    decks: tuple[DeckChange, ...]


def judge(
    request: LoadRequest,
    before: Sequence[Sequence[PlacedPallet]],
    after: Sequence[Sequence[PlacedPallet]],
    trucks: Sequence[int] | None = None,
    turned: tuple[Collection[str], Collection[str]] = ((), ()),
) -> Judgement:
    """
    Return what changes between two ways to load the same vehicles.

    Parameters
    ----------
    request
        What is carried, under which rules: no more than what stands on these vehicles.
    before, after
        Per vehicle, pallets on their places; the same vehicles in the same order.
    trucks
        Per vehicle, its number among the request's trucks; None where there is one.
    turned
        Pallets turned against their row, before and after.

    Returns
    -------
    Judgement
        ``broken`` is all that is broken afterwards, ``mended`` what was before and no longer is.
    """
    were, are = (
        check_plan(request, decks, trucks, turned=some)
        for decks, some in zip((before, after), turned, strict=True)
    )
    numbers = [0] * len(before) if trucks is None else trucks
    still = {(one.kind, one.vehicle, one.after_stop) for one in are}
    known = {pallet.id: pallet for pallet in request.pallets}
    decks = []
    for vehicle, (old, new) in enumerate(zip(before, after, strict=True)):
        rooms = [_rooms(request, known, numbers[vehicle], deck) for deck in (old, new)]
        decks.append(
            DeckChange(
                limits=tuple(_limits(request, known, request.trucks[numbers[vehicle]], old, new, turned)),
                blocked_before=_blocked(were, vehicle),
                blocked_after=_blocked(are, vehicle),
                range_before_c=_range_c(request, known, old, rooms[0]),
                range_after_c=_range_c(request, known, new, rooms[1]),
                bulkheads_before=tuple(room.last_row for room in rooms[0][:-1]),
                bulkheads_after=tuple(room.last_row for room in rooms[1][:-1]),
            )
        )
    mended = tuple(one for one in were if (one.kind, one.vehicle, one.after_stop) not in still)
    return Judgement(tuple(are), mended, tuple(decks))


def shifted_words(before: Sequence[int], after: Sequence[int]) -> str:
    """Return in words that bulkheads would have to stand elsewhere while goods are on board."""
    were, are = (
        say("behind row {rows}", rows=", ".join(str(row + 1) for row in rows)) if rows else say("nowhere")
        for rows in (before, after)
    )
    return say(
        "The bulkhead would have to stand {are} and stands {were}, with goods on board already; unload what "
        "is on board, or leave the unit on its side.",
        are=are,
        were=were,
    )


def margins(
    request: LoadRequest,
    known: dict[str, Pallet],
    truck: Truck,
    placed: Sequence[PlacedPallet],
    turned: Collection[str] = (),
) -> dict[str, Margin]:
    """Return for every weight limit what it leaves in its tightest state, on departure or after any drop."""
    seq_of = {stop.id: stop.seq for stop in request.stops}
    units = [
        (known[name], row, name in turned)
        for name, row, _ in placed
        if name in known and row < len(truck.rows)
    ]
    truck, at = as_it_stands(truck, units)
    on_deck = [(pallet, row) for (pallet, _, _), row in zip(units, at, strict=True)]
    names, factors, rooms, is_loaded_only = _rules(truck, request.rules)
    stops = sorted({pallet.stop for pallet, _ in on_deck}, key=lambda stop: seq_of[stop])
    turn = {stop: k for k, stop in enumerate(stops, 1)}
    rows = np.zeros((len(stops) + 1, factors.shape[1]))
    for pallet, row in on_deck:
        # On board at departure and after every drop before its own.
        rows[: turn[pallet.stop], row] += pallet.mass_kg
    left = rooms[None, :] - rows @ factors.T
    left[np.ix_(~rows.any(axis=1), is_loaded_only)] = np.inf
    if not request.rules.has_weights_after_drops:
        left = left[:1]
    tightest = left.argmin(axis=0)
    return {
        name: Margin(float(left[state, k]), None if state == 0 else stops[state - 1])
        for k, (name, state) in enumerate(zip(names, tightest, strict=True))
        if np.isfinite(left[state, k])
    }


@lru_cache(maxsize=64)
def _rules(
    truck: Truck, rules: Rules
) -> tuple[tuple[str, ...], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    found = weight_rules(truck, rules)
    return (
        tuple(rule.name for rule in found),
        np.array([[float(factor) for factor in rule.factors] for rule in found]),
        np.array([float(rule.room_kg) for rule in found]),
        np.array([rule.is_loaded_only for rule in found]),
    )


def _limits(
    request: LoadRequest,
    known: dict[str, Pallet],
    truck: Truck,
    before: Sequence[PlacedPallet],
    after: Sequence[PlacedPallet],
    turned: tuple[Collection[str], Collection[str]],
) -> Iterator[LimitChange]:
    old = margins(request, known, truck, before, turned[0])
    new = margins(request, known, truck, after, turned[1])
    for name in dict.fromkeys([*old, *new]):
        words = _WORDS.get(name, f"{name.replace('_', ' ')} axle")
        yield LimitChange(name, words, old.get(name), new.get(name))


def _blocked(found: Sequence[Violation], vehicle: int) -> tuple[str, ...]:
    return tuple(one.text for one in found if one.kind == "drop_order" and one.vehicle == vehicle)


def _rooms(
    request: LoadRequest, known: dict[str, Pallet], truck: int, placed: Sequence[PlacedPallet]
) -> tuple[Compartment, ...]:
    rows = len(request.trucks[truck].rows)
    own = [Placement(name, row, lane) for name, row, lane in placed if name in known and row < rows]
    return compartments_of(request, own, truck=truck)


def _range_c(
    request: LoadRequest,
    known: dict[str, Pallet],
    placed: Sequence[PlacedPallet],
    rooms: Sequence[Compartment],
) -> tuple[float, float] | None:
    if rooms:
        tightest = min(rooms, key=lambda room: room.setpoint_max_c - room.setpoint_min_c)
        return tightest.setpoint_min_c, tightest.setpoint_max_c
    on_board = {known[name].temperature_class for name, _, _ in placed if name in known}
    classes = [one for one in request.temperature_classes if one.id in on_board]
    if not classes:
        return None
    return max(one.min_c for one in classes), min(one.max_c for one in classes)


def _width(range_c: tuple[float, float] | None) -> float | None:
    return None if range_c is None else range_c[1] - range_c[0]


def _verdict(before: float | None, after: float | None) -> Verdict:
    """Return how a figure moved of which more is better; an empty vehicle has all the room there is."""
    old, new = (np.inf if value is None else value for value in (before, after))
    if old == new or abs(new - old) < _SAME:
        return "same"
    return "better" if new > old else "worse"
