"""Sites, people, devices."""

from fastapi import Response

from rimekeep.access import queries, schemas, usecases
from rimekeep.access.core.roles import Caller, PrincipalKind
from rimekeep.access.dependencies import AdminDep, LeadDep, QaDep, ReaderDep, TokenGiverDep
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, etag_of
from rimekeep.platform.http import Now, SessionDep, router
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

routes = router("", "access")


@routes.get("/me")
def who_am_i(session: SessionDep, caller: ReaderDep) -> schemas.CallerOut:
    """Tell who the token belongs to."""
    site = schemas.SiteOut.model_validate(queries.site_of(session, caller.site_id))
    return schemas.CallerOut(id=caller.id, name=caller.name, roles=sorted(caller.roles), site=site)


@routes.post("/sites", status_code=201)
def open_site(
    body: schemas.SiteIn, session: SessionDep, now: Now, caller: TokenGiverDep
) -> schemas.NewSiteOut:
    """Open another site; its admin's token is in the answer, once."""
    site, token = usecases.open_new_site(session, now, **body.model_dump())
    return schemas.NewSiteOut(site=schemas.SiteOut.model_validate(site), token=token)


@routes.get("/sites/{site_id}")
def show_site(site_id: Id, session: SessionDep, caller: ReaderDep, response: Response) -> schemas.SiteOut:
    """Show the caller's own site."""
    return _shown(schemas.SiteOut.model_validate(queries.own_site(session, caller, site_id)), response)


@routes.patch("/sites/{site_id}", responses=CONDITIONAL)
def change_site(
    site_id: Id,
    body: schemas.SiteChangeIn,
    session: SessionDep,
    now: Now,
    caller: QaDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.SiteOut:
    """
    Say by which end of life the site's customers are promised, for which QA answers, or the currency.

    What is reserved stays reserved. From then on stock is promised, and scans checked, by the date chosen.
    """
    site = queries.own_site(session, caller, site_id, is_locked=True)
    condition.check(etag_of(schemas.SiteOut.model_validate(site)))
    usecases.change_site(session, now, caller, site, **body.model_dump(exclude_unset=True))
    return _shown(schemas.SiteOut.model_validate(site), response)


def _shown(site: schemas.SiteOut, response: Response) -> schemas.SiteOut:
    response.headers["ETag"] = etag_of(site)
    return site


@routes.post("/people", status_code=201)
def add_person(
    body: schemas.PrincipalIn, session: SessionDep, now: Now, caller: TokenGiverDep
) -> schemas.NewPrincipalOut:
    """Add a person; their token is in the answer, once."""
    return _add(body, session, now, caller, PrincipalKind.PERSON)


@routes.post("/devices", status_code=201)
def add_device(
    body: schemas.PrincipalIn, session: SessionDep, now: Now, caller: TokenGiverDep
) -> schemas.NewPrincipalOut:
    """Add a handheld or gateway; its token is in the answer, once."""
    return _add(body, session, now, caller, PrincipalKind.DEVICE)


def _add(
    body: schemas.PrincipalIn, session: SessionDep, now: Now, caller: Caller, kind: PrincipalKind
) -> schemas.NewPrincipalOut:
    added, token = usecases.add_principal(
        session, now, caller.site_id, kind=kind, name=body.name, roles=body.roles, by=caller
    )
    return schemas.NewPrincipalOut(principal=schemas.PrincipalOut.model_validate(added), token=token)


@routes.get("/people")
def list_people(session: SessionDep, caller: LeadDep, asked: PageDep) -> Page[schemas.PrincipalOut]:
    """List the people of the site."""
    return asked.show(session, queries.principals(caller.site_id, PrincipalKind.PERSON), schemas.PrincipalOut)


@routes.get("/devices")
def list_devices(session: SessionDep, caller: LeadDep, asked: PageDep) -> Page[schemas.PrincipalOut]:
    """List the devices of the site."""
    return asked.show(session, queries.principals(caller.site_id, PrincipalKind.DEVICE), schemas.PrincipalOut)


@routes.post("/principals/{principal_id}/token", status_code=201)
def rotate_token(principal_id: Id, session: SessionDep, now: Now, caller: TokenGiverDep) -> schemas.TokenOut:
    """Revoke a person's or device's tokens and issue a new one."""
    return schemas.TokenOut(token=usecases.rotate_token(session, now, caller, principal_id))


@routes.post("/principals/{principal_id}/deactivate")
def deactivate(principal_id: Id, session: SessionDep, now: Now, caller: AdminDep) -> schemas.PrincipalOut:
    """Shut a person or device out."""
    return schemas.PrincipalOut.model_validate(usecases.deactivate(session, now, caller, principal_id))
