"""
Taking the next pick list, written by hand in SQL: everything the service does for it, without the service.

Who holds the token and may pick; whether the key was answered before, and on PostgreSQL that nobody else is
at it; the list, leased: the device's own, one a silent device lost, or the next that is ready, past those
others are taking; its stops; the answer, kept under its key; the commit, which reaches the disk. The ledger
has no part in it: a lease is no fact of the stock, and the service records none.
"""

import hashlib
import json
import sqlite3
import threading
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

import msgspec
import psycopg

from rimekeep.cli.bench.ground import Ground
from rimekeep.platform.database import WAIT_S

WHO = """
    SELECT p.id, p.site_id, p.roles FROM principal p JOIN access_token t ON t.principal_id = p.id
    WHERE t.token_hash = {} AND t.revoked_at IS NULL AND p.is_active
"""
CLAIM = "SELECT pg_try_advisory_xact_lock(hashtextextended(%s, 0))"
ANSWERED = (
    "SELECT request_hash, status, media_type, body FROM stored_answer WHERE principal_id = {} AND key = {}"
)
TAKE = """
    UPDATE pick_list SET state = 'taken', device_id = {device}, leased_until = {until},
        taken_over_from_id = nullif(taken_over_from_id, {device}),
        taken_over_at = CASE WHEN taken_over_from_id <> {device} THEN taken_over_at END
    WHERE id = coalesce(
        (SELECT min(id) FROM pick_list WHERE site_id = {site} AND state = 'taken' AND device_id = {device}),
        (SELECT id FROM pick_list WHERE site_id = {site} AND state = 'taken' AND leased_until < {now}
         ORDER BY leased_until, id LIMIT 1 {lock}),
        (SELECT id FROM pick_list WHERE site_id = {site} AND state = 'ready' ORDER BY id LIMIT 1 {lock})
    ) AND (state = 'ready' OR state = 'taken' AND (device_id = {device} OR leased_until < {now}))
    RETURNING id
"""
SHOW = """
    SELECT l.order_id, o.code, c.name, l.zone_id, z.code, l.state, l.walk_m, l.made_at, l.device_id,
           l.leased_until, l.done_at,
           p.id, p.stop, p.state, pr.sku, pr.name, lt.code, lt.best_before_on, u.sscc, b.code, b.aisle,
           b.slot, b.level, a.cases, a.cases / pr.cases_per_layer, a.cases % pr.cases_per_layer, a.how,
           p.picked_cases, p.reason, lo.id, lo.code, pu.number, pu.sscc, p.tier, p.note
    FROM pick_list l
    LEFT JOIN sales_order o ON o.id = l.order_id LEFT JOIN customer c ON c.id = o.customer_id
    JOIN zone z ON z.id = l.zone_id
    JOIN pick p ON p.list_id = l.id JOIN allocation a ON a.id = p.allocation_id
    JOIN order_line ol ON ol.id = a.line_id JOIN sales_order lo ON lo.id = ol.order_id
    JOIN unit_content uc ON uc.id = a.content_id JOIN unit u ON u.id = uc.unit_id
    JOIN lot lt ON lt.id = uc.lot_id JOIN product pr ON pr.id = lt.product_id
    LEFT JOIN bay b ON b.id = u.bay_id LEFT JOIN planned_unit pu ON pu.id = p.planned_unit_id
    WHERE l.id = {} ORDER BY p.walk_no, p.stop
"""
REMEMBER = """
    INSERT INTO stored_answer (principal_id, key, request_hash, status, media_type, body, at)
    VALUES ({}, {}, {}, 200, 'application/json', {}, {})
"""
HEAD = (
    *("order_id", "order_code", "customer_name", "zone_id", "zone_code", "state", "walk_m", "made_at"),
    *("device_id", "leased_until", "done_at"),
)
# Of a list that is taken and not done.
INSTANTS = (HEAD.index("made_at"), HEAD.index("leased_until"))
STOP = (
    *("id", "stop", "state", "sku", "product_name", "lot_code", "best_before_on", "sscc", "bay_code"),
    *("aisle", "slot", "level", "cases", "layers", "loose_cases", "how", "picked_cases", "reason"),
    *("order_id", "order_code", "to_number", "to_planned_sscc", "tier", "note"),
)
Row = Sequence[Any]


class ByHand(Protocol):
    """One client's connection."""

    def take(self, token: str, key: str) -> bytes:
        """Take the next list; return the answer as the service words it."""

    def close(self) -> None:
        """Hang up."""


def connect(place: Ground, lease_s: int) -> ByHand:
    """Return a connection to the place's database."""
    url = place.database.settings.database_url
    if place.database.settings.is_sqlite:
        return _Sqlite(url.removeprefix("sqlite:///"), lease_s)
    return _Postgresql(url.replace("postgresql+psycopg://", "postgresql://"), lease_s)


