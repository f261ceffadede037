"""Announce, deliver and look at what came of it, as the tests of alerts do."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from builders.api import Api
from builders.grounds import Clock
from builders.receiver import Receiver
from rimekeep.alerts.jobs import deliver
from rimekeep.platform.database import Database
from rimekeep.platform.journal import Event, Notice, announce, record


@dataclass
class Alerting:
    """A site whose people want to be told."""

    api: Api
    database: Database
    clock: Clock

    def zone(self, code: str) -> int:
        """A room; its id."""
        made = self.api.made(
            "/v1/zones",
            {
                "code": code,
                "name": code.lower(),
                "kind": "store",
                "planned_c": 4,
                "slot_pitch_m": 1.4,
                "aisle_pitch_m": 4.2,
                "cross_aisle_offset_m": 2,
            },
        )
        found: int = made["id"]
        return found

    def say(self, n: int, kind: str = "excursion.opened", **data: Any) -> None:
        """Announce something, as a use case does: with a fact, in one transaction."""
        site_id = self.api.callers["qa"].site_id
        with self.database.transaction() as session:
            record(session, site_id, Event("test.said", self.clock.now, data={"n": n}))
            announce(session, site_id, Notice(kind, self.clock.now, {"n": n, **data}))

    def subscribe(self, url: str | Receiver, **more: Any) -> dict[str, Any]:
        """Subscribe; the receiver with its secret beside."""
        url = url if isinstance(url, str) else url.url
        made = self.api.made("/v1/subscriptions", {"url": url, **more})
        return made["subscription"] | {"secret": made["secret"]}

    def deliver(self, **more: Any) -> int:
        """Do a round."""
        return deliver(self.database, self.clock.now, **more)

    def of(self, made: dict[str, Any], what: str = "attempts") -> list[dict[str, Any]]:
        """What was tried for, or written to, a receiver."""
        found: list[dict[str, Any]] = self.api.ok("GET", f"/v1/subscriptions/{made['id']}/{what}")["items"]
        return found

    def state(self, made: dict[str, Any]) -> dict[str, Any]:
        """How a receiver stands."""
        found: dict[str, Any] = self.api.ok("GET", f"/v1/subscriptions/{made['id']}")
        return found


def numbers(receiver: Receiver) -> list[Any]:
    """The ``n`` of each message in order; a list of them for what was gathered."""
    return [_number(json.loads(body)) for body in receiver.bodies]


def _number(said: dict[str, Any]) -> Any:
    if "notices" in said["data"]:
        return [one["data"]["n"] for one in said["data"]["notices"]]
    return said["data"]["n"]
