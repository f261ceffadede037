"""How records are kept."""

from rimekeep.access import queries, schemas
from rimekeep.access.dependencies import AuditDep
from rimekeep.access.queries import records
from rimekeep.access.routes.router import routes
from rimekeep.platform.http import Now, SessionDep


@routes.get("/records")
def show_records(session: SessionDep, now: Now, caller: AuditDep) -> schemas.RecordsOut:
    """Tell how long each kind of record is kept, by which source, and which is past its time."""
    site = queries.site_of(session, caller.site_id)
    kept = records.records_kept(session, site, now)
    return schemas.RecordsOut(
        records_under=site.records_under,
        kinds=[schemas.RecordsKeptOut.model_validate(one) for one in kept],
    )
