"""What is told of how a load is held, row by row and state by state."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rimekeep.loading.core.gear import Way
from rimekeep.wording import counted, glued, listed, say


@dataclass(frozen=True, slots=True)
class Above:
    """
    The upper units of a row's stacks in one state.

    ``held_by`` says what stops them in each direction, None: nothing. ``lashings`` over the stacks keep them
    from sliding and tipping on what is below; ``lost`` as in `RowState`. [kg]
    """

    units: int
    mass_kg: float
    held_by: Mapping[Way, str | None]
    lashings: Mapping[Way, int]
    lost: tuple[Way, ...]

    @property
    def said(self) -> str:
        """Return what holds them, or what they need."""
        loose = [way for way in Way if self.lashings[way]]
        if not loose:
            by = sorted({name for name in self.held_by.values() if name})
            if by:
                return say("On top {units}, held by {by}.", units=self.units, by=glued(*by, by=", "))
            return say("On top {units}, friction holds.", units=self.units)
        return say(
            "On top {units}: nothing stops a slide or a fall {ways}{newly}; {straps} over the stack.",
            units=self.units,
            ways=_ways(loose),
            newly=say(" since the last drop") if self.lost else "",
            straps=_straps(max(self.lashings.values())),
        )


@dataclass(frozen=True, slots=True)
class RowState:
    """
    One row in one state.

    ``held_by`` says what stops it in each direction, None: nothing. ``lashings`` over the top and ``bars``
    across are what it needs instead, the one or the other, for itself and all rows that lean on it; ``lost``
    are the directions it was still held in one state before. ``tipping`` are lashings over the top that keep
    units and stacks from falling over, 0 where they stand or lean. [kg]
    """

    row: int
    units: int
    mass_kg: float
    held_by: Mapping[Way, str | None]
    lashings: Mapping[Way, int]
    bars: Mapping[Way, int]
    lost: tuple[Way, ...]
    tipping: Mapping[Way, int]
    above: Above | None

    @property
    def said(self) -> str:
        """Return what holds it, or what it needs, what is on top included."""
        return glued(self.said_on_deck, self.said_above)

    @property
    def said_on_deck(self) -> str:
        """Return what holds it on the deck, or what it needs."""
        return _said(self.held_by, self.lashings, self.bars, self.lost)

    @property
    def said_above(self) -> str:
        """Return what may fall over, and how what is on top is held; empty: nothing to say."""
        parts = []
        if tips := [way for way in Way if self.tipping[way]]:
            most = _straps(max(self.tipping.values()))
            parts.append(
                say(
                    "May tip {ways}: {most} over the top; a bar does not stop that.",
                    ways=_ways(tips),
                    most=most,
                )
            )
        if self.above is not None:
            parts.append(self.above.said)
        return glued(*parts)

    @property
    def has_lost(self) -> bool:
        """Tell whether something that held it, or what is on top, is gone since the state before."""
        return bool(self.lost or (self.above is not None and self.above.lost))

    @property
    def text(self) -> str:
        """Return what holds it, or what it needs, with its number, as people count."""
        return say("Row {row}: {said}", row=self.row + 1, said=self.said)

    @property
    def is_held(self) -> bool:
        """Tell whether it stands fast by itself."""
        is_firm = not any(self.tipping.values()) and (
            self.above is None or not any(self.above.lashings.values())
        )
        return is_firm and all(self.held_by[way] for way in Way)

    @property
    def lashings_needed(self) -> int:
        """Return how many lashings hold it in every direction; those over the top serve all of them."""
        above = self.above.lashings.values() if self.above is not None else ()
        return max(*self.lashings.values(), *self.tipping.values(), *above)


@dataclass(frozen=True, slots=True)
class LoadHeld:
    """All rows in one state; ``after_drop`` 0 is departure."""

    after_drop: int
    rows: tuple[RowState, ...]


def _said(
    held: Mapping[Way, str | None],
    lashings: Mapping[Way, int],
    bars: Mapping[Way, int],
    lost: Sequence[Way],
) -> str:
    loose = [way for way in Way if not held[way] and (lashings[way] or bars[way])]
    if not loose:
        by = sorted({name for name in held.values() if name})
        return say("held by {by}.", by=glued(*by, by=", ")) if by else say("friction holds it.")
    most = max(lashings[way] for way in loose)
    does = say("{straps} over the top", straps=_straps(most))
    along = [way for way in loose if way != Way.SIDEWAYS]
    if along == loose:
        where = listed([say("ahead of it") if way == Way.FORWARD else say("behind it") for way in along])
        count = max(bars[way] for way in along)
        bar = counted("{n} bar {where}", "{n} bars {where}", n=count, where=where)
        does = say("{one} or {other}", one=does, other=bar)
    newly = say(" since the last drop") if lost else ""
    return say("nothing holds it {ways}{newly}; {does}.", ways=_ways(loose), newly=newly, does=does)


def _ways(ways: Sequence[Way]) -> str:
    words = {
        Way.FORWARD: say("forward"),
        Way.SIDEWAYS: say("sideways"),
        Way.BACKWARD: say("backward"),
    }
    return glued(*(words[way] for way in ways), by=", ")


def _straps(count: int) -> str:
    return counted("{n} lashing", "{n} lashings", n=count)
