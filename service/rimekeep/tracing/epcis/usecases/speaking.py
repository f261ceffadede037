"""Say how a site speaks EPCIS."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import invalid
from rimekeep.platform.journal import Event, record
from rimekeep.tracing.epcis.core.names import is_valid_gln
from rimekeep.tracing.epcis.tables import EpcisSite
from rimekeep.tracing.epcis.usecases.telling import speaking


def set_speaking(
    session: Session,
    now: datetime,
    caller: Caller,
    *,
    changes: Mapping[str, Any],
    check: Callable[[EpcisSite], None],
) -> EpcisSite:
    """
    Set a site's ``gln`` or ``with_urns``; ``check`` sees the state before, locked, and may raise.

    What was told before stays as it was told.
    """
    found = speaking(session, caller.site_id)
    check(found)
    before = {"gln": found.gln, "with_urns": found.with_urns}
    after = {**before, **changes}
    gln = after["gln"]
    if gln is not None and not is_valid_gln(gln):
        raise invalid("gln", f"{gln!r} is no GLN.", "Give its 13 digits, the check digit right.")
    if before != after:
        found.gln, found.with_urns = gln, after["with_urns"]
        session.flush()
        data = {"before": before, "after": after}
        record(session, caller.site_id, Event("epcis.set", now, actor_id=caller.id, data=data))
    return found
