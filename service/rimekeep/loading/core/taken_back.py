"""
Empties a driver takes back at a drop: where they go, and how many of them the rest of the trip bears.

Forecasts from stated masses; the scale decides. Empty kegs roll and stacked crates tip: what is said here
ends with that.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil

from rimekeep.loading.core.check_empties import best_riding, broken_riding
from rimekeep.loading.core.check_weights import Standing
from rimekeep.loading.core.vehicle import LoadRequest, Riding, Stop
from rimekeep.wording import glued, say

SECURE = say(
    "Strap empties before the vehicle moves: kegs roll, stacks of crates and pallets tip. "
    "Nobody stands between them and a wall, or behind a moving truck."
)
_LEAVE = say("Leave what is too much at this drop; the scale decides, and the driver has the last word.")


@dataclass(frozen=True, slots=True)
class Back:
    """Empties of one kind as a driver reports them; None where nobody said. ``mass_kg`` is of all pieces."""

    kind: str
    pieces: int
    mass_kg: float | None = None
    places: int | None = None


@dataclass(frozen=True, slots=True)
class Put:
    """
    Reported empties with what was taken of them: mass, places, and the rows they go to.

    ``most`` is the largest number of pieces, all else as reported, with which every limit is kept to the end;
    None where all of them do. ``is_weighed``: somebody said what they weigh, now or when they were announced.
    """

    back: Back
    mass_kg: float
    places: int
    riding: tuple[Riding, ...]
    most: int | None
    is_weighed: bool


@dataclass(frozen=True, slots=True)
class TakenBack:
    """What a drop's empties come to, and what the driver is told at once."""

    put: tuple[Put, ...]
    lines: tuple[str, ...]


def taken_back(
    left: LoadRequest,
    truck_no: int,
    standing: Sequence[Standing],
    riding: Sequence[Riding],
    stop: Stop,
    reported: Sequence[Back],
) -> TakenBack:
    """
    Return where reported empties go and what they break.

    Parameters
    ----------
    left, standing, riding
        What is on board when they come: goods, and empties of drops before.
    stop
        Where they come from, with what was announced there.
    reported
        What was taken back.
    """
    truck = left.trucks[truck_no]
    known = [_known(one, stop) for one in reported]

    def placed(counts: Sequence[int]) -> list[tuple[Riding, ...]]:
        asked = [
            (ceil(round(places * n / one.pieces, 9)), mass_kg * n / one.pieces)
            for one, (mass_kg, places, _), n in zip(reported, known, counts, strict=True)
        ]
        given = [k for k, (places, _) in enumerate(asked) if places]
        found = best_riding(left, truck, standing, riding, [asked[k] for k in given])
        if given and not found:
            # Nowhere by the rules: as far back as there is a row, which is where they would be thrown.
            found = [[Riding(len(truck.rows) - 1, *asked[k])] for k in given]
            crowded.append(True)
        rows = dict(zip(given, found, strict=True))
        return [tuple(rows.get(k, ())) for k in range(len(asked))]

    def is_legal(counts: Sequence[int]) -> bool:
        crowded.clear()
        new = [one for some in placed(counts) for one in some]
        return not crowded and not broken_riding(left, truck, standing, [*riding, *new])

    crowded: list[bool] = []
    all_of = [one.pieces for one in reported]
    rows = placed(all_of)
    has_room = not crowded
    broken = broken_riding(left, truck, standing, [*riding, *(one for some in rows for one in some)])
    is_broken = bool(broken) or not has_room
    most: list[int | None] = [None] * len(reported)
    if is_broken:
        most = [_most(all_of, k, is_legal) for k in range(len(reported))]
    put = tuple(
        Put(one, mass_kg, places, rows[k], most[k], is_weighed)
        for k, (one, (mass_kg, places, is_weighed)) in enumerate(zip(reported, known, strict=True))
    )
    texts = [text for _, _, _, _, text in broken]
    if not has_room:
        texts.append(say("There is no room for them behind the goods with a way kept clear."))
    none_does = is_broken and is_legal([0] * len(reported))
    return TakenBack(put, tuple(_lines(put, stop.id, texts, none_does=none_does)))


def _known(one: Back, stop: Stop) -> tuple[float, int, bool]:
    """Return mass, places and whether the mass is known: as reported, as announced, else one place."""
    said = [known for known in stop.empties if known.kind == one.kind]
    pieces = sum(known.pieces for known in said)
    share = one.pieces / pieces if pieces else 0.0
    mass_kg, places = one.mass_kg, one.places
    is_weighed = mass_kg is not None or bool(said)
    if mass_kg is None:
        mass_kg = sum(known.mass_kg for known in said) * share
    if places is None:
        places = max(1, ceil(round(sum(known.places for known in said) * share, 9)))
    return mass_kg, min(places, one.pieces), is_weighed


def _most(counts: Sequence[int], k: int, is_legal: Callable[[Sequence[int]], bool]) -> int:
    """
    Return the most pieces of one entry, the others as reported, that keep every limit; 0 where none do.

    Every limit is linear in the masses, so where none of it is legal all between that and the most is, too.
    """

    def with_(n: int) -> list[int]:
        return [n if i == k else count for i, count in enumerate(counts)]

    low, high = 0, counts[k]
    if not is_legal(with_(0)):
        return 0
    while high - low > 1:
        middle = (low + high) // 2
        if is_legal(with_(middle)):
            low = middle
        else:
            high = middle
    return low


def _lines(put: Sequence[Put], stop: str, broken: Sequence[str], *, none_does: bool) -> list[str]:
    if not put:
        return []
    lines = [_place_text(one, stop) for one in put]
    if broken:
        lines.append(say("DO NOT DRIVE ON with all of them:"))
        lines += broken
        mends = [
            say(
                "take at most {most} of {pieces} ({kind})",
                most=one.most,
                pieces=one.back.pieces,
                kind=one.back.kind,
            )
            for one in put
            if one.most
        ]
        if mends:
            lines.append(glued(say("At {stop} {mends}.", stop=stop, mends=glued(*mends, by=", or ")), _LEAVE))
        elif none_does:
            lines.append(glued(say("Leave all of them at {stop}.", stop=stop), _LEAVE))
        else:
            lines.append(say("Leaving them does not mend it alone; call the dispatcher."))
    return [*lines, SECURE]


def _place_text(one: Put, stop: str) -> str:
    rows = glued(
        *(say("row {row} ({places})", row=riding.row + 1, places=riding.places) for riding in one.riding),
        by=", ",
    )
    mass = (
        say("{mass_kg:.0f} kg", mass_kg=one.mass_kg)
        if one.is_weighed
        else say("NOBODY SAID WHAT THEY WEIGH, taken as nothing")
    )
    return say(
        "Empties of {stop}: {pieces} ({kind}), {mass}: along the right wall behind the goods, {rows}.",
        stop=stop,
        pieces=one.back.pieces,
        kind=one.back.kind,
        mass=mass,
        rows=rows,
    )
