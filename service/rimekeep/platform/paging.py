"""Cursor paging: a page ends with the key of its last row, so rows that come or go shift nothing."""

import base64
import binascii
import json
from collections.abc import Sequence
from typing import Annotated, Any, Generic, TypeVar

from fastapi import Depends, Query, Request, Response
from pydantic import BaseModel, Field
from sqlalchemy import ColumnElement, tuple_
from sqlalchemy.orm import Session

from rimekeep.errors import invalid
from rimekeep.platform.database import Listing
from rimekeep.wording import say

T = TypeVar("T")
V = TypeVar("V", bound=BaseModel)


class Page(BaseModel, Generic[T]):
    """One page of a list."""

    items: list[T]
    next_cursor: str | None = Field(
        None, description="Send it back as `cursor` for the next page; null on the last."
    )


class Asked:
    """Which page a request asks for, and the way to answer it: body, cursor and Link header."""

    def __init__(
        self,
        request: Request,
        response: Response,
        limit: Annotated[int, Query(ge=1, le=1000, description="Most rows in the answer.")] = 100,
        cursor: Annotated[str | None, Query(description="`next_cursor` of the page before.")] = None,
    ) -> None:
        """Read the paging parameters of a request."""
        self._request, self._response = request, response
        self._limit, self._cursor = limit, cursor

    def rows(self, session: Session, listing: Listing) -> list[Any]:
        """
        Return the page's rows, and note the cursor of the next page.

        The statement's order is columns that together are unique and not null, integers or text, the last one
        the key. Rows must offer the order's columns under their names.
        """
        statement, order = listing
        if self._cursor:
            statement = statement.where(tuple_(*order) > tuple_(*_decode(self._cursor, order)))
        result = session.execute(statement.order_by(*order).limit(self._limit + 1))
        rows = list(result.scalars() if len(statement.column_descriptions) == 1 else result)
        self._cursor = None
        if len(rows) > self._limit:
            rows.pop()
            self._cursor = _encode([getattr(rows[-1], column.key or "") for column in order])
            # RFC 8288: the next page stands in a header too.
            next_page = self._request.url.include_query_params(cursor=self._cursor)
            self._response.headers["Link"] = f'<{next_page}>; rel="next"'
        return rows

    def page(self, items: list[T]) -> Page[T]:
        """Return what the rows became as the answer."""
        return Page(items=items, next_cursor=self._cursor)

    def show(self, session: Session, listing: Listing, view: type[V]) -> Page[V]:
        """Return the page with each row as ``view`` shows it."""
        return self.page([view.model_validate(row) for row in self.rows(session, listing)])


PageDep = Annotated[Asked, Depends()]


def _encode(values: list[Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(values).encode()).decode().rstrip("=")


def _decode(cursor: str, order: Sequence[ColumnElement[Any]]) -> list[Any]:
    try:
        values = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (ValueError, binascii.Error, RecursionError):
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
            say("This is not a cursor of this list."),
            say("Send next_cursor of the page before, or none for the first."),
        )
    return values
