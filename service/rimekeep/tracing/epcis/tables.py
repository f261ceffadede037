"""EPCIS events, the site's own and its partners', and what they are found by."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, LargeBinary, String, Text, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from rimekeep.platform.columns import document, instant, key, one_of, ref
from rimekeep.tracing.epcis.core.states import CaptureState, OnError


class EpcisSite(SQLModel, table=True):
    """How a site speaks EPCIS, and up to which event of the ledger it has spoken."""

    __tablename__ = "epcis_site"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    # Its Global Location Number; null: it has none, and places have names of our own.
    gln: str | None = None
    # Names as EPC URNs where nothing else is asked for; otherwise as GS1 Digital Links.
    with_urns: bool = False
    told_seq: int = Field(default=0, sa_type=BigInteger)


class EpcisEvent(SQLModel, table=True):
    """One EPCIS event. Rows are only added."""

    __tablename__ = "epcis_event"
    __table_args__ = (
        UniqueConstraint("site_id", "event_uid", "declared"),
        Index("ix_epcis_event__event_at", "site_id", "event_at", "id"),
        Index("ix_epcis_event__record_at", "site_id", "record_at", "id"),
        Index("ix_epcis_event__type_event_at", "site_id", "event_type", "action", "event_at", "id"),
        Index("ix_epcis_event__type_record_at", "site_id", "event_type", "action", "record_at", "id"),
        Index("ix_epcis_event__action_event_at", "site_id", "action", "event_at", "id"),
        Index("ix_epcis_event__action_record_at", "site_id", "action", "record_at", "id"),
        Index("ix_epcis_event__biz_step", "site_id", "biz_step", "event_at", "id"),
        Index("ix_epcis_event__read_point", "site_id", "read_point", "event_at", "id"),
        Index("ix_epcis_event__biz_location", "site_id", "biz_location", "event_at", "id"),
    )
    id: int = key()
    site_id: int = ref("site.id")
    event_uid: str
    # When it was declared an error; empty: it was not. A declaration repeats the event it takes back.
    declared: str = ""
    event_type: str
    action: str | None = None
    biz_step: str | None = None
    disposition: str | None = None
    read_point: str | None = None
    biz_location: str | None = None
    event_at: datetime = instant()
    record_at: datetime = instant()
    # The document it came with; null: one of the site's own, out of the ledger.
    capture_id: int | None = ref("epcis_capture.id", nullable=True)
    ledger_seq: int | None = Field(default=None, sa_type=BigInteger)
    digest: str
    # As text, so that what a partner sent is given back as it was sent.
    body: str = Field(sa_type=Text)


class EpcisKey(SQLModel, table=True):
    """A name an event mentions, and in which role."""

    __tablename__ = "epcis_key"
    site_id: int = Field(primary_key=True, foreign_key="site.id", sa_type=BigInteger)
    value: str = Field(primary_key=True)
    role: str = Field(primary_key=True)
    event_id: int = Field(primary_key=True, foreign_key="epcis_event.id", sa_type=BigInteger)


class EpcisCapture(SQLModel, table=True):
    """A document a partner sent, and what became of it."""

    __tablename__ = "epcis_capture"
    __table_args__ = (
        one_of("state", CaptureState),
        one_of("on_error", OnError),
        CheckConstraint("(ended_at IS NULL) = (state = 'waiting')", name="ended"),
        Index(
            "ix_epcis_capture__waiting",
            "id",
            sqlite_where=text("state = 'waiting'"),
            postgresql_where=text("state = 'waiting'"),
        ),
    )
    id: int = key()
    site_id: int = ref("site.id", index=True)
    asked_by: int = ref("principal.id")
    asked_at: datetime = instant()
    ended_at: datetime | None = instant(nullable=True)
    state: str = Field(default=CaptureState.WAITING, sa_type=String)
    on_error: str = Field(default=OnError.ROLLBACK, sa_type=String)
    # As it came; emptied once it is worked off, when the events hold what it said.
    body: bytes = Field(sa_type=LargeBinary)
    sha256: str
    attempts: int = 0
    events: int = 0
    stored: int = 0
    repeated: int = 0
    errors: list[dict[str, Any]] = document(default=list)
