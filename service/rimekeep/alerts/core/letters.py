"""What a message to a receiver says: as the body of a webhook, and as a mail."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from rimekeep.alerts.core.kinds import Severity

# More notices than this are counted, not listed.
MOST_LISTED = 100
MOST_WORDS = 2_000
MOST_SUBJECT = 200


class Purpose(StrEnum):
    """Why a message is sent."""

    FIRST = "first"
    GATHERED = "gathered"
    ESCALATED = "escalated"
    TEST = "test"


TYPES = {
    Purpose.GATHERED: "alert.gathered",
    Purpose.ESCALATED: "alert.escalated",
    Purpose.TEST: "subscription.test",
}


@dataclass(frozen=True, slots=True)
class Said:
    """One notice."""

    seq: int
    kind: str
    at: datetime
    data: dict[str, Any]


def content(
    purpose: Purpose,
    alert_id: int | None,
    severity: Severity,
    made_at: datetime,
    notices: Sequence[Said],
    *,
    count: int,
) -> dict[str, Any]:
    """
    Return what a message says: type, timestamp and data, as the standard's payloads have them, and which
    alert.

    The first word of an alert is its notice as it is; what was gathered, or told further, lists its notices.
    """
    if purpose == Purpose.FIRST and notices:
        (one,) = notices
        return _said(one) | {"severity": severity, "alert_id": alert_id}
    return {
        "type": TYPES.get(purpose, "alert.gathered"),
        "timestamp": _stamp(made_at),
        "seq": max((one.seq for one in notices), default=0),
        "severity": severity,
        "alert_id": alert_id,
        "data": {"count": count, "notices": [_said(one) for one in notices]},
    }


def _said(one: Said) -> dict[str, Any]:
    return {"type": one.kind, "timestamp": _stamp(one.at), "seq": one.seq, "data": one.data}


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def as_json(said: dict[str, Any]) -> bytes:
    """Return the body of a webhook."""
    return json.dumps(said, separators=(",", ":"), ensure_ascii=False).encode()


def as_mail(said: dict[str, Any], site: str) -> tuple[str, str]:
    """Return subject and text of a mail: what, how grave, where; then the facts, one a line."""
    is_list = said["type"] in TYPES.values()
    notices = said["data"]["notices"] if is_list else [said]
    count = said["data"]["count"] if is_list else 1
    zones = sorted({str(one["data"]["zone"]) for one in notices if one["data"].get("zone")})
    kinds = ", ".join(dict.fromkeys(one["type"] for one in notices)) or said["type"]
    marks = {TYPES[Purpose.ESCALATED]: "to answer: ", TYPES[Purpose.GATHERED]: "also: "}
    subject = f"[{site}] {said['severity']}: {marks.get(said['type'], '')}{kinds}"
    subject += f" ({count})" if count > 1 else ""
    subject += f" in {', '.join(zones)}" if zones else ""
    lines = [f"{said['type']} at {said['timestamp']}, severity {said['severity']}"]
    if said["alert_id"] is not None:
        lines.append(f"Alert {said['alert_id']}: acknowledge it, or the next in the chain is told.")
    for one in notices:
        lines += ["", f"{one['type']} at {one['timestamp']} (number {one['seq']})"]
        lines += [f"  {name}: {_words(value)}" for name, value in one["data"].items() if value is not None]
    if count > len(notices):
        lines += ["", f"and {count - len(notices)} more"]
    return " ".join(subject.split())[:MOST_SUBJECT], "\n".join(lines) + "\n"


def _words(value: Any) -> str:
    shown = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return " ".join(shown.split())[:MOST_WORDS]
