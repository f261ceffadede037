"""What would serve the short lines of an order, as things stand now."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.picking.core.allocation import Change, Remedy
from rimekeep.picking.core.records import ShortCases, Way
from rimekeep.picking.core.wave import plan_wave, told
from rimekeep.picking.queries.allocations import shorts_told
from rimekeep.picking.queries.wave import wave_facts

# Whoever looks at an order waits for this: no long search for it.
LOOK_EFFORT_S = 0.2


def order_shorts(session: Session, now: datetime, site_id: int, order_id: int) -> dict[int, ShortCases]:
    """Return what is short of an order's lines, why, and what would serve it now, by line."""
    short = shorts_told(session, site_id, [order_id])
    if not short:
        return {}
    ways = _ways_to_serve(session, now, site_id, order_id, short)
    return {line_id: replace(why, remedies=ways.get(line_id, ())) for line_id, why in short.items()}


def _ways_to_serve(
    session: Session, now: datetime, site_id: int, order_id: int, line_ids: Collection[int]
) -> dict[int, tuple[Way, ...]]:
    """Return what would serve lines of an order that are short; free stock that would do comes first."""
    facts = wave_facts(session, now, site_id, [order_id], line_ids=line_ids)
    wave = plan_wave(
        facts.free,
        facts.asked,
        expires_on=facts.expires_on,
        promised_on=facts.promised_on,
        zone=facts.zone,
        mixed_units=facts.mixed_units,
        effort=LOOK_EFFORT_S,
    )
    free: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for take in wave.takes:
        free[take.line_id][take.content.lot_code] += take.cases
    found: dict[int, tuple[Way, ...]] = {}
    for line_id in {*free, *wave.short}:
        ways = told(wave.short[line_id]).remedies if line_id in wave.short else ()
        if lots := tuple(free[line_id].items()):
            cases = sum(some for _, some in lots)
            text = Remedy(Change.ALLOCATE_AGAIN, cases, lots).text()
            ways = (Way(str(Change.ALLOCATE_AGAIN), cases, lots, None, None, None, text), *ways)
        found[line_id] = ways
    return found
