"""Cursor paging: a page ends with the key of its last row, so rows that come or go shift nothing."""

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Generic, TypeVar

from fastapi import Depends, Query, Request, Response
from pydantic import BaseModel, Field
from sqlalchemy import ColumnElement, Select, tuple_
from sqlalchemy.orm import Session

from rimekeep.errors import invalid

T = TypeVar("T")


class Page(BaseModel, Generic[T]):
    """One page of a list."""

    items: list[T]
    next_cursor: str | None = Field(
        None, description="Send it back as `cursor` for the next page; null on the last."
    )


@dataclass(frozen=True, slots=True)
class PageQuery:
    """Which page is asked for."""

    limit: int
    cursor: str | None


def page_query(
    limit: Annotated[int, Query(ge=1, le=1000, description="Most rows in the answer.")] = 100,
    cursor: Annotated[str | None, Query(description="`next_cursor` of the page before.")] = None,
) -> PageQuery:
    """Read the paging parameters of a request."""
    return PageQuery(limit, cursor)


PageDep = Annotated[PageQuery, Depends(page_query)]


def fetch_page(
    session: Session, statement: Select[Any], order: Sequence[ColumnElement[Any]], asked: PageQuery
) -> tuple[list[Any], str | None]:
    """
    Return one page of ``statement`` and the cursor of the next.

    ``order`` holds columns that together are unique and not null, integers or text, last one the key.
    Rows must offer the order's columns under their names.
    """
    if asked.cursor:
        statement = statement.where(tuple_(*order) > tuple_(*_decode(asked.cursor, order)))
    result = session.execute(statement.order_by(*order).limit(asked.limit + 1))
    rows = list(result.scalars() if len(statement.column_descriptions) == 1 else result)
    if len(rows) <= asked.limit:
        return rows, None
    rows.pop()
    last = rows[-1]
    return rows, _encode([getattr(last, column.key or "") for column in order])


def link_next(request: Request, response: Response, cursor: str | None) -> None:
    """Name the next page in a Link header (RFC 8288) too."""
    if cursor:
        response.headers["Link"] = f'<{request.url.include_query_params(cursor=cursor)}>; rel="next"'


def _encode(values: list[Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(values).encode()).decode().rstrip("=")


def _decode(cursor: str, order: Sequence[ColumnElement[Any]]) -> list[Any]:
    try:
        values = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (ValueError, binascii.Error):
        values = None
    if (
        not isinstance(values, list)
        or len(values) != len(order)
        or not all(
            type(value) is column.type.python_type for value, column in zip(values, order, strict=True)
        )
        or any(isinstance(value, int) and abs(value) >= 2**63 for value in values)
    ):
        raise invalid(
            "cursor",
            "This is not a cursor of this list.",
            "Send next_cursor of the page before, or none for the first.",
        )
    return values
