"""Follow a rule on a vehicle: each trip by itself, and only while goods are on board."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from rimekeep.climate.core.air import Joined
from rimekeep.climate.core.readings import FloatArray
from rimekeep.excursions.core.detection import judged_c
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.trips import detect_between, first_after
from rimekeep.excursions.queries import Road
from rimekeep.excursions.tables import Excursion, TripWatch
from rimekeep.excursions.usecases.follow import Checked, Subject, end, follow


def follow_trips(
    session: Session,
    now: datetime,
    subject: Subject,
    rule: Rule,
    readings: Joined,
    error_c: FloatArray | None,
    known: Sequence[Excursion],
    road: Road,
    done: Checked,
) -> None:
    """
    Bring the excursions of a rule on a vehicle up to what was read while goods were on board.

    A count of time outside begins anew with every trip. What was found on a trip whose end has since been
    brought forward is ended with it and stays on record.
    """
    trips = road.by_trip(subject.zone_id)
    seen_c = judged_c(readings.temp_c, rule, error_c)
    outside = seen_c >= rule.acts_at_c if rule.side == "above" else seen_c <= rule.acts_at_c
    inside_s = readings.at_s[~outside]
    for trip_id, watches in trips.items():
        spells = [_spell(one) for one in watches]
        found = [
            one
            for from_s, until_s in spells
            for one in detect_between(readings, rule, error_c=error_c, from_s=from_s, until_s=until_s)
        ]
        follow(
            session,
            now,
            # Told apart by when they were: the count of a trip is over with it.
            replace(subject, trip_id=trip_id, counts_from_at=None),
            found,
            [row for row in known if row.trip_id == trip_id],
            done,
            lambda at_s, spells=spells: first_after(at_s, inside_s, spells),  # type: ignore[misc]
        )
    for row in known:
        if row.trip_id not in trips and row.ended_at is None:
            end(row, now, done)


def _spell(watch: TripWatch) -> tuple[float, float | None]:
    return watch.from_at.timestamp(), None if watch.until_at is None else watch.until_at.timestamp()
