"""
What is asked of the cold before a trip leaves: reckoned as it leaves now, and refused where it would not do.

Advisory: what is loaded was measured at the door and the air is a forecast. Whoever lets a trip leave despite
it answers for it by name.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Refused
from rimekeep.loading import queries
from rimekeep.loading.core.road_told import unreckoned_text
from rimekeep.loading.tables import Trip
from rimekeep.platform.journal import Event, record
from rimekeep.wording import glued, say


@dataclass(frozen=True, slots=True)
class Objection:
    """One reason not to leave: its kind, in words, and what it is about."""

    code: str
    text: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Leaving:
    """
    What the cold of a trip came to when it was asked to leave.

    ``objections`` are the reasons not to, gravest first; where the cold was not reckoned, only that life is
    too short. ``text`` is the forecast's own, or why there is none.
    """

    trip_id: int
    told: dict[str, Any]
    is_reckoned: bool
    text: str
    objections: tuple[Objection, ...]
    despite: str | None = None

    @property
    def verdict(self) -> str:
        """Return yes, no, or unknown."""
        if self.objections:
            return "no"
        return str(self.told["verdict"]) if self.is_reckoned else "unknown"

    @property
    def hottest_leg(self) -> int | None:
        """Return the leg with the warmest air at its end; None where it was not reckoned."""
        found: int | None = self.told["hottest_leg"]
        return found if self.is_reckoned else None

    @property
    def drops(self) -> list[dict[str, Any]]:
        """Return what is expected at each drop."""
        found: list[dict[str, Any]] = self.told["drops"]
        return found

    @property
    def reasons(self) -> tuple[str, ...]:
        """Return the objections in words."""
        return tuple(one.text for one in self.objections)


def reckon_leaving(session: Session, now: datetime, trip: Trip, despite: str | None) -> Leaving:
    """Reckon a trip's cold as it leaves now, by the newest weather and what was measured at loading."""
    told = queries.trip_forecast(session, now, trip, leaves_at=now)
    trip.cold = told
    missing = unreckoned_text(told)
    objections = (*(() if missing else _too_warm(told)), *_too_short(told))
    text = missing or told["text"]
    return Leaving(trip.id, told, missing is None, text, objections, despite if objections else None)


def require_may_leave(session: Session, now: datetime, caller: Caller, found: Leaving) -> None:
    """Refuse a trip that is not cold enough, unless somebody says why it leaves: that is recorded."""
    if not found.objections:
        return
    first = found.objections[0]
    data = {
        "trip_id": found.trip_id,
        **first.data,
        "reasons": list(found.reasons),
        "short_w": found.told["short_w"],
        "remedies": found.told["remedies"],
    }
    if found.despite is None:
        more = len(found.objections) - 1
        others = say("And {more} more.", more=more) if more else ""
        ways = [one["text"] for one in found.told["remedies"]]
        mend = say("If it has to leave all the same, say why in 'despite'; it is kept with your name.")
        fact = say("Trip {trip_id} does not leave.", trip_id=found.trip_id)
        raise Refused(first.code, glued(fact, first.text, others, *ways, mend), data=data)
    told = Event("trip.cold-overruled", now, actor_id=caller.id, reason=found.despite, data=data)
    record(session, caller.site_id, told)


def _too_warm(told: dict[str, Any]) -> list[Objection]:
    """Return what the reefer does not hold, with the goods it tells on, and goods that come too warm."""
    found = []
    for air in told.get("compartments") or [told]:
        if air["verdict"] != "no":
            continue
        number, name = air.get("number"), f"{air['name']}: " if "name" in air else ""
        ends = {leg["drop"]: leg["air_end_c"] for leg in air["legs"]}
        is_warm = ends[air["hottest_leg"]] > air["carry_max_c"]
        leg, word, sign = (
            (air["hottest_leg"], say("Warmest"), 1)
            if is_warm
            else (min(ends, key=ends.__getitem__), say("Coldest"), -1)
        )
        # Not every drop has goods of every compartment; those of the next one that has feel it too.
        drop, own = next(
            (drop, own)
            for drop in told["drops"]
            if drop["drop"] >= leg
            and (own := [one for one in drop["contents"] if one.get("compartment") == number])
        )
        one = max(own, key=lambda content: sign * content["core_c"])
        text = say(
            "{name}{verdict} {word} there: {sku}, lot {lot}, unit {sscc} for {customer}, "
            "core {core_c:.1f} °C.",
            name=name,
            verdict=air["text"],
            word=word,
            sku=one["sku"],
            lot=one["lot_code"],
            sscc=one["sscc"],
            customer=drop["customer"],
            core_c=one["core_c"],
        )
        found.append(
            Objection("reefer-too-weak", text, {"leg": leg, "compartment": number, **_about(drop, one)})
        )
    texts = {drop["drop"]: iter(drop["warm"]) for drop in told["drops"]}
    found += [
        Objection("goods-too-warm", next(texts[drop["drop"]]), {"core_c": one["core_c"], **_about(drop, one)})
        for drop in told["drops"]
        for one in drop["contents"]
        if one["is_too_warm"]
    ]
    return found


def _too_short(told: dict[str, Any]) -> list[Objection]:
    texts = {drop["drop"]: iter(drop["short"]) for drop in told["drops"]}
    return [
        Objection(
            "life-too-short",
            say("{next} at drop {drop}.", next=next(texts[drop["drop"]])[:-1], drop=drop["drop"]),
            {"days_short": -one["spare_days"], **_about(drop, one)},
        )
        for drop in told["drops"]
        for one in drop["contents"]
        if one["spare_days"] < 0
    ]


def _about(drop: dict[str, Any], one: dict[str, Any]) -> dict[str, Any]:
    return {
        "drop": drop["drop"],
        "customer": drop["customer"],
        "sku": one["sku"],
        "lot_code": one["lot_code"],
        "sscc": one["sscc"],
    }
