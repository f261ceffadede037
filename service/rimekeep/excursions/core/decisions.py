"""What QA's words about lots mean for the units an excursion stopped, and what is still to be done."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from rimekeep.excursions.core.states import Word
from rimekeep.wording import say

# These let goods go again.
LETS_GO = (Word.RELEASE, Word.SHORTEN)


@dataclass(frozen=True, slots=True)
class Stopped:
    """A unit on hold for one excursion or several, and the lots on it."""

    unit_id: int
    excursion_ids: frozenset[int]
    lot_ids: frozenset[int]


def may_go(stopped: Iterable[Stopped], standing: Mapping[tuple[int, int], str]) -> set[int]:
    """
    Return the units that nothing stops any more.

    Parameters
    ----------
    stopped
        Units on hold.
    standing
        The word that stands for each (excursion, lot).

    Returns
    -------
    set of int
        Units of which every lot was let go for every excursion that stopped them; a pallet of two lots waits
        for both.
    """
    return {
        unit.unit_id
        for unit in stopped
        if all(
            standing.get((key, lot_id)) in LETS_GO for key in unit.excursion_ids for lot_id in unit.lot_ids
        )
    }


def in_conflict(stopped: Iterable[Stopped], standing: Mapping[tuple[int, int], str]) -> set[int]:
    """Return the units that stay on hold although every word has fallen: some of their lots may not go."""
    found = set()
    for unit in stopped:
        words = {standing.get((key, lot_id)) for key in unit.excursion_ids for lot_id in unit.lot_ids}
        if None not in words and not words <= set(LETS_GO):
            found.add(unit.unit_id)
    return found


@dataclass(frozen=True, slots=True)
class Standing:
    """What the closing of an excursion hangs on."""

    ended_at: datetime | None
    acknowledged_at: datetime | None
    merged_into_id: int | None
    # Lots that were put on hold, with their code, and those of them that have a word.
    held_lots: Mapping[int, str]
    decided_lot_ids: Collection[int]
    conflicting_ssccs: Collection[str] = ()
    # Lots decided about of which more was put on hold afterwards.
    late_lot_ids: Collection[int] = ()


def open_points(standing: Standing) -> list[str]:
    """
    Return what is still to be done before an excursion is closed; an empty list is a closed one.

    Examples
    --------
    >>> open_points(Standing(None, None, None, {7: "L0107"}, []))[0]
    'It is still going on.'
    """
    if standing.merged_into_id is not None:
        return []
    points = []
    if standing.ended_at is None:
        points.append(say("It is still going on."))
    if standing.acknowledged_at is None:
        points.append(say("Nobody has acknowledged it."))
    points += [
        say("Lot {code} was put on hold and QA has not decided about it.", code=code)
        for lot_id, code in sorted(standing.held_lots.items(), key=lambda one: one[1])
        if lot_id not in standing.decided_lot_ids
    ]
    points += [
        say("More of lot {code} was put on hold after QA decided about it.", code=code)
        for lot_id, code in sorted(standing.held_lots.items(), key=lambda one: one[1])
        if lot_id in standing.late_lot_ids
    ]
    points += [
        say(
            "Unit {sscc} carries lots that were decided differently: sort it, then release or reject it.",
            sscc=sscc,
        )
        for sscc in sorted(standing.conflicting_ssccs)
    ]
    return points


def standing_words(decided: Iterable[tuple[int, int, str]]) -> dict[tuple[int, int], str]:
    """Return the word that stands for each (excursion, lot), given all of them oldest first: the last."""
    return {(excursion_id, lot_id): word for excursion_id, lot_id, word in decided}
