"""Who may: sites, the people and devices at them, and their tokens."""

from datetime import datetime

from sqlalchemy import String, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import PrincipalKind
from rimekeep.platform.columns import document, instant, key, one_of, ref


class Site(SQLModel, table=True):
    """One cold store; everything else belongs to one."""

    __tablename__ = "site"
    __table_args__ = (one_of("promises_by", PromisesBy),)
    id: int = key()
    code: str = Field(unique=True)
    name: str
    time_zone: str
    # The site's own SSCCs are made from this GS1 Company Prefix and the next serial.
    company_prefix: str
    next_serial: int = 1
    # ISO 4217; null: not said, and money is told without a sign.
    currency: str | None = None
    promises_by: str = Field(default=PromisesBy.MEDIAN, sa_type=String)
    created_at: datetime = instant()


class Principal(SQLModel, table=True):
    """A person or a device of one site."""

    __tablename__ = "principal"
    __table_args__ = (UniqueConstraint("site_id", "name"), one_of("kind", PrincipalKind))
    id: int = key()
    site_id: int = ref("site.id")
    kind: str = Field(sa_type=String)
    name: str
    roles: list[str] = document(default=list)
    is_active: bool = True
    created_at: datetime = instant()


class AccessToken(SQLModel, table=True):
    """A bearer token; only its hash is stored."""

    __tablename__ = "access_token"
    id: int = key()
    principal_id: int = ref("principal.id", index=True)
    token_hash: str = Field(unique=True)
    created_at: datetime = instant()
    revoked_at: datetime | None = instant(nullable=True)
