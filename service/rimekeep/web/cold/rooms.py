"""Rooms at a glance: their last reading and its age, their last day, what is wrong there now."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from rimekeep.access.queries import site_of
from rimekeep.climate.queries import ZoneNow, zone_airs, zone_now
from rimekeep.stock.core.states import ROOMS, ZoneKind
from rimekeep.web.cold.picture import Trend, trend
from rimekeep.web.cold.queries import OpenThere, open_by_zone

LAST = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Room:
    """A room or a truck's load space as it is now."""

    now: ZoneNow
    trend: Trend | None
    wrong: list[OpenThere]

    @property
    def is_truck(self) -> bool:
        """Tell whether it stands on wheels."""
        return self.now.zone_kind == ZoneKind.VEHICLE


def view(session: Session, site_id: int, now: datetime) -> dict[str, object]:
    """Return everything the page shows, as of ``now``."""
    site = site_of(session, site_id)
    heard = zone_now(session, site_id, now)
    spoken = [one for one in heard if one.at is not None and one.at > now - LAST]
    airs = zone_airs(session, site_id, {one.zone_id: (now - LAST, now) for one in spoken})
    wrong = open_by_zone(session, site_id)
    rooms = [
        Room(
            one,
            trend(airs[one.zone_id], one.planned_c) if one.zone_id in airs else None,
            wrong.get(one.zone_id, []),
        )
        for one in heard
    ]
    return {
        "site": site,
        "zone": ZoneInfo(site.time_zone),
        "now": now,
        "rooms": [room for room in rooms if room.now.zone_kind in ROOMS],
        # A truck that has no sensor says nothing here.
        "trucks": [room for room in rooms if room.is_truck and room.now.at is not None],
    }
