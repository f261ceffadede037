"""Whose the pages of setting up are, and what everybody else is told."""

from collections.abc import Collection
from http import HTTPStatus

from fastapi import Request
from fastapi.responses import HTMLResponse

from rimekeep.access.core.roles import Caller, Role
from rimekeep.web.rendering import render


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


# What each role is called on a page; the keys are what the API knows.
ROLE_WORDS = {
    Role.PICKER: _("picker"),
    Role.DISPATCHER: _("dispatcher"),
    Role.QA: _("QA"),
    Role.LEAD: _("lead"),
    Role.GATEWAY: _("gateway"),
    Role.AUDITOR: _("auditor"),
    Role.ADMIN: _("admin"),
}


def is_one_of(caller: Caller, roles: Collection[Role]) -> bool:
    """Tell whether one of the roles is the caller's; an admin's every one is."""
    return Role.ADMIN in caller.roles or not caller.roles.isdisjoint(roles)


def not_yours(request: Request, caller: Caller, roles: Collection[Role]) -> HTMLResponse:
    """Tell whose a page is."""
    words = [ROLE_WORDS[role] for role in Role if role in roles or role is Role.ADMIN]
    return render(request, "setup/not_yours.html", {"caller": caller, "words": words}, HTTPStatus.FORBIDDEN)
