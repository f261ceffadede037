"""
Idempotency keys: a POST that is repeated, by a patchy network or a cautious client, acts once.

The answer is stored in the same transaction as the fact, so a key is known exactly if the fact is.
"""

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import (
    ARRAY,
    BigInteger,
    BindParameter,
    ColumnElement,
    LargeBinary,
    ScalarSelect,
    Select,
    String,
    Table,
    bindparam,
    cast,
    delete,
    func,
    insert,
    select,
)
from sqlalchemy.orm import Session
from sqlmodel import Field, SQLModel

from rimekeep.errors import Conflict, Fault, Invalid
from rimekeep.platform import database
from rimekeep.platform.columns import instant
from rimekeep.platform.straight import Among, Prepared, Row, Rows, Values, ask, ask_all
from rimekeep.wording import say

KEEP = timedelta(days=7)
MAX_KEY_LENGTH = 200
# Stands in place of an answer that held a secret: secrets are never stored.
WITHHELD = "withheld"


class StoredAnswer(SQLModel, table=True):
    """What was answered to one key of one caller."""

    __tablename__ = "stored_answer"
    principal_id: int = Field(primary_key=True, foreign_key="principal.id", sa_type=BigInteger)
    key: str = Field(primary_key=True, max_length=MAX_KEY_LENGTH)
    request_hash: str
    status: int
    media_type: str
    body: bytes = Field(sa_type=LargeBinary)
    at: datetime = instant(index=True)


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer as it is stored, and what it answers."""

    request_hash: str
    status: int
    media_type: str
    body: bytes


class Replay(Exception):  # noqa: N818 - not an error: it carries the answer already given
    """Raised instead of acting again; the HTTP layer sends the stored answer."""

    def __init__(self, key: str, answer: Answer) -> None:
        """Carry the stored answer."""
        super().__init__(key)
        self.status = answer.status
        self.media_type = answer.media_type
        self.body = answer.body


@dataclass(frozen=True, slots=True)
class Found:
    """What is known of a key before anything is done."""

    # Nobody else is at it.
    is_held: bool
    answer: Answer | None = None


_ANSWER = tuple(one.name for one in fields(Answer))
_STORED: Table = StoredAnswer.__table__  # type: ignore[attr-defined]
_REMEMBER = Prepared(insert(_STORED))
_REMEMBER_ALL = Rows(_STORED, ("principal_id", "key", "at", *_ANSWER))
_names = func.unnest(bindparam("names", type_=ARRAY(String))).column_valued("name")
# For PostgreSQL, as all that begins many keys at once.
_CLAIM_ALL = Prepared(select(_names, func.pg_try_advisory_xact_lock(func.hashtextextended(_names, 0))))
_USED = Prepared(
    select(_STORED.c.principal_id, _STORED.c.key).where(
        Among(_STORED.c.principal_id, "principals"), Among(_STORED.c.key, "keys")
    )
)


class Keys:
    """
    The questions that begin a key, asked together with who its caller is.

    ``principal`` finds the caller's id by parameters of its own, ``caller`` the caller, whose id is
    ``caller_id``. On PostgreSQL the key is held from the first question on, before the second one looks for
    the answer. On SQLite the write lock already makes writers take turns, so there is nothing to hold.
    """

    def __init__(
        self, principal: ScalarSelect[int], caller: Select[*tuple[Any, ...]], caller_id: ColumnElement[int]
    ) -> None:
        """Prepare the questions."""
        called: BindParameter[str] = bindparam("called", type_=String)
        name = cast(principal, String).concat(":").concat(called)
        self._claim = Prepared(select(func.pg_try_advisory_xact_lock(func.hashtextextended(name, 0))))
        self._answer = Prepared(
            caller.outerjoin(
                _STORED, (_STORED.c.principal_id == caller_id) & (_STORED.c.key == called)
            ).add_columns(*(_STORED.c[name] for name in _ANSWER))
        )

    def ask(self, session: Session, key: str, values: Values) -> tuple[Row | None, Found]:
        """Return the caller's row, None if there is none, and what is known of the key."""
        values = {**values, "called": key}
        if database.is_sqlite(session):
            claims, rows = [], ask(session, self._answer, values)
        else:
            claims, rows = ask_all(session, [(self._claim, values), (self._answer, values)])
        if not rows:
            return None, Found(is_held=False)
        *caller, hashed, status, media_type, body = rows[0]
        answer = None if hashed is None else Answer(hashed, status, media_type, bytes(body))
        return tuple(caller), Found(is_held=all(row[0] for row in claims), answer=answer)


def request_hash(method: str, target: str, body: bytes) -> str:
    """Return what makes two requests the same."""
    return hashlib.sha256(b"\n".join((method.encode(), target.encode(), body))).hexdigest()


