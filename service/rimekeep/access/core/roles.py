"""The roles at a site and what a caller is known by."""

from dataclasses import dataclass, field
from enum import StrEnum


class Role(StrEnum):
    """What somebody does at the site. A caller may have several."""

    PICKER = "picker"
    DISPATCHER = "dispatcher"
    QA = "qa"
    LEAD = "lead"
    GATEWAY = "gateway"
    AUDITOR = "auditor"
    ADMIN = "admin"


# Whoever works on the floor or in the office may look; a gateway only sends.
READERS = (Role.PICKER, Role.DISPATCHER, Role.QA, Role.LEAD, Role.AUDITOR, Role.ADMIN)


class PrincipalKind(StrEnum):
    """What kind of caller."""

    PERSON = "person"
    DEVICE = "device"


class SignedInBy(StrEnum):
    """What somebody showed to open a session."""

    PASSWORD = "password"  # noqa: S105 - a word for it, not one
    TOKEN = "token"  # noqa: S105
    INVITATION = "invitation"
    SIGN_ON = "sign-on"


@dataclass(frozen=True, slots=True)
class Caller:
    """Who is asking: known from the token or the session, trusted by everything below."""

    id: int
    site_id: int
    name: str
    roles: frozenset[Role]
    # The token or session they are known by ("token 7"); empty for jobs and the command line.
    via: str = field(default="", compare=False)
