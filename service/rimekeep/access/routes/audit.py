"""The audit trail."""

import csv
import io
import json
from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import Depends, Query, Request
from fastapi.responses import StreamingResponse

from rimekeep.access import queries, schemas
from rimekeep.access.dependencies import AuditDep
from rimekeep.access.routes.router import routes
from rimekeep.platform.database import Listing
from rimekeep.platform.http import SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id, Instant

AT_ONCE = 1000
COLUMNS = tuple(schemas.AuditEntryOut.model_fields)
AUDIT_CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}}}, "description": "The entries, one a line."}
}
Words = Annotated[str | None, Query(max_length=120, pattern=r"^[^\x00]*$")]


class Filters:
    """Which entries are asked for."""

    def __init__(
        self,
        object_kind: Annotated[Words, Query(description="What was changed, `customer_rule` say.")] = None,
        object_id: Annotated[Words, Query(description="Which one.")] = None,
        actor_id: Annotated[Id | None, Query(description="Who changed it.")] = None,
        from_at: Annotated[Instant | None, Query(description="From this instant on.")] = None,
        until_at: Annotated[Instant | None, Query(description="Before this instant.")] = None,
    ) -> None:
        """Read the filters of a request."""
        self._asked = {
            "object_kind": object_kind,
            "object_id": object_id,
            "actor_id": actor_id,
            "from_at": from_at,
            "until_at": until_at,
        }

    def of(self, site_id: int) -> Listing:
        """Return the statement."""
        return queries.audit_entries(site_id, **self._asked)  # type: ignore[arg-type]


FiltersDep = Annotated[Filters, Depends()]


@routes.get("/audit")
def show_audit(
    session: SessionDep, caller: AuditDep, asked: PageDep, filters: FiltersDep
) -> Page[schemas.AuditEntryOut]:
    """
    Show who changed which settings and master data, when, from where, from what to what, and why.

    What happened to goods, orders and trips is told by the ledger. The reason is the request's own, or that
    of its `Change-Reason` header.
    """
    return asked.show(session, filters.of(caller.site_id), schemas.AuditEntryOut)


@routes.get("/audit.csv", response_class=StreamingResponse, responses=AUDIT_CSV)
def write_audit(request: Request, caller: AuditDep, filters: FiltersDep) -> StreamingResponse:
    """Write the same as a table."""
    statement, order = filters.of(caller.site_id)
    database = request.app.state.database

    def written() -> Iterator[str]:
        yield _lines([COLUMNS])
        after = 0
        while True:
            # Each part by a transaction of its own: a slow reader must not hold one open.
            with database.transaction(readonly=True) as reading:
                part = statement.where(order[0] > after).order_by(*order).limit(AT_ONCE)
                rows = reading.execute(part).all()
            if not rows:
                return
            yield _lines(_cells(schemas.AuditEntryOut.model_validate(row)) for row in rows)
            after = rows[-1].id

    return StreamingResponse(
        written(),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="audit.csv"'},
    )


def _cells(entry: schemas.AuditEntryOut) -> list[str]:
    shown = entry.model_dump(mode="json")
    return [_cell(shown[name]) for name in COLUMNS]


def _cell(value: Any) -> str:
    if isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    text = "" if value is None else str(value)
    # A spreadsheet would reckon what begins so.
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _lines(rows: Any) -> str:
    written = io.StringIO()
    csv.writer(written, lineterminator="\r\n").writerows(rows)
    return written.getvalue()
