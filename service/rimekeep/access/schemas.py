"""Requests and responses about sites, people and devices."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, SecretStr, StringConstraints, model_validator

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.retention import Jurisdiction, Record
from rimekeep.access.core.roles import Role, SignedInBy
from rimekeep.platform.schemas import Body, Code, Instant, Name, Reason, View, wrong
from rimekeep.wording import say

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
    records_under: Jurisdiction | None = Field(description="By whose rules records are kept; null: not said.")
    created_at: Instant


class SiteChangeIn(Body):
    """What is to be different about a site from now on; what is reserved already stays so."""

    promises_by: PromisesBy | None = Field(
        None,
        description="median, or cautious: one pack in ten ends before that date. Stock is taken in the order "
        "of the median either way. Left out: as it is.",
    )
    currency: Currency | None = Field(None, description="ISO 4217 code money is told in. Left out: as it is.")
    records_under: Jurisdiction | None = Field(
        None,
        description="By whose rules records are kept: what is past its time and may be removed is. Left out: "
        "as it is.",
    )
    reason: Reason

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if not self.model_fields_set & {"promises_by", "currency", "records_under"}:
            raise wrong("nothing is to be changed", "Give the fields that are to be different.")
        for name in self.model_fields_set:
            if getattr(self, name) is None:
                raise wrong(say("{name} cannot be null", name=name), "Give it, or leave it out to keep it.")
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


class RolesIn(Body):
    """The roles somebody has from now on."""

    roles: list[Role] = Field(min_length=1, max_length=len(Role))
    reason: Reason


class RotationIn(Body):
    """How a new token takes over."""

    overlap_s: int = Field(
        0,
        ge=0,
        le=604_800,
        strict=True,
        description="How long the tokens before still hold; 0 ends them, and the holder's sessions, at once.",
    )


class TokenOut(View):
    """A token."""

    token: str = Field(description="Shown this once.")


class CallerOut(View):
    """Who the token or the session belongs to."""

    id: int
    name: str
    roles: list[Role]
    site: SiteOut
    csrf_token: str | None = Field(
        description="What changes asked for by the session's cookie send as X-CSRF-Token; null for a token."
    )


class RecordsKeptOut(View):
    """How one kind of record is kept."""

    record: Record
    oldest_at: Instant | None = Field(description="When the oldest was made; null: there are none.")
    keep_days: int | None = Field(description="How long they are kept at least; null: not said.")
    source: str | None = Field(description="Where that is written. Not legal advice.")
    certainty: str | None = Field(description="How the source was seen.")
    is_past: bool = Field(description="The oldest is past its time.")
    is_removable: bool = Field(description="The service removes them then; others stay.")


class RecordsOut(View):
    """How the records of the site are kept."""

    records_under: Jurisdiction | None
    kinds: list[RecordsKeptOut]


class AuditEntryOut(View):
    """One change of one thing."""

    id: int
    at: Instant
    actor_id: int | None = Field(description="Who; null: the service itself.")
    actor: str | None = Field(description="Their name, if they are of this site.")
    via: str = Field(description="The token or session they came with; empty: none.", examples=["token 7"])
    address: str = Field(description="The address they came from; empty: none.")
    request_id: str = Field(description="The request, as in the log.")
    action: Literal["added", "changed", "removed"]
    object_kind: str = Field(examples=["customer_rule"])
    object_id: str
    before: dict[str, Any] = Field(description="What is no more; of a change, only what differs.")
    after: dict[str, Any] = Field(description="What is so now. Secrets are withheld.")
    reason: str | None


ValidHours = Annotated[int, Field(ge=1, le=336, strict=True, description="Hours until the code expires.")]
Login = Annotated[
    str,
    StringConstraints(min_length=2, max_length=120, pattern=r"^\S(.*\S)?$"),
    Field(description="What they sign in as, a mail address for instance; capitals do not matter."),
]


class InvitationIn(Body):
    """A new person, who sets a password of their own."""

    name: Name
    roles: list[Role] = Field(min_length=1, max_length=len(Role))
    login: Login | None = Field(None, description="What they sign in as; null: their name.")
    valid_hours: ValidHours = 72


class InvitationAgainIn(Body):
    """Another invitation, for somebody who is there already."""

    login: Login | None = Field(None, description="What they sign in as; null: as before, or their name.")
    valid_hours: ValidHours = 72


class InvitationOut(View):
    """An invitation."""

    id: int
    principal_id: int
    name: str
    login: str
    created_at: Instant
    expires_at: Instant
    used_at: Instant | None
    withdrawn_at: Instant | None


class NewInvitationOut(View):
    """A new invitation."""

    id: int
    principal_id: int
    expires_at: Instant
    code: str = Field(description="Shown this once.")
    path: str = Field(description="The page where it is used, at this server's address. Shown this once.")


class PasswordIn(Body):
    """Another password."""

    proof: SecretStr = Field(max_length=500, description="The password so far, or the caller's own token.")
    password: SecretStr = Field(max_length=500, description="12 to 200 characters.")


class SessionOut(View):
    """Somebody signed in at a browser."""

    id: int
    principal_id: int
    opened_by: SignedInBy
    address: str = Field(description="Where it was opened from.")
    agent: str = Field(description="What the browser calls itself.")
    created_at: Instant
    expires_at: Instant
    ended_at: Instant | None
