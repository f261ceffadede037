"""Requests and responses about sites, people and devices."""

from pydantic import Field

from rimekeep.access.core.roles import Role
from rimekeep.platform.schemas import Body, Code, Instant, Name, View


class SiteIn(Body):
    """A new site."""

    code: Code
    name: Name
    time_zone: str = Field(
        "UTC", description="IANA name; decides where a day begins.", examples=["Europe/Prague"]
    )
    company_prefix: str = Field("952000", description="GS1 Company Prefix; 952… is set aside for examples.")


class SiteOut(View):
    """A site."""

    id: int
    code: str
    name: str
    time_zone: str
    company_prefix: str
    created_at: Instant


class NewSiteOut(View):
    """A new site with the token of its first admin."""

    site: SiteOut
    token: str = Field(description="Shown this once.")


class PrincipalIn(Body):
    """A new person or device."""

    name: Name
    roles: list[Role] = Field(min_length=1, max_length=len(Role))


class PrincipalOut(View):
    """A person or device."""

    id: int
    kind: str
    name: str
    roles: list[Role]
    is_active: bool
    created_at: Instant


class NewPrincipalOut(View):
    """A new person or device with its token."""

    principal: PrincipalOut
    token: str = Field(description="Shown this once.")


class TokenOut(View):
    """A token."""

    token: str = Field(description="Shown this once.")


class CallerOut(View):
    """Who the token belongs to."""

    id: int
    name: str
    roles: list[Role]
    site: SiteOut
