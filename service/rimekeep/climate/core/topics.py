"""
The topics readings come on over MQTT, and the answers that go back.

::

    {root}/1/{site code}/readings/{gateway}   a gateway publishes SenML packs (RFC 8428, JSON) here
    {root}/1/{site code}/answers/{gateway}    what became of each message
    {root}/1/listener                         whether anybody listens, kept for those who come later

``1`` is the version of this layout. A name that holds one of ``/ + # %`` stands in its topic with these signs
percent-encoded (RFC 3986, 2.1), in capitals: site ``N/2`` is ``N%2F2``.
"""

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from rimekeep.climate.core.batch import Taken
from rimekeep.errors import Invalid, RimekeepError, invalid
from rimekeep.wording import say

VERSION = "1"
# What separates levels, stands for levels (MQTT 5.0, 4.7.1), or begins an encoded sign.
NOT_IN_A_LEVEL = re.compile(r"[/+#%]")
LONGEST_SHOWN = 80
# An answer with more faults than this is sent in parts, so that it stays below what brokers pass on.
FAULTS_A_PART = 500


@dataclass(frozen=True, slots=True)
class Message:
    """What came on one topic."""

    topic: str
    payload: bytes

    @property
    def mark(self) -> str:
        """Return what its answer names it by: the SHA-256 of the payload, in hexadecimal."""
        return hashlib.sha256(self.payload).hexdigest()


@dataclass(frozen=True, slots=True)
class Sender:
    """Whose readings they are: the names a site and a device of it are registered under."""

    site_code: str
    gateway: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one message: of each reading in it, or the one fact that stands against all of it."""

    mark: str
    taken: Taken | None = None
    against: RimekeepError | None = None
    is_failure: bool = False


def level(name: str) -> str:
    """
    Return a name as one level of a topic.

    Examples
    --------
    >>> level("gw 1/north")
    'gw 1%2Fnorth'
    """
    return NOT_IN_A_LEVEL.sub(lambda sign: f"%{ord(sign[0]):02X}", name)


def readings_filter(root: str) -> str:
    """Return the filter that admits every site's and gateway's readings."""
    return f"{root}/{VERSION}/+/readings/+"


def readings_topic(root: str, sender: Sender) -> str:
    """Return the topic a gateway publishes on."""
    return f"{root}/{VERSION}/{level(sender.site_code)}/readings/{level(sender.gateway)}"


def listener_topic(root: str) -> str:
    """Return the topic that tells whether anybody listens."""
    return f"{root}/{VERSION}/listener"


def answers_topic(topic: str) -> str:
    """Return where messages on a readings topic are answered; whoever may write there may read here."""
    start, _, gateway = topic.rpartition("/readings/")
    return f"{start}/answers/{gateway}"


def sender_of(topic: str) -> Sender:
    """
    Return whom a readings topic names.

    Each sender has one topic: a name that is encoded otherwise than `level` does it is refused, because the
    broker's access list would not know it for the same.

    Raises
    ------
    Invalid
        A level of the topic is not a name as it is written here.
    """
    start, _, gateway = topic.rpartition("/readings/")
    names = []
    for field, written in (("site", start.rpartition("/")[2]), ("gateway", gateway)):
        name = unquote(written, errors="replace")
        if not name or level(name) != written:
            raise invalid(
                f"topic.{field}",
                say("{written!r} is not a name as topics have it.", written=written[:LONGEST_SHOWN]),
                say("Write / + # % as %2F %2B %23 %25, and every other sign as it is."),
                code="topic",
            )
        names.append(name)
    return Sender(*names)


def unknown(sender: Sender) -> Invalid:
    """Return the refusal of a sender that is no active gateway of its site."""
    site, gateway = sender.site_code[:LONGEST_SHOWN], sender.gateway[:LONGEST_SHOWN]
    return invalid(
        "topic.gateway",
        say(
            "There is no active device {gateway!r} with the role gateway at a site {site!r}.",
            gateway=gateway,
            site=site,
        ),
        say("Register it there, or mend the topic."),
        code="unknown-gateway",
    )


def told(answer: Answer) -> list[bytes]:
    """
    Return an answer as it is published: one JSON object, or several parts when very much is wrong.

    ``message`` is the mark of the message answered; ``state`` is ``taken`` when every reading was judged for
    itself (the counts tell how), ``refused`` when nothing of the message could be used, and ``failed`` when
    the service itself failed at it and it must be sent again.
    """
    facts: dict[str, Any] = {}
    faults: Sequence[Mapping[str, Any]] = ()
    if answer.against is not None:
        error = answer.against
        state = "failed" if answer.is_failure else "refused"
        facts = {"code": error.code, "detail": error.detail}
        faults = [
            {"field": fault.field, "detail": fault.detail, "mend": fault.mend} for fault in error.faults
        ]
    else:
        state = "taken"
        if answer.taken is not None:
            facts = answer.taken.summary()
            faults = facts.pop("faults")
    parts = [faults[at : at + FAULTS_A_PART] for at in range(0, len(faults), FAULTS_A_PART)] or [()]
    return [
        json.dumps(
            {
                "message": answer.mark,
                "state": state,
                **facts,
                "faults": part,
                "part": number,
                "parts": len(parts),
            },
            ensure_ascii=False,
        ).encode()
        for number, part in enumerate(parts, 1)
    ]
