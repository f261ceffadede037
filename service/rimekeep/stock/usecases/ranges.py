"""Add bays in ranges."""

from datetime import datetime
from itertools import cycle, islice
from secrets import SystemRandom

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, invalid
from rimekeep.platform.journal import Event, record
from rimekeep.stock.core.facts import range_faults, refuse
from rimekeep.stock.core.ranges import CHECK_CODES, BayRange, range_of_bays_faults, repeated
from rimekeep.stock.core.states import BayRole
from rimekeep.stock.tables import Bay
from rimekeep.stock.usecases.catalog import known_zone
from rimekeep.wording import say

_NAMED = 5


def add_bays(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    zone_id: int,
    first_aisle: int,
    last_aisle: int,
    first_slot: int,
    last_slot: int,
    first_level: int,
    last_level: int,
    code_form: str,
    role: str = BayRole.BULK,
    depth: int = 1,
    capacity_units: int | None = None,
) -> list[Bay]:
    """Add every bay of a range, each with a check code nobody can guess; none, if any is there already."""
    zone = known_zone(session, caller.site_id, zone_id)
    asked = BayRange(first_aisle, last_aisle, first_slot, last_slot, first_level, last_level, code_form)
    refuse([*range_faults({"depth": depth, "capacity_units": capacity_units}, "depth", "capacity_units")])
    refuse(range_of_bays_faults(asked))
    places = list(asked.addresses())
    codes = [asked.code(place) for place in places]
    if twice := repeated(codes):
        raise invalid(
            "code_form",
            say("Two bays would be called {twice}.", twice=twice),
            say("Part the numbers by a dash."),
        )
    _refuse_known(session, caller.site_id, zone_id, asked, codes)
    dice = SystemRandom()
    checks = islice(cycle(dice.sample(CHECK_CODES, len(CHECK_CODES))), len(places))
    added = [
        Bay(
            site_id=caller.site_id,
            zone_id=zone.id,
            code=code,
            aisle=place.aisle,
            slot=place.slot,
            level=place.level,
            check_code=check,
            role=role,
            depth=depth,
            capacity_units=capacity_units,
        )
        for place, code, check in zip(places, codes, checks, strict=True)
    ]
    session.add_all(added)
    session.flush()
    data = {"zone_id": zone.id, "ids": [bay.id for bay in added], "codes": codes, "role": str(role)}
    data |= {"depth": depth, "capacity_units": capacity_units}
    record(session, caller.site_id, Event("bays.registered", now, actor_id=caller.id, data=data))
    return added


def _refuse_known(session: Session, site_id: int, zone_id: int, asked: BayRange, codes: list[str]) -> None:
    """Raise where a code is taken, or a place of the range has a bay."""
    taken = session.scalars(
        select(col(Bay.code))
        .where(col(Bay.site_id) == site_id, col(Bay.code).in_(codes))
        .order_by(col(Bay.code))
        .limit(_NAMED)
    ).all()
    if taken:
        words = say(
            "Bays of these codes are there already: {choices}. None was added.", choices=", ".join(taken)
        )
        raise Conflict("bay-exists", words, data={"codes": list(taken)})
    there = session.scalar(
        select(col(Bay.code))
        .where(col(Bay.site_id) == site_id, col(Bay.zone_id) == zone_id)
        .where(
            col(Bay.aisle).between(asked.first_aisle, asked.last_aisle),
            col(Bay.slot).between(asked.first_slot, asked.last_slot),
            col(Bay.level).between(asked.first_level, asked.last_level),
        )
        .order_by(col(Bay.aisle), col(Bay.slot), col(Bay.level))
        .limit(1)
    )
    if there is not None:
        raise Conflict(
            "bay-exists", say("Bay {there} stands in this range already; none was added.", there=there)
        )
