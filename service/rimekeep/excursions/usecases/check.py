"""Look at what the rooms' air did and open, update or end excursions; safe to run as often as one likes."""

import hashlib
import itertools
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from rimekeep.climate import queries as climate
from rimekeep.climate.core.air import Joined, Series, join
from rimekeep.climate.core.readings import FloatArray
from rimekeep.excursions import queries
from rimekeep.excursions.core.agreement import allowed_difference_c, beyond, differences, disagreements
from rimekeep.excursions.core.detection import LOOK_BACK, detect, judged_c, within
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.states import ExcursionKind, Severity, Side
from rimekeep.excursions.queries import Road, WatchedSensor
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.excursions.usecases.follow import Checked, Subject, end, follow
from rimekeep.excursions.usecases.road import follow_trips
from rimekeep.excursions.usecases.tell import announce_ended, announce_opened
from rimekeep.excursions.usecases.touch import touch
from rimekeep.excursions.usecases.watch import check_sensors
from rimekeep.platform.database import take_turns


@dataclass(frozen=True, slots=True)
class Heard:
    """What was read for one check: each room's sensors, and the air they make."""

    series: Mapping[int, list[Series]]
    joined: Mapping[int, Joined]

    def mark(self, row: Excursion, now: datetime) -> str:
        """Return a mark that changes with what was read of a room while an excursion ran."""
        room = self.joined.get(row.zone_id)
        if room is None:
            return ""
        span = within(room, row.started_at.timestamp(), (row.ended_at or now).timestamp())
        return hashlib.sha256(span.at_s.tobytes() + span.temp_c.tobytes()).hexdigest()[:16]


def check_site(
    session: Session, now: datetime, site_id: int, *, zone_ids: Collection[int] | None = None
) -> Checked:
    """
    Look at every rule and sensor of a site, or of some of its rooms.

    One excursion per rule and failure, however often this runs and however late readings come: what overlaps
    a known one is that one. Each new one lists the stock it touched, holds it where the rule says so, and is
    announced, all in this transaction.
    """
    # Two checks at once would both open what both find.
    take_turns(session, f"excursions of site {site_id}")
    done = Checked()
    rules = queries.active_rules(session, site_id, zone_ids=zone_ids)
    sensors = queries.sensors_of(session, site_id, zone_ids=zone_ids)
    first = min((_looked_at_from(rule, now) for rule in rules), default=now - LOOK_BACK)
    road = queries.road(session, site_id, min(first, now - LOOK_BACK), zone_ids=zone_ids)
    heard = _listen(session, now, site_id, rules, sensors)
    ended = _check_rules(session, now, rules, sensors, heard, road, done)
    _check_pairs(session, now, site_id, zone_ids, sensors, heard, road, done)
    check_sensors(session, now, site_id, zone_ids, sensors, road, done)
    session.flush()
    _tell(session, now, {rule.id: rule for rule in rules}, heard, ended, done)
    return done


def check_zone(session: Session, now: datetime, site_id: int, zone_id: int) -> Checked:
    """Look at every rule and sensor of one room."""
    return check_site(session, now, site_id, zone_ids=[zone_id])


def _tell(
    session: Session,
    now: datetime,
    rules: Mapping[int, ExcursionRule],
    heard: Heard,
    ended: Sequence[Excursion],
    done: Checked,
) -> None:
    opened = {row.id for row in done.opened}
    followed = {row.id: row for row in [*done.opened, *done.changed, *done.running, *ended]}
    for row in followed.values():
        rule = rules.get(row.rule_id) if row.rule_id is not None else None
        is_due = row.id in opened or row in done.changed
        touched = touch(session, now, row, rule, mark=heard.mark(row, now), is_due=is_due)
        if row.id in opened:
            room = heard.joined.get(row.zone_id)
            air_c = None if room is None else _last_c(room, now)
            announce_opened(session, now, row, rule, touched, air_c)
    for row in done.ended:
        announce_ended(session, now, row)


def _last_c(room: Joined, now: datetime) -> float | None:
    last = int(np.searchsorted(room.at_s, now.timestamp(), side="right"))
    return float(room.temp_c[last - 1]) if last else None


def _listen(
    session: Session,
    now: datetime,
    site_id: int,
    rules: Sequence[ExcursionRule],
    sensors: Sequence[WatchedSensor],
) -> Heard:
    """Read each room once, as far back as what watches it looks."""
    first: dict[int, datetime] = {}
    for rule in rules:
        from_at = _looked_at_from(rule, now)
        first[rule.zone_id] = min(first.get(rule.zone_id, from_at), from_at)
    for one, other in itertools.pairwise(sensors):
        if one.zone_id == other.zone_id:
            first[one.zone_id] = min(first.get(one.zone_id, now - LOOK_BACK), now - LOOK_BACK)
    together: dict[datetime, list[int]] = defaultdict(list)
    for zone_id, from_at in first.items():
        together[from_at].append(zone_id)
    series: dict[int, list[Series]] = {}
    joined: dict[int, Joined] = {}
    closed_at = climate.closed_until(session, site_id) if first else None
    for from_at, zones in together.items():
        said = climate.series_by_zone(session, site_id, from_at, now, zone_ids=zones)
        series |= said
        if closed_at is None or from_at >= closed_at:
            joined |= {zone_id: join(of_zone) for zone_id, of_zone in said.items()}
        else:
            # A long count reaches back to where only the means of hours are left.
            joined |= climate.joined_by_zone(session, site_id, from_at, now, zone_ids=zones)
    return Heard(series, joined)