def _hashes(token: str) -> tuple[str, str]:
    asked = hashlib.sha256(b"POST\n/v1/pick-lists/next\n").hexdigest()
    return hashlib.sha256(token.encode()).hexdigest(), asked


def _body(list_id: int, rows: Sequence[Row]) -> bytes:
    head = dict(zip(HEAD, rows[0], strict=False))
    picks = [dict(zip(STOP, row[len(HEAD) :], strict=True)) for row in rows]
    return msgspec.json.encode({"id": list_id, **head, "picks": picks})


def _let_in(who: Row | None) -> Row:
    """Return who asks, if they may pick."""
    if who is None:
        raise RuntimeError("nobody holds the token: not let in")
    roles = json.loads(who[2]) if isinstance(who[2], str) else who[2]
    if not {"picker", "admin"} & set(roles):
        raise RuntimeError("no role of theirs picks: not let in")
    return who


def _one(row: Row | None) -> Any:
    if row is None:
        raise RuntimeError("nothing came where a row was due")
    return row[0]


class _Sqlite:
    # As in the service, clients of one process take turns before they ask SQLite; asleep at its lock they
    # would lose most of their time.
    turns = threading.Lock()
    who, answered = WHO.format("?"), ANSWERED.format("?", "?")
    # A mark a value, numbered, because some come twice.
    get = TAKE.format(device="?1", until="?2", site="?3", now="?4", lock="")
    show, remember = SHOW.format("?"), REMEMBER.format("?", "?", "?", "?", "?")

    def __init__(self, path: str, lease_s: int) -> None:
        self._lease = timedelta(seconds=lease_s)
        self._own = sqlite3.connect(path, isolation_level=None, timeout=WAIT_S, check_same_thread=False)
        # The service's settings: the same promise that what is answered is on the disk.
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
            "cache_size = -65536",
            "temp_store = MEMORY",
        ):
            self._own.execute(f"PRAGMA {pragma}")

    def take(self, token: str, key: str) -> bytes:
        run = self._own.execute
        token_hash, asked = _hashes(token)
        with self.turns:
            run("BEGIN IMMEDIATE")
            try:
                now = datetime.now(UTC)
                who = _let_in(run(self.who, (token_hash,)).fetchone())
                if run(self.answered, (who[0], key)).fetchone() is not None:
                    raise RuntimeError("a key was used before")
                facts = (who[0], _stored(now + self._lease), who[1], _stored(now))
                list_id = _one(run(self.get, facts).fetchone())
                rows = [list(row) for row in run(self.show, (list_id,))]
                for at in INSTANTS:
                    rows[0][at] = rows[0][at].replace(" ", "T").removesuffix(".000000") + "Z"
                body = _body(list_id, rows)
                run(self.remember, (who[0], key, asked, body, _stored(now)))
                run("COMMIT")
            except BaseException:
                run("ROLLBACK")
                raise
        return body

    def close(self) -> None:
        self._own.close()


def _stored(at: datetime) -> str:
    return at.strftime("%Y-%m-%d %H:%M:%S.%f")


class _Postgresql:
    who, answered = WHO.format("%s"), ANSWERED.format("%s", "%s")
    get = TAKE.format(
        device="%(device)s",
        until="%(until)s",
        site="%(site)s",
        now="%(now)s",
        lock="FOR UPDATE SKIP LOCKED",
    )
    show, remember = SHOW.replace("%", "%%").format("%s"), REMEMBER.format("%s", "%s", "%s", "%s", "%s")

    def __init__(self, address: str, lease_s: int) -> None:
        self._lease = timedelta(seconds=lease_s)
        self._own = psycopg.connect(address, options="-c timezone=UTC", prepare_threshold=0)

    def take(self, token: str, key: str) -> bytes:
        token_hash, asked = _hashes(token)
        with self._own.transaction(), self._own.cursor() as cursor:
            now = datetime.now(UTC)
            who = _let_in(cursor.execute(self.who, (token_hash,)).fetchone())
            if not _one(cursor.execute(CLAIM, (f"{who[0]}:{key}",)).fetchone()):
                raise RuntimeError("a key is in use")
            if cursor.execute(self.answered, (who[0], key)).fetchone() is not None:
                raise RuntimeError("a key was used before")
            facts = {"device": who[0], "until": now + self._lease, "site": who[1], "now": now}
            list_id = _one(cursor.execute(self.get, facts).fetchone())
            body = _body(list_id, cursor.execute(self.show, (list_id,)).fetchall())
            cursor.execute(self.remember, (who[0], key, asked, body, now))
        return body

    def close(self) -> None:
        self._own.close()
