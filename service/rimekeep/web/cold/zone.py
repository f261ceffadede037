"""One room's temperature over a window: chart, table, and the core of what stands there."""

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.climate.core.air import Air, air_between, assumed
from rimekeep.climate.core.steps import in_steps
from rimekeep.climate.queries import joined_by_zone, sensor_codes, zone_now
from rimekeep.errors import Missing
from rimekeep.excursions.core.chart import Course
from rimekeep.excursions.core.words import rule_words
from rimekeep.excursions.queries import active_rules, core_rule
from rimekeep.shelflife.core.thermal import core_temperature
from rimekeep.shelflife.queries import CoreNow, cores_in_zone, life_views
from rimekeep.stock import queries as stock
from rimekeep.web.cold.picture import course_within, room_picture
from rimekeep.web.cold.queries import excursions_between
from rimekeep.web.cold.window import Window, window_of

# A core is followed from so many time constants before the picture, so that its unknown start has faded.
LEAD_TAU = 5.0
LONGEST_LEAD = timedelta(days=14)
# Lengths of the table's steps; the first that makes no more than MOST_ROWS of them is taken. [s]
STEPS_S = (300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400, 172_800, 345_600)
MOST_ROWS = 120
# Every knot of one unit's course.
UNIT_POINTS = 20_000


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page was asked for; empty where nothing was."""

    span: str = ""
    from_text: str = ""
    until_text: str = ""
    # A profile's key, or "none"; and an SSCC, which comes first.
    pack: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A step of the table. Without any measured time there are no temperatures."""

    at: datetime
    min_c: float | None
    mean_c: float | None
    max_c: float | None
    measured_share: float


def view(
    session: Session, site_id: int, now: datetime, zone_id: int, asked: Asked, *, is_fahrenheit: bool
) -> dict[str, Any]:
    """Return everything the page shows, as of ``now``."""
    site = site_of(session, site_id)
    room = stock.zone(session, site_id, zone_id)
    zone = ZoneInfo(site.time_zone)
    window = window_of(now, zone, span=asked.span, from_text=asked.from_text, until_text=asked.until_text)
    packs = _packs(cores_in_zone(session, site_id, zone_id, now))
    chosen = _chosen(packs, asked)
    lead = timedelta(0) if chosen is None else min(timedelta(hours=LEAD_TAU * chosen.tau_h), LONGEST_LEAD)
    heard = joined_by_zone(session, site_id, window.from_at - lead, window.until_at, zone_ids=[zone_id])
    from_s, until_s = window.from_at.timestamp(), window.until_at.timestamp()
    joined = heard.get(zone_id)
    air = assumed(from_s, until_s, room.planned_c) if joined is None else air_between(joined, from_s, until_s)
    cores: list[Course] = []
    unit_fault = None
    if asked.unit:
        cores, unit_fault = _unit_cores(session, site_id, now, zone_id, asked.unit, window)
    elif chosen is not None and joined is not None and joined.at_s[0] < until_s:
        before = air_between(joined, (window.from_at - lead).timestamp(), until_s)
        core_c = core_temperature((before.at_s - before.at_s[0]) / 3600, before.temp_c, tau_h=chosen.tau_h)
        # Before the first reading of all nobody can estimate anything.
        first_s = max(from_s, float(joined.at_s[0]))
        cores = [course_within(Course(chosen.sku, before.at_s, core_c), first_s, until_s)]
    rules = active_rules(session, site_id, zone_ids=[zone_id])
    excursions = excursions_between(session, site_id, zone_id, window.from_at, window.until_at)
    products = stock.products_by_id(session, site_id) if any(rule.product_id for rule in rules) else {}
    midnight = datetime.combine(window.from_at.astimezone(zone).date(), time(), zone)
    step_s = next((one for one in STEPS_S if window.length.total_seconds() <= one * MOST_ROWS), STEPS_S[-1])
    kept = {"pack": asked.pack, "unit": asked.unit}
    return {
        "site": site,
        "zone": zone,
        "room": room,
        "state": next(one for one in zone_now(session, site_id, now) if one.zone_id == zone_id),
        "window": window,
        "asked": asked,
        "unit_fault": unit_fault,
        "packs": packs,
        "chosen": chosen,
        "is_measured": not air.is_assumed and air.bridged_total_s < until_s - from_s,
        "picture": room_picture(
            air,
            limits=[(rule.limit_c, rule.side) for rule in rules],
            excursions=[
                (one.started_at.timestamp(), (one.ended_at or now).timestamp()) for one in excursions
            ],
            cores=cores,
            day_starts_s=midnight.timestamp(),
            is_fahrenheit=is_fahrenheit,
        ),
        "rules": [
            (
                rule,
                rule_words(core_rule(rule), is_guard_of_sensor=rule.guard_c is None),
                products.get(rule.product_id or 0),
            )
            for rule in rules
        ],
        "excursions": excursions,
        "sensors": sorted(sensor_codes(session, site_id, air.sensor_ids).values()),
        "gaps": [
            (datetime.fromtimestamp(begin, UTC), datetime.fromtimestamp(over, UTC))
            for begin, over in air.bridged_s.tolist()
        ],
        "rows": rows_of(air, step_s),
        "step_s": step_s,
        "ways": {
            "in": _way(window.zoomed(0.5), kept),
            "out": _way(window.zoomed(2.0), kept),
            "earlier": _way(window.moved(-0.5), kept),
            "later": _way(window.moved(0.5), kept),
        },
        "spans": {name: _way(Window(now, now, now, name), kept) for name in ("24h", "7d", "30d")},
        "csv_query": f"{Window(window.from_at, window.until_at, now).query()}&step_s={step_s}",
    }