def _looked_at_from(rule: ExcursionRule, now: datetime) -> datetime:
    return now - LOOK_BACK if rule.kind == "single" else rule.counts_from_at


def _check_rules(
    session: Session,
    now: datetime,
    rules: Sequence[ExcursionRule],
    sensors: Sequence[WatchedSensor],
    heard: Heard,
    road: Road,
    done: Checked,
) -> list[Excursion]:
    """Follow every rule; return the excursions known that are over and lie wholly within what was read."""
    if not rules:
        return []
    first = min(_looked_at_from(rule, now) for rule in rules)
    known: dict[int, list[Excursion]] = defaultdict(list)
    for row in queries.known_of_rules(session, [rule.id for rule in rules], first):
        if row.rule_id is not None:
            known[row.rule_id].append(row)
    over = []
    for rule in rules:
        room = heard.joined.get(rule.zone_id)
        if room is None:
            continue
        from_at = _looked_at_from(rule, now)
        # Other rules may look further back, and a sensor's last reading before all of them comes along: what
        # lies before this rule's own look-back would be found, and announced, anew on every check.
        readings = within(room, from_at.timestamp(), now.timestamp())
        core = queries.core_rule(rule)
        error_c = queries.errors_of(readings, sensors) if rule.guard_c is None else None
        over += [row for row in known[rule.id] if row.ended_at is not None and row.started_at >= from_at]
        if rule.zone_id in road.zone_ids:
            follow_trips(session, now, _of_rule(rule), core, readings, error_c, known[rule.id], road, done)
            continue
        follow(
            session,
            now,
            _of_rule(rule),
            detect(readings, core, error_c=error_c),
            known[rule.id],
            done,
            _first_inside(readings, judged_c(readings.temp_c, core, error_c), core),
        )
    return over


def _of_rule(rule: ExcursionRule) -> Subject:
    return Subject(
        rule.site_id,
        rule.zone_id,
        ExcursionKind.TOO_WARM if rule.side == Side.ABOVE else ExcursionKind.TOO_COLD,
        rule.severity,
        rule.limit_c,
        rule.escalate_after_s,
        rule_id=rule.id,
        counts_from_at=rule.counts_from_at if rule.kind == "cumulative" else None,
    )


def _first_inside(readings: Joined, seen_c: FloatArray, rule: Rule) -> Callable[[float], float | None]:
    outside = seen_c >= rule.acts_at_c if rule.side == "above" else seen_c <= rule.acts_at_c
    inside_s = readings.at_s[~outside]

    def after(at_s: float) -> float | None:
        place = int(np.searchsorted(inside_s, at_s, side="right"))
        return float(inside_s[place]) if place < inside_s.size else None

    return after


def _check_pairs(
    session: Session,
    now: datetime,
    site_id: int,
    zone_ids: Collection[int] | None,
    sensors: Sequence[WatchedSensor],
    heard: Heard,
    road: Road,
    done: Checked,
) -> None:
    """Hold every two active sensors of a room against each other; of a vehicle, on its present trip only."""
    first = now - LOOK_BACK
    known: dict[tuple[int, int], list[Excursion]] = defaultdict(list)
    for row in queries.known_of_sensors(session, site_id, ExcursionKind.DISAGREE, first, zone_ids):
        known[row.sensor_id or 0, row.other_sensor_id or 0].append(row)
    for one, other in itertools.combinations(sorted(sensors, key=lambda sensor: sensor.id), 2):
        trip = road.under_way(one.zone_id)
        if one.zone_id != other.zone_id or (one.zone_id in road.zone_ids and trip is None):
            continue
        trip_id, from_at = (None, first) if trip is None else (trip.trip_id, max(first, trip.from_at))
        rows = [row for row in known[one.id, other.id] if row.trip_id == trip_id]
        known[one.id, other.id] = [row for row in known[one.id, other.id] if row.trip_id != trip_id]
        said = {series.sensor_id: series for series in heard.series.get(one.zone_id, ())}
        if one.id not in said or other.id not in said:
            continue
        allowed_c = allowed_difference_c(one.error_c, other.error_c)
        apart = differences(*(_between(said[key], from_at, now) for key in (one.id, other.id)))
        follow(
            session,
            now,
            _of_pair(site_id, one, other, allowed_c, trip_id),
            disagreements(apart, allowed_c=allowed_c),
            [row for row in rows if row.zone_id == one.zone_id],
            done,
            _first_inside(apart, apart.temp_c, beyond(allowed_c)),
        )
    # Of what is left, one was switched off, stands elsewhere or was on a trip that is over: nobody can tell
    # any more.
    for rows in known.values():
        for row in rows:
            if row.ended_at is None:
                end(row, now, done)


def _of_pair(
    site_id: int, one: WatchedSensor, other: WatchedSensor, allowed_c: float, trip_id: int | None
) -> Subject:
    return Subject(
        site_id,
        one.zone_id,
        ExcursionKind.DISAGREE,
        Severity.WARNING,
        allowed_c,
        None,
        sensor_id=one.id,
        other_sensor_id=other.id,
        trip_id=trip_id,
    )


def _between(series: Series, from_at: datetime, until_at: datetime) -> Series:
    inside = slice(
        int(np.searchsorted(series.at_s, from_at.timestamp())),
        int(np.searchsorted(series.at_s, until_at.timestamp(), side="right")),
    )
    return Series(series.sensor_id, series.interval_s, series.at_s[inside], series.temp_c[inside])
