"""Files taken in over HTTP: one address a kind, for whoever may add such things one by one."""

from typing import Annotated, Any

from fastapi import Depends, Query, Request

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import admits
from rimekeep.errors import Fault, Invalid
from rimekeep.imports import schemas, usecases
from rimekeep.platform.database import undo
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.problems import PROBLEM_JSON, Problem
from rimekeep.wording import say

routes = router("/imports", "imports")

_OFFICE = (Role.DISPATCHER, Role.LEAD)
ROLES: dict[str, tuple[Role, ...]] = {
    "products": (Role.LEAD,),
    "zones": (Role.LEAD,),
    "bays": (Role.LEAD,),
    "lots": (Role.QA, Role.LEAD),
    "units": (Role.LEAD,),
    "sensors": (Role.QA, Role.LEAD),
    "readings": (Role.QA,),
    "forced-ageing": (Role.QA,),
    "customers": _OFFICE,
    "customer-rules": _OFFICE,
    "drops": _OFFICE,
    "orders": _OFFICE,
    "vehicles": _OFFICE,
    "forecast": _OFFICE,
}
BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "text/csv": {"schema": {"type": "string", "format": "binary"}},
            "application/json": {
                "schema": {"oneOf": [{"type": "array", "items": {"type": "object"}}, {"type": "object"}]}
            },
        },
    }
}


async def raw_body(request: Request) -> bytes:
    """Return the body as it came."""
    return await request.body()


def _add_route(kind: str) -> None:
    def import_file(
        request: Request,
        body: Annotated[bytes, Depends(raw_body)],
        session: SessionDep,
        now: Now,
        caller: Annotated[Caller, admits(*ROLES[kind])],
        dry_run: Annotated[
            bool, Query(description="Only tell what would be stored, and every fault; nothing is.")
        ] = False,
        amend: Annotated[
            bool, Query(description="Change what is stored with other facts to what the file says.")
        ] = False,
        encoding: Annotated[
            str | None,
            Query(max_length=40, description="Only of a CSV file in neither UTF-8 nor marked UTF-16."),
        ] = None,
    ) -> schemas.ImportOut:
        run = usecases.run_of(kind, amend=amend, named="amend")
        rows = usecases.read_file(kind, body, encoding=encoding)
        report = usecases.take_rows(session, now, caller, rows, run, lambda _done, _total: None)
        columns = usecases.KINDS[kind].columns
        if dry_run:
            undo(session)
            # What changed nothing may be asked again, and is answered anew.
            request.state.idempotent = None
        elif report.faults:
            raise Invalid(
                "import-refused",
                say(
                    "{n} faults; nothing was stored. Mend them and send the file again.", n=len(report.faults)
                ),
                tuple(
                    Fault(f"line {one.line}, {one.column}".removesuffix(", "), one.detail, one.mend)
                    for one in report.faults
                ),
            )
        return schemas.told(kind, columns, rows, report, is_stored=not dry_run)

    routes.add_api_route(
        f"/{kind}",
        import_file,
        methods=["POST"],
        name=f"import_{kind.replace('-', '_')}",
        summary=f"Import {kind.replace('-', ' ')}",
        description=f"Take in a file of {kind.replace('-', ' ')}, CSV or JSON: all of it or nothing. "
        "Safe to repeat: rows that are there already are left alone.",
        openapi_extra=BODY,
        responses={413: {"model": Problem, "content": {PROBLEM_JSON: {}}}},
    )


for _kind in usecases.KINDS:
    _add_route(_kind)