def _way(window: Window | None, kept: dict[str, str]) -> str | None:
    return None if window is None else window.query(**kept)


def _packs(cores: list[CoreNow]) -> list[CoreNow]:
    """Return one entry for each profile in the room, that of most cases first."""
    found: dict[int, CoreNow] = {}
    for one in sorted(cores, key=lambda core: -core.cases):
        found.setdefault(one.profile_id, one)
    return list(found.values())


def _chosen(packs: list[CoreNow], asked: Asked) -> CoreNow | None:
    if asked.pack == "none" or asked.unit:
        return None
    named = next((one for one in packs if str(one.profile_id) == asked.pack), None)
    return named or next(iter(packs), None)


def _unit_cores(
    session: Session, site_id: int, now: datetime, zone_id: int, sscc: str, window: Window
) -> tuple[list[Course], str | None]:
    """Return the core of each pack on a unit while it was in the room; or why there is none."""
    try:
        unit = stock.unit_by_sscc(session, site_id, sscc)
    except Missing:
        return [], "unknown"
    contents = stock.contents(session, site_id, unit_ids=[unit.id])
    found = []
    for life in life_views(session, site_id, now, contents, points=UNIT_POINTS):
        if not life.curve:
            continue
        skus = ", ".join(sorted({pack.sku for pack in life.packs}))
        whole = Course(
            f"{sscc} {skus}",
            np.array([point.at.timestamp() for point in life.curve]),
            np.array([point.core_c for point in life.curve]),
        )
        for leg in life.legs:
            begin, over = max(leg.from_at, window.from_at), min(leg.until_at, window.until_at)
            if leg.zone_id == zone_id and begin < over:
                found.append(course_within(whole, begin.timestamp(), over.timestamp()))
    return found, None if found else "elsewhere"


def rows_of(air: Air, step_s: int) -> list[Row]:
    """Return the table of an air: of a step nobody measured in there are no temperatures."""
    steps = in_steps(air, step_s)
    ends = np.append(steps.at_s[1:], air.at_s[-1])
    rows = []
    for (at_s, low, mean, high, bridged, _), end_s in zip(steps.rows(), ends.tolist(), strict=True):
        share = 1 - bridged / (end_s - at_s)
        is_known = share > 0
        rows.append(
            Row(
                datetime.fromtimestamp(at_s, UTC),
                low if is_known else None,
                mean if is_known else None,
                high if is_known else None,
                share,
            )
        )
    return rows
