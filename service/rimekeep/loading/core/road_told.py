"""A trip's forecast in words and plain data: verdict, legs, pre-cooling, and what is left at every drop."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from math import ceil
from typing import Any

from rimekeep.loading.core.plan import Compartment
from rimekeep.loading.core.road import halts
from rimekeep.loading.core.road_cold import LegCold, RoadCold
from rimekeep.loading.core.road_facts import RoadFacts
from rimekeep.loading.core.road_help import Remedy
from rimekeep.wording import glued, say

# Two temperatures this near are equal for a limit: far below what any probe shows. [K]
_SAME_C = 1e-6
_GRAVEST = ("no", "unknown", "yes")


@dataclass(frozen=True, slots=True)
class Carried:
    """Cases of one lot on a unit of a trip, for whom. ``zone_planned_c`` is where the unit waits. [kg, °C]"""

    content_id: int
    sscc: str
    drop: int
    order_id: int
    customer: str
    deliver_on: date
    lot_code: str
    sku: str
    cases: int
    mass_kg: float
    packaged_at: datetime
    printed_on: date
    zone_planned_c: float
    unit_id: int
    carry_max_c: float
    row: int


@dataclass(frozen=True, slots=True)
class Expected:
    """
    What is expected of it at its drop.

    ``days_left`` counts whole days from the day of delivery to the last good one, by the printed date and by
    what the customers are promised, the shorter; ``least_days`` is what the customer wants. Without an ageing
    profile only the printed date counts, and ``days_used`` is None. ``is_measured``: the core it begins with
    rests on what was measured at loading; ``limit_c`` is what it may arrive at. ``compartment`` counts from
    1 at the front wall, None where the body is not divided. [°C, days]
    """

    carried: Carried
    core_from_c: float
    core_c: float
    used: dict[str, float] | None
    days_used: float | None
    expires_at: datetime
    limited_by: str
    days_left: int
    least_days: int
    is_measured: bool
    limit_c: float
    compartment: int | None = None

    @property
    def is_too_warm(self) -> bool:
        """Tell whether it comes to its drop warmer than it may."""
        return self.core_c > self.limit_c + _SAME_C

    @property
    def spare_days(self) -> int:
        """Return how many days more are left than the customer wants; below zero: it may not go there."""
        return self.days_left - self.least_days


@dataclass(frozen=True, slots=True)
class Judged:
    """
    What was worked out for one air: its forecast, None where the vehicle lacks the fields ``lacks``.

    ``room`` is its compartment, None where the body is not divided; what would do is of the whole vehicle.
    """

    setpoint_c: float
    low_c: float
    high_c: float
    lacks: tuple[str, ...]
    precool_s: float | None = None
    short_w: float | None = None
    remedies: tuple[Remedy, ...] = ()
    cold: RoadCold | None = None
    room: Compartment | None = None

    @property
    def verdict(self) -> str:
        """Return yes, no, or unknown."""
        return "unknown" if self.cold is None else self.cold.verdict


def told(
    now: datetime, facts: RoadFacts, airs: Sequence[Judged], expected: Sequence[Expected]
) -> dict[str, Any]:
    """
    Return a forecast as plain data for JSON.

    Of a divided body ``compartments`` tell each air, front first, and what is told of the whole is that of
    the one that decides: the first that is not held, or not known, or simply the first.
    """
    drops = _drops(facts, expected)
    number = min(range(len(airs)), key=lambda k: (_GRAVEST.index(airs[k].verdict), k))
    judged = airs[number]
    rooms = [] if judged.room is None else [_room(facts, k, one) for k, one in enumerate(airs, 1)]
    own = _air(facts, judged)
    if rooms:
        own["text"] = glued(*(_of_room(room, room["text"]) for room in rooms))
        own["precool"] = own["precool"] | {
            "text": glued(*(_of_room(room, room["precool"]["text"]) for room in rooms)),
            "minutes": _longest([room["precool"]["minutes"] for room in rooms]),
        }
    return {
        "reckoned_at": now.isoformat(),
        "departs_at": facts.departs_at.isoformat(),
        **own,
        "compartment": number + 1 if rooms else None,
        "compartments": rooms,
        "short_w": judged.short_w,
        "remedies": [asdict(one) for one in judged.remedies],
        "missing": list(judged.lacks),
        "drops": drops,
        "is_life_enough": all(one["is_life_enough"] for one in drops),
        "assumed": [asdict(one) for one in facts.assumed],
    }


def _of_room(room: Mapping[str, Any], text: str) -> str:
    return say("{name}: {text}", name=room["name"], text=text)


def _air(facts: RoadFacts, judged: Judged) -> dict[str, Any]:
    cold = judged.cold
    return {
        "verdict": judged.verdict,
        "text": _verdict_text(judged, cold),
        "setpoint_c": judged.setpoint_c,
        "carry_min_c": judged.low_c,
        "carry_max_c": judged.high_c,
        "precool": _precool(facts, judged, cold is not None),
        "legs": [] if cold is None else [_leg(facts, leg) for leg in cold.legs],
        "hottest_leg": None if cold is None else cold.hottest.drop,
    }


def _room(facts: RoadFacts, number: int, judged: Judged) -> dict[str, Any]:
    assert judged.room is not None
    return {
        "number": number,
        "name": say("Compartment {number} ({rows_words})", number=number, rows_words=judged.room.rows_words),
        "first_row": judged.room.first_row,
        "last_row": judged.room.last_row,
        **_air(facts, judged),
    }


def _longest(minutes: Sequence[int | None]) -> int | None:
    known = [one for one in minutes if one is not None]
    return max(known) if len(known) == len(minutes) else None


def unreckoned_text(told: dict[str, Any]) -> str | None:
    """Return why a forecast tells nothing of the cold, for want of data; None where it does."""
    if told["missing"]:
        return say(
            "The cold was not reckoned: the vehicle lacks {choices}.", choices=", ".join(told["missing"])
        )
    if any(one["name"] == "ambient_by_hour_c" and one["basis"] == "invented" for one in told["assumed"]):
        return say(
            "The cold was not reckoned: nobody gave a forecast of the air outside, for the trip or the site."
        )
    return None


def _verdict_text(judged: Judged, cold: RoadCold | None) -> str:
    if cold is None:
        return say(
            "Nothing can be said of the reefer: the vehicle lacks {choices}. Cores and life are as "
            "if it held {setpoint_c:g} °C.",
            choices=", ".join(judged.lacks),
            setpoint_c=judged.setpoint_c,
        )
    hottest, coldest = cold.hottest, cold.coldest
    if cold.is_too_warm:
        more = (
            say("; {ceil} W more would do", ceil=ceil(judged.short_w / 100) * 100) if judged.short_w else ""
        )
        return say(
            "No: on leg {drop}, the hottest, the air comes to the drop at {air_end_c:.1f} °C, above "
            "{high_c:g} °C. There {demand_w:.0f} W are asked and {capacity_w:.0f} W to be had{more}.",
            drop=hottest.drop,
            air_end_c=hottest.air_end_c,
            high_c=judged.high_c,
            demand_w=hottest.demand_w,
            capacity_w=hottest.capacity_w,
            more=more,
        )
    if cold.is_too_cold:
        return say(
            "No: on leg {drop} the air comes to the drop at {air_end_c:.1f} °C, below {low_c:g} °C; "
            "the unit would have to heat more than is known of it.",
            drop=coldest.drop,
            air_end_c=coldest.air_end_c,
            low_c=judged.low_c,
        )
    drift = "" if cold.is_held else say(" The set point is not reached again before every drop.")
    if cold.verdict == "unknown":
        hot = max(leg.outside_max_c for leg in cold.legs)
        return say(
            "Not known: the unit's capacity is not stated for {hot:g} °C outside and {setpoint_c:g} "
            "°C inside.{drift}",
            hot=hot,
            setpoint_c=judged.setpoint_c,
            drift=drift,
        )
    return say(
        "Yes: the air is within {low_c:g} to {high_c:g} °C at every drop.{drift}",
        low_c=judged.low_c,
        high_c=judged.high_c,
        drift=drift,
    )


def _precool(facts: RoadFacts, judged: Judged, is_known: bool) -> dict[str, Any]:
    minutes = None if judged.precool_s is None else ceil(judged.precool_s / 60)
    word = say("body") if judged.room is None else say("compartment")
    start, goal = f"{facts.body_start_c:g} °C", f"{judged.setpoint_c:g} °C"
    if minutes is not None:
        text = say(
            "Set {goal} and pre-cool the closed, empty {word} from {start}: {minutes} min by the balance.",
            goal=goal,
            word=word,
            start=start,
            minutes=minutes,
        )
    elif is_known:
        text = say(
            "The unit does not bring the empty {word} from {start} to {goal} within a day.",
            word=word,
            start=start,
            goal=goal,
        )
    else:
        text = say(
            "Set {goal} and pre-cool the closed, empty {word}; how long is not known of this vehicle.",
            goal=goal,
            word=word,
        )
    return {
        "setpoint_c": judged.setpoint_c,
        "start_c": facts.body_start_c,
        "minutes": minutes,
        "text": say("{text} Unit off while doors are open.", text=text),
    }


def _leg(facts: RoadFacts, leg: LegCold) -> dict[str, Any]:
    found = asdict(leg)
    del found["from_s"], found["until_s"]
    halt = halts(facts.road.legs)[leg.drop - 1]
    return found | {
        "from_at": (facts.departs_at + timedelta(seconds=leg.from_s)).isoformat(),
        "arrives_at": (facts.departs_at + timedelta(seconds=halt.arrives_s)).isoformat(),
        "waits_s": round(halt.waits_s),
        "demand_w": leg.demand_w,
        "margin_w": leg.margin_w,
    }


def _drops(facts: RoadFacts, expected: Sequence[Expected]) -> list[dict[str, Any]]:
    by_drop: dict[int, list[Expected]] = defaultdict(list)
    for one in expected:
        by_drop[one.carried.drop].append(one)
    found = []
    for (drop, here), halt in zip(sorted(by_drop.items()), halts(facts.road.legs), strict=True):
        short = [one for one in here if one.spare_days < 0]
        found.append(
            {
                "drop": drop,
                "customer": here[0].carried.customer,
                "arrives_at": (facts.departs_at + timedelta(seconds=halt.arrives_s)).isoformat(),
                "core_min_c": min(one.core_c for one in here),
                "core_max_c": max(one.core_c for one in here),
                "spare_days": min(one.spare_days for one in here),
                "is_life_enough": not short,
                "short": [short_text(one) for one in short],
                "warm": [warm_text(one) for one in here if one.is_too_warm],
                "contents": [_content(one) for one in here],
            }
        )
    return found


def short_text(one: Expected) -> str:
    """Return in words why cases may not go to their customer."""
    own = one.carried
    return say(
        "Lot {lot_code} of {sku} on unit {sscc} has {days_left} days left for {customer}, who "
        "wants {least_days}: {value} short.",
        lot_code=own.lot_code,
        sku=own.sku,
        sscc=own.sscc,
        days_left=one.days_left,
        customer=own.customer,
        least_days=one.least_days,
        value=-one.spare_days,
    )


def warm_text(one: Expected) -> str:
    """Return in words why cases come to their customer too warm."""
    own = one.carried
    return say(
        "Lot {lot_code} of {sku} on unit {sscc} comes to {customer} at drop {drop} with a core "
        "of {core_c:.1f} °C and may have {limit_c:g} °C.",
        lot_code=own.lot_code,
        sku=own.sku,
        sscc=own.sscc,
        customer=own.customer,
        drop=own.drop,
        core_c=one.core_c,
        limit_c=one.limit_c,
    )


def _content(one: Expected) -> dict[str, Any]:
    own = one.carried
    return {
        "content_id": own.content_id,
        "sscc": own.sscc,
        "order_id": own.order_id,
        "lot_code": own.lot_code,
        "sku": own.sku,
        "cases": own.cases,
        "core_from_c": one.core_from_c,
        "core_c": one.core_c,
        "used": one.used,
        "days_used": one.days_used,
        "expires_at": one.expires_at.isoformat(),
        "limited_by": one.limited_by,
        "days_left": one.days_left,
        "least_days": one.least_days,
        "spare_days": one.spare_days,
        "is_measured": one.is_measured,
        "limit_c": one.limit_c,
        "is_too_warm": one.is_too_warm,
        "compartment": one.compartment,
    }