def usable(key: str | None) -> str:
    """Return a key that can be used; raise Invalid if there is none, or it is too long."""
    if not key:
        raise Invalid(
            "idempotency-key-missing",
            say("A request that changes something needs an Idempotency-Key header."),
            (
                Fault(
                    "Idempotency-Key",
                    say("The header is missing."),
                    say("Send a fresh UUID, and the same one on a repeat."),
                ),
            ),
        )
    if len(key) > MAX_KEY_LENGTH:
        raise Invalid(
            "idempotency-key-too-long",
            say("The Idempotency-Key is too long."),
            (
                Fault(
                    "Idempotency-Key",
                    say("It has {n} characters.", n=len(key)),
                    say("Use at most {MAX_KEY_LENGTH}.", MAX_KEY_LENGTH=MAX_KEY_LENGTH),
                ),
            ),
        )
    return key


def begin(key: str, hashed: str, found: Found) -> None:
    """
    Check, before anything is done, what :class:`Keys` found.

    Raises
    ------
    Invalid
        The key was already used for another request.
    Conflict
        The same key is being worked on, or its answer held a secret.
    Replay
        The same request was answered before.
    """
    if not found.is_held:
        raise Conflict(
            "in-flight", say("The same request is being worked on right now; ask again in a moment.")
        )
    answer = found.answer
    if answer is None:
        return
    if answer.request_hash != hashed:
        raise Invalid(
            "idempotency-key-reused",
            say("This Idempotency-Key was used for another request."),
            (
                Fault(
                    "Idempotency-Key",
                    say("It belongs to a different body or address."),
                    say("Send a fresh UUID."),
                ),
            ),
        )
    if answer.media_type == WITHHELD:
        raise Conflict(
            "answered-once",
            say(
                "This was done, and its answer held a secret that is shown only once. Issue a new one "
                "instead."
            ),
        )
    raise Replay(key, answer)


def is_usable(key: str | None) -> bool:
    """Tell whether a key can be used."""
    return bool(key) and len(key or "") <= MAX_KEY_LENGTH


def begin_all(session: Session, asked: Collection[tuple[int, str]]) -> set[tuple[int, str]]:
    """
    Begin keys, each with the id of its caller; return those that nobody is at and nobody has used.

    They are held to the end of the transaction. On PostgreSQL only.
    """
    names = {f"{principal_id}:{key}": (principal_id, key) for principal_id, key in asked}
    held = {names[name] for name, is_held in ask(session, _CLAIM_ALL, {"names": list(names)}) if is_held}
    # After they are held: an answer stored meanwhile is seen.
    named = {"principals": [one for one, _ in held], "keys": [key for _, key in held]}
    return held - {(row[0], row[1]) for row in ask(session, _USED, named)}


def answered(session: Session, principal_id: int, key: str) -> Answer | None:
    """
    Return what was answered to a key of one of many requests that came in one, or None.

    The key is held to the end of the transaction: whoever uses it elsewhere at this moment is waited for.
    """
    database.take_turns(session, f"{principal_id}:{key}")
    row = session.execute(
        select(*(_STORED.c[name] for name in _ANSWER)).where(
            _STORED.c.principal_id == principal_id, _STORED.c.key == key
        )
    ).one_or_none()
    return None if row is None else Answer(row[0], row[1], row[2], bytes(row[3]))


def remember(session: Session, principal_id: int, key: str, answer: Answer, now: datetime) -> None:
    """Store the answer with the fact."""
    said = {name: getattr(answer, name) for name in _ANSWER}
    ask(session, _REMEMBER, {"principal_id": principal_id, "key": key, "at": now, **said})


def remember_all(session: Session, told: Sequence[tuple[int, str, Answer, datetime]]) -> None:
    """Store answers, each with its caller's id, its key and when it was asked for."""
    if told:
        rows = [
            (principal_id, key, at, *(getattr(answer, name) for name in _ANSWER))
            for principal_id, key, answer, at in told
        ]
        ask(session, _REMEMBER_ALL, rows)


def last_used(session: Session, principal_ids: Collection[int]) -> dict[int, datetime]:
    """Return when callers last used a key, by their ids; whoever did not within :data:`KEEP` is left out."""
    holder = _STORED.c.principal_id
    asked = select(holder, func.max(_STORED.c.at)).where(holder.in_(sorted(principal_ids))).group_by(holder)
    return {row[0]: row[1] for row in session.execute(asked)}


def forget_old(session: Session, now: datetime) -> int:
    """Drop answers nobody will ask for again; return how many."""
    result = session.execute(delete(StoredAnswer).where(StoredAnswer.at < now - KEEP))  # type: ignore[arg-type]
    return int(result.rowcount)  # type: ignore[attr-defined]
