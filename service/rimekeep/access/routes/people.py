"""Sites, people, devices."""

from typing import Any

from fastapi import Request, Response

from rimekeep.access import queries, schemas, usecases
from rimekeep.access.core.roles import Caller, PrincipalKind
from rimekeep.access.dependencies import COOKIE, AdminDep, LeadDep, QaDep, ReaderDep, TokenGiverDep
from rimekeep.access.routes.router import routes
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, etag_of, tagged
from rimekeep.platform.http import LIMITED, Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


@routes.get("/me")
def who_am_i(request: Request, session: SessionDep, caller: ReaderDep) -> schemas.CallerOut:
    """Tell who the token or the session belongs to."""
    site = schemas.SiteOut.model_validate(queries.site_of(session, caller.site_id))
    secret = request.cookies.get(COOKIE) if caller.via.startswith("session") else None
    return schemas.CallerOut(
        id=caller.id,
        name=caller.name,
        roles=sorted(caller.roles),
        site=site,
        csrf_token=None if secret is None else usecases.csrf_token(secret),
    )


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


@routes.get("/principals/{principal_id}")
def show_principal(
    principal_id: Id, session: SessionDep, caller: LeadDep, response: Response
) -> schemas.PrincipalOut:
    """Show a person or device."""
    return tagged(response, schemas.PrincipalOut, queries.principal(session, caller.site_id, principal_id))


@routes.patch("/principals/{principal_id}", responses=CONDITIONAL)
def change_roles(
    principal_id: Id,
    body: schemas.RolesIn,
    session: SessionDep,
    now: Now,
    caller: AdminDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.PrincipalOut:
    """Give a person or device other roles."""
    holder = queries.principal(session, caller.site_id, principal_id, is_locked=True)
    condition.require(schemas.PrincipalOut, holder)
    usecases.change_roles(session, now, caller, holder, roles=body.roles, reason=body.reason)
    return tagged(response, schemas.PrincipalOut, holder)


@routes.post("/principals/{principal_id}/token", status_code=201)
def rotate_token(
    principal_id: Id,
    session: SessionDep,
    now: Now,
    caller: TokenGiverDep,
    body: schemas.RotationIn | None = None,
) -> schemas.TokenOut:
    """Issue a new token to a person or device; the ones before end at once, or after an overlap."""
    overlap_s = 0 if body is None else body.overlap_s
    token = usecases.rotate_token(session, now, caller, principal_id, overlap_s=overlap_s)
    return schemas.TokenOut(token=token)


@routes.post("/principals/{principal_id}/deactivate")
def deactivate(principal_id: Id, session: SessionDep, now: Now, caller: AdminDep) -> schemas.PrincipalOut:
    """Shut a person or device out: their tokens, sessions and invitations end at once."""
    return schemas.PrincipalOut.model_validate(usecases.deactivate(session, now, caller, principal_id))


@routes.post("/invitations", status_code=201)
def invite(
    body: schemas.InvitationIn, session: SessionDep, now: Now, caller: TokenGiverDep
) -> schemas.NewInvitationOut:
    """Add a person who sets a password of their own; the code for it is in the answer, once."""
    return _invited(*usecases.invite_person(session, now, caller, **body.model_dump()))


@routes.post("/principals/{principal_id}/invitation", status_code=201)
def invite_again(
    principal_id: Id,
    body: schemas.InvitationAgainIn,
    session: SessionDep,
    now: Now,
    caller: TokenGiverDep,
) -> schemas.NewInvitationOut:
    """Invite somebody who is there already to set a password; earlier codes are withdrawn."""
    return _invited(*usecases.invite_again(session, now, caller, principal_id, **body.model_dump()))


def _invited(made: Any, code: str) -> schemas.NewInvitationOut:
    return schemas.NewInvitationOut(
        id=made.id,
        principal_id=made.principal_id,
        expires_at=made.expires_at,
        code=code,
        path=f"/invitation?code={code}",
    )


@routes.get("/invitations")
def list_invitations(session: SessionDep, caller: LeadDep, asked: PageDep) -> Page[schemas.InvitationOut]:
    """List the site's invitations, used ones too; their codes are not known here."""
    return asked.show(session, queries.invitations(caller.site_id), schemas.InvitationOut)


@routes.post("/invitations/{invitation_id}/withdraw", status_code=204)
def withdraw_invitation(invitation_id: Id, session: SessionDep, now: Now, caller: AdminDep) -> Response:
    """Withdraw an invitation nobody has used."""
    usecases.withdraw_invitation(session, now, caller, invitation_id)
    return Response(status_code=204)


@routes.post("/me/password", status_code=204, responses=LIMITED)
def change_password(body: schemas.PasswordIn, session: SessionDep, now: Now, caller: ReaderDep) -> Response:
    """Change the caller's own password; their other sessions end."""
    proof, password = body.proof.get_secret_value(), body.password.get_secret_value()
    usecases.change_password(session, now, caller, proof=proof, password=password)
    return Response(status_code=204)


@routes.get("/sessions")
def list_own_sessions(session: SessionDep, caller: ReaderDep, asked: PageDep) -> Page[schemas.SessionOut]:
    """List where the caller is or was signed in."""
    return asked.show(session, queries.sessions_of(caller.id), schemas.SessionOut)


@routes.get("/principals/{principal_id}/sessions")
def list_sessions(
    principal_id: Id, session: SessionDep, caller: AdminDep, asked: PageDep
) -> Page[schemas.SessionOut]:
    """List where somebody is or was signed in."""
    holder = queries.principal(session, caller.site_id, principal_id)
    return asked.show(session, queries.sessions_of(holder.id), schemas.SessionOut)


@routes.post("/sessions/{session_id}/end")
def end_session(session_id: Id, session: SessionDep, now: Now, caller: ReaderDep) -> schemas.SessionOut:
    """End a session of the caller's own, or as admin of anybody."""
    return schemas.SessionOut.model_validate(usecases.end_session(session, now, caller, session_id))
