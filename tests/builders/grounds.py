"""
What stands in a database when a test begins, where making it takes longer than the test: made once, then copied.

A module says so by a table of its own, from the fixture that a test asks for to the function that makes it::

    GROUNDS = {"store": furnished_store}

    @pytest.fixture
    def store(ground): ...

`ground` is then what the function returned, and the test's database is a copy of the one it was made in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pytest
from fastapi import FastAPI

from builders.api import Api
from builders.databases import NOW, People, open_database
from rimekeep.platform.database import Database


class Clock:
    """The application's clock in a test."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


Make = Callable[[Api, Database, Clock], Any]


@dataclass(frozen=True)
class Ground:
    """Where it was made: a file or the name of a database; and what its maker returned."""

    source: Any
    _made: Any

    def made(self) -> Any:
        """Return a copy that the test may change."""
        return deepcopy(self._made)


def make_of(request: pytest.FixtureRequest) -> Make | None:
    """Return what makes the ground of a test, if its module has any for it."""
    grounds: dict[str, Make] = getattr(request.module, "GROUNDS", {})
    return next((make for name, make in grounds.items() if name in request.fixturenames), None)


def lay(app: FastAPI, source: Any, url: str, people: People, make: Make) -> Ground:
    """Make a ground in a database that holds the site already."""
    database, clock = open_database(url), Clock(NOW)
    try:
        with placed(app, database, clock):
            made = make(Api(app, dict(people.tokens), dict(people.callers)), database, clock)
    finally:
        database.dispose()
    return Ground(source, made)


@contextmanager
def placed(app: FastAPI, database: Database, clock: Clock) -> Iterator[FastAPI]:
    """Put the application on a database and a clock until the block ends."""
    state = app.state
    before = state.database, state.settings, state.compute, state.clock
    state.database, state.settings, state.clock = database, database.settings, clock
    try:
        yield app
    finally:
        state.database, state.settings, state.compute, state.clock = before
