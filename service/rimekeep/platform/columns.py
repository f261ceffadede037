"""Column types and constraint names shared by all tables."""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, BigInteger, CheckConstraint, DateTime, Dialect, Integer
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeDecorator
from sqlmodel import Field, SQLModel

from rimekeep.wording import packed, unpacked

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s__%(column_0_N_name)s",
    "uq": "uq_%(table_name)s__%(column_0_N_name)s",
    "ck": "ck_%(table_name)s__%(constraint_name)s",
    "fk": "fk_%(table_name)s__%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

# SQLite autoincrements INTEGER keys only; it stores them in 8 bytes all the same.
BigId = BigInteger().with_variant(Integer(), "sqlite")
Json = JSON().with_variant(JSONB(), "postgresql")


class UtcDateTime(TypeDecorator[datetime]):
    """
    An instant, always aware and always UTC.

    SQLite drops the offset, so what comes back gets UTC attached; a naive value is refused on the way in,
    because nobody can say what it means.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware instant into UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"naive datetime {value!r}: instants carry a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Attach or convert to UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Sentences(TypeDecorator[Any]):
    """A JSON document whose sentences of the service's own keep their values: told in any language later."""

    impl = Json
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:
        """Pack them."""
        return packed(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        """Unpack them; what was kept as text before stays text."""
        return unpacked(value)


def worded(*, default: type = dict) -> Any:
    """Return the field of a JSON document that holds sentences of the service's own."""
    return Field(default_factory=default, sa_type=Sentences, nullable=False)


def key() -> Any:
    """Return the field of a generated primary key."""
    return Field(default=None, primary_key=True, sa_type=BigId)


def ref(target: str, *, nullable: bool = False, index: bool = False) -> Any:
    """Return the field of a foreign key to ``target`` ("table.column")."""
    if nullable:
        return Field(default=None, foreign_key=target, sa_type=BigId, nullable=True, index=index)
    return Field(foreign_key=target, sa_type=BigId, nullable=False, index=index)


def instant(*, nullable: bool = False, index: bool = False) -> Any:
    """Return the field of an instant."""
    if nullable:
        return Field(default=None, sa_type=UtcDateTime, nullable=True, index=index)
    return Field(sa_type=UtcDateTime, nullable=False, index=index)


def document(*, default: type = dict) -> Any:
    """Return the field of a JSON document."""
    return Field(default_factory=default, sa_type=Json, nullable=False)


def one_of(column: str, words: type[StrEnum]) -> CheckConstraint:
    """Return the constraint that ``column`` holds one of the enum's words."""
    listed = ", ".join(f"'{word.value}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)
