"""A page of a list that is searched and continued by the code people know its things by."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import Row, Select, func, or_
from sqlalchemy.orm import Mapped, Session

PAGE = 50
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody typed into a list's search, and the code after which the page begins."""

    text: str = ""
    after: str = ""


@dataclass(frozen=True, slots=True)
class Listed(Generic[R]):
    """The rows of a page, how many there are in all, and the code the next page begins after."""

    rows: list[R]
    total: int
    next: str | None
    asked: Asked


def listed(
    session: Session,
    statement: Select[*tuple[Any, ...]],
    asked: Asked,
    *,
    code: Mapped[str],
    searched: Sequence[Mapped[Any]],
    row: Callable[..., R],
) -> Listed[R]:
    """Return a page of ``statement``, ordered by ``code``, which is one of a kind, of what holds the text."""
    typed = asked.text.strip().lower()
    if typed:
        statement = statement.where(
            or_(*(func.lower(one).contains(typed, autoescape=True) for one in searched))
        )
    total = session.scalar(statement.with_only_columns(func.count(), maintain_column_froms=True)) or 0
    if asked.after:
        statement = statement.where(code > asked.after)
    found: Sequence[Row[*tuple[Any, ...]]] = session.execute(
        statement.add_columns(code.label("page_code")).order_by(code).limit(PAGE + 1)
    ).all()
    shown = found[:PAGE]
    return Listed(
        [row(*one[:-1]) for one in shown],
        total,
        shown[-1].page_code if len(found) > PAGE else None,
        asked,
    )
