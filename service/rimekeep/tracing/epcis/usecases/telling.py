"""Tell in EPCIS what the ledger has in its own words."""

from datetime import datetime

from sqlalchemy import Table, update
from sqlalchemy.orm import Session

from rimekeep.platform.database import insert_new
from rimekeep.tracing.epcis import queries
from rimekeep.tracing.epcis.core.mapping import events_of
from rimekeep.tracing.epcis.tables import EpcisSite
from rimekeep.tracing.epcis.usecases.storing import known_by, store

# Rows of the ledger in one transaction: few enough that nobody waits long for it on SQLite.
MOST_AT_ONCE = 500
_SITES: Table = EpcisSite.__table__  # type: ignore[attr-defined]


def tell(session: Session, now: datetime, site_id: int, *, most: int = MOST_AT_ONCE) -> bool:
    """Tell the next events of a site's ledger; return whether there were any."""
    speaks = speaking(session, site_id)
    facts, last = queries.news(session, site_id, speaks.told_seq, most)
    if last == speaks.told_seq:
        return False
    house = queries.house(session, site_id)
    made = [(known_by(event), fact.seq) for fact in facts for event in events_of(house, fact)]
    # Nobody can know these ids before us; should somebody claim one all the same, the telling goes on.
    taken = queries.known(session, site_id, [one.uid for one, _ in made])
    fresh = [(one, seq) for one, seq in made if one.name not in taken]
    store(session, now, site_id, [one for one, _ in fresh], seqs=[seq for _, seq in fresh])
    # Past the session: how far the telling is, is no setting that anybody changed.
    session.execute(update(_SITES).where(_SITES.c.site_id == site_id).values(told_seq=last))
    session.expire(speaks, ["told_seq"])
    return True


def speaking(session: Session, site_id: int) -> EpcisSite:
    """Return how a site speaks, locked; put down on the first occasion."""
    row = {"site_id": site_id, "gln": None, "with_urns": False, "told_seq": 0}
    if session.get(EpcisSite, site_id) is None:
        insert_new(session, _SITES, [row])
    return queries.epcis_site(session, site_id, is_locked=True)
