"""
Writers of one process to SQLite take turns here, before they ask SQLite itself.

SQLite has one writer. Whoever finds it busy sleeps, longer and longer, and looks again; four gateways spent
most of their time asleep. A lock of the process wakes the next one the moment it may go on. Other processes
still meet at SQLite's own lock.
"""

import sqlite3
import threading
from typing import Any

from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import OperationalError

BEGIN = "BEGIN IMMEDIATE"


class WriterTurns:
    """The turns of an engine: one taken when a writing transaction begins, given back with its connection."""

    def __init__(self, engine: Engine, wait_s: float) -> None:
        """Watch ``engine``; a writer waits ``wait_s`` at most."""
        self._turn = threading.Lock()
        self._wait_s = wait_s
        event.listen(engine, "begin", self._begin)
        event.listen(engine, "checkin", self._given_back)

    def _begin(self, connection: Connection) -> None:
        if connection.get_execution_options().get("readonly", False):
            connection.exec_driver_sql("BEGIN")
            return
        if not self._turn.acquire(timeout=self._wait_s):
            raise OperationalError(BEGIN, None, sqlite3.OperationalError("database is locked"))
        # Noted with the pool's record, which outlives a connection that breaks.
        connection.connection.record_info["has turn"] = True  # type: ignore[index]
        # A writer takes the write lock first: a read that turns into a write later can fail at once.
        connection.exec_driver_sql(BEGIN)

    def _given_back(self, _driver_connection: Any, record: Any) -> None:
        if record.record_info.pop("has turn", False):
            self._turn.release()
