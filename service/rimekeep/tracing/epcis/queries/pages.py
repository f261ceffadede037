"""
Pages of EPCIS events, in either order of time.

What is asked for by type and action alone is looked for in an index that begins with both, one short walk for
each pair of them: so a page takes as long in a long record as in a short one, however rare its events are.
"""

from collections.abc import Iterator
from datetime import datetime
from itertools import product
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Row, Select, func, literal, select, tuple_, union_all
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.platform.columns import UtcDateTime
from rimekeep.tracing.epcis.core.asked import Asked, OrderBy
from rimekeep.tracing.epcis.core.vocabulary import ACTIONS
from rimekeep.tracing.epcis.tables import EpcisEvent, EpcisKey

_ORDER = {OrderBy.EVENT_TIME: col(EpcisEvent.event_at), OrderBy.RECORD_TIME: col(EpcisEvent.record_at)}
_SHOWN: tuple[Any, ...] = (
    col(EpcisEvent.id),
    col(EpcisEvent.event_at),
    col(EpcisEvent.record_at),
    col(EpcisEvent.capture_id),
    col(EpcisEvent.body),
)
_TYPED = ("event_type", "action")
# Whoever asks for more kinds at once has most of what there is.
MOST_WALKS = 40


def page(session: Session, site_id: int, asked: Asked) -> tuple[list[Any], str | None]:
    """Return a page of events as (id, event_at, record_at, capture_id, body), and the next one's token."""
    rows: list[Any] = list(session.execute(page_statement(site_id, asked)))
    if len(rows) <= asked.per_page:
        return rows, None
    rows.pop()
    last = rows[-1]
    return rows, asked.token(last[1] if asked.order_by is OrderBy.EVENT_TIME else last[2], last[0])


def page_statement(site_id: int, asked: Asked) -> Select[Any]:
    """Return what finds a page, and one event more if there is one."""
    by = (_ORDER[asked.order_by], col(EpcisEvent.id))
    walks = _walks(asked)
    if walks is None:
        return _first(_from_begin(select(*_SHOWN).where(*_conditions(site_id, asked)), asked), asked, by)
    plain = _from_begin(select(col(EpcisEvent.id)).where(*_conditions(site_id, asked, without=_TYPED)), asked)
    # The action leads though it is the same all along a walk: where there is none, PostgreSQL takes the index
    # to be in order only so, and would sort the whole stretch.
    along = (col(EpcisEvent.action), *by)
    found = union_all(*(select(_first(plain.where(*walk), asked, along).subquery()) for walk in walks))
    rows = found.subquery()
    return _first(select(*_SHOWN).join(rows, rows.c.id == col(EpcisEvent.id)), asked, by)


def _from_begin(statement: Select[Any], asked: Asked) -> Select[Any]:
    """Leave out what was on the pages before."""
    if asked.after is None:
        return statement
    at_and_id = tuple_(_ORDER[asked.order_by], col(EpcisEvent.id))
    after = tuple_(literal(asked.after[0], UtcDateTime()), literal(asked.after[1], BigInteger()))
    return statement.where(at_and_id < after if asked.is_descending else at_and_id > after)


def _first(statement: Select[Any], asked: Asked, by: tuple[Any, ...]) -> Select[Any]:
    """Return a page of these, and one more."""
    statement = statement.order_by(*(one.desc() for one in by) if asked.is_descending else by)
    return statement.limit(asked.per_page + 1)


def _walks(asked: Asked) -> list[tuple[ColumnElement[bool], ...]] | None:
    """Return the conditions of every stretch of an index a page lies in, if asked for by these alone."""
    given = {field: tuple(dict.fromkeys(words)) for field, words in asked.fields}
    if asked.keys or not given or not given.keys() <= set(_TYPED) or len(given) < len(asked.fields):
        return None
    types, actions = given.get("event_type"), given.get("action")
    if types is None:
        return [(col(EpcisEvent.action) == one,) for one in actions or ()]
    # An event has one of these or none. Said one by one, as an index is in order only within each.
    of_any: tuple[str | None, ...] = (*sorted(ACTIONS), None) if actions is None else actions
    pairs = list(product(types, of_any))
    if len(pairs) > MOST_WALKS:
        return None
    return [(col(EpcisEvent.event_type) == one, _is(col(EpcisEvent.action), action)) for one, action in pairs]


def _is(column: Any, value: str | None) -> ColumnElement[bool]:
    found: ColumnElement[bool] = column.is_(None) if value is None else column == value
    return found


def _conditions(site_id: int, asked: Asked, *, without: tuple[str, ...] = ()) -> Iterator[Any]:
    yield col(EpcisEvent.site_id) == site_id
    for order, is_from, at in asked.times:
        yield _ORDER[order] >= at if is_from else _ORDER[order] < at
    for field, words in asked.fields:
        if field not in without:
            yield getattr(EpcisEvent, field).in_(words)
    for roles, values in asked.keys:
        yield col(EpcisEvent.id).in_(
            select(col(EpcisKey.event_id)).where(
                col(EpcisKey.site_id) == site_id,
                col(EpcisKey.value).in_(values),
                col(EpcisKey.role).in_(roles),
            )
        )


def last_event_id(session: Session, site_id: int) -> int:
    """Return up to where a site's events go now; 0 if there are none."""
    return session.scalar(select(func.max(EpcisEvent.id)).where(col(EpcisEvent.site_id) == site_id)) or 0


def between(
    session: Session,
    site_id: int,
    from_at: datetime,
    until_at: datetime,
    *,
    last_id: int,
    after: tuple[datetime, int] | None,
    most: int,
) -> list[Row[Any]]:
    """Return the next events of a stretch in order of time, of those there were at ``last_id``."""
    statement = select(*_SHOWN).where(
        col(EpcisEvent.site_id) == site_id,
        col(EpcisEvent.event_at) >= from_at,
        col(EpcisEvent.event_at) < until_at,
        col(EpcisEvent.id) <= last_id,
    )
    by = (col(EpcisEvent.event_at), col(EpcisEvent.id))
    if after is not None:
        statement = statement.where(
            tuple_(*by) > tuple_(literal(after[0], UtcDateTime()), literal(after[1], BigInteger()))
        )
    return list(session.execute(statement.order_by(*by).limit(most)))
