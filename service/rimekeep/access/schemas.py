"""Requests and responses about sites, people and devices."""

from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import Role
from rimekeep.platform.schemas import Body, Code, Instant, Name, Reason, View

Currency = Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$"), Field(examples=["EUR"])]


class SiteIn(Body):
    """A new site."""

    code: Code
    name: Name
    time_zone: str = Field(
        "UTC", description="IANA name; decides where a day begins.", examples=["Europe/Prague"]
    )
    company_prefix: str = Field("952000", description="GS1 Company Prefix; 952… is set aside for examples.")
    currency: Currency | None = Field(None, description="ISO 4217 code money is told in; null: not said.")


class SiteOut(View):
    """A site."""

    id: int
    code: str
    name: str
    time_zone: str
    company_prefix: str
    currency: str | None = Field(description="ISO 4217 code money is told in; null: not said.")
    promises_by: PromisesBy = Field(description="The end of life its customers are promised by.")
    created_at: Instant


class SiteChangeIn(Body):
    """What is to be different about a site from now on; what is reserved already stays so."""

    promises_by: PromisesBy | None = Field(
        None,
        description="median, or cautious: one pack in ten ends before that date. Stock is taken in the order "
        "of the median either way. Left out: as it is.",
    )
    currency: Currency | None = Field(None, description="ISO 4217 code money is told in. Left out: as it is.")
    reason: Reason

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if not self.model_fields_set & {"promises_by", "currency"}:
            raise ValueError("nothing is to be changed | Give the fields that are to be different.")
        for name in self.model_fields_set:
            if getattr(self, name) is None:
                raise ValueError(f"{name} cannot be null | Give it, or leave it out to keep it.")
        return self


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
