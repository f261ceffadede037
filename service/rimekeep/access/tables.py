"""Who may: sites, the people and devices at them, their tokens, passwords and sessions."""

from datetime import datetime

from sqlalchemy import BigInteger, String, UniqueConstraint
from sqlmodel import Field, SQLModel

from rimekeep.access.core.promises import PromisesBy
from rimekeep.access.core.roles import PrincipalKind, SignedInBy
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
    # By whose rules records are kept; null: not said, and nothing is removed.
    records_under: str | None = None
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
    """A bearer token; only its hash is stored. A time of revocation yet to come is when its overlap ends."""

    __tablename__ = "access_token"
    id: int = key()
    principal_id: int = ref("principal.id", index=True)
    token_hash: str = Field(unique=True)
    created_at: datetime = instant()
    revoked_at: datetime | None = instant(nullable=True)


class Credential(SQLModel, table=True):
    """What a person signs in with: a login that is one of a kind at the site, and the hash of a password."""

    __tablename__ = "credential"
    __table_args__ = (UniqueConstraint("site_id", "login"),)
    principal_id: int = Field(primary_key=True, foreign_key="principal.id", sa_type=BigInteger)
    site_id: int = ref("site.id")
    login: str
    # Null until the person has chosen one.
    password_hash: str | None = None
    set_at: datetime | None = instant(nullable=True)


class Invitation(SQLModel, table=True):
    """A code by which a person sets a password, once; only its hash is stored."""

    __tablename__ = "invitation"
    id: int = key()
    site_id: int = ref("site.id")
    principal_id: int = ref("principal.id", index=True)
    made_by_id: int = ref("principal.id")
    code_hash: str = Field(unique=True)
    created_at: datetime = instant()
    expires_at: datetime = instant()
    used_at: datetime | None = instant(nullable=True)
    withdrawn_at: datetime | None = instant(nullable=True)


class BrowserSession(SQLModel, table=True):
    """Somebody signed in with a browser; only hashes of its cookies are stored."""

    __tablename__ = "browser_session"
    __table_args__ = (one_of("opened_by", SignedInBy),)
    id: int = key()
    principal_id: int = ref("principal.id", index=True)
    secret_hash: str = Field(unique=True)
    # The browser's own mark, which stays from one session to the next.
    device_hash: str = Field(index=True)
    opened_by: str = Field(sa_type=String)
    address: str
    agent: str
    created_at: datetime = instant()
    expires_at: datetime = instant()
    ended_at: datetime | None = instant(nullable=True)


class SignInPace(SQLModel, table=True):
    """How often in a row a password was wrong, by one way of trying; names and addresses are kept hashed."""

    __tablename__ = "sign_in_pace"
    key: str = Field(primary_key=True)
    failures: int
    last_at: datetime = instant(index=True)


class SignOnLink(SQLModel, table=True):
    """An account at a provider of single sign-on, and whose it is: one a provider for each person."""

    __tablename__ = "sign_on_link"
    __table_args__ = (UniqueConstraint("issuer", "subject"), UniqueConstraint("principal_id", "issuer"))
    id: int = key()
    principal_id: int = ref("principal.id")
    issuer: str
    subject: str
    tied_at: datetime = instant()


class SignOnUsed(SQLModel, table=True):
    """An answer of a provider that came back already; what it answered to is kept hashed."""

    __tablename__ = "sign_on_used"
    state_hash: str = Field(primary_key=True)
    used_at: datetime = instant(index=True)
