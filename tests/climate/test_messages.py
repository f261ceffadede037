"""Many messages in one transaction: each is answered for itself, whatever site and company it is in."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select

from builders.api import Api
from builders.cold import make_sensor
from builders.stock import make_zone
from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.climate import usecases
from rimekeep.climate.core.topics import Message, Sender, readings_topic
from rimekeep.climate.tables import Reading, Sensor
from rimekeep.platform.database import Database

NOW = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
AT = NOW - timedelta(hours=1)


def message(site: str, gateway: str, name: str, first: int, count: int = 10, temp_c: float = 3.5) -> Message:
    """A pack of readings a second apart; ``first`` counts seconds from a fixed instant."""
    start = {"bn": name, "bt": AT.timestamp() - 100_000 + first, "bu": "Cel", "v": temp_c}
    pack = [start, *({"t": number, "v": temp_c} for number in range(1, count))]
    return Message(readings_topic("rimekeep", Sender(site, gateway)), json.dumps(pack).encode())


def test_messages_of_several_sites_in_one_transaction(api: Api, database: Database) -> None:
    with database.transaction() as session:
        make_sensor(session, NOW, api.callers["qa"], make_zone(session, NOW, api.callers["qa"]), code="air")
        other, _ = open_new_site(session, NOW, code="SOUTH", name="South store (invented)")
        holder, _ = add_principal(
            session, NOW, other.id, kind=PrincipalKind.DEVICE, name="far", roles=[Role.GATEWAY]
        )
        far = Caller(holder.id, other.id, "far", frozenset([Role.QA]))
        # The same code at both sites: two sensors.
        make_sensor(session, NOW, far, make_zone(session, NOW, far), code="air")
    sent = [
        message("NORTH", "the gateway", "air", 0),
        message("SOUTH", "far", "air", 0, temp_c=9.0),
        message("SOUTH", "the gateway", "air", 20),
        Message("rimekeep/1/NORTH/readings/the gateway", b"?"),
        message("NORTH", "the gateway", "air", 5),
        message("SOUTH", "far", "air", 10, temp_c=9.0),
        message("NORTH", "the gateway", "air", 0, count=1, temp_c=4.0),
    ]
    with database.transaction() as session:
        answers = usecases.take_messages(session, NOW, sent)
    assert [answer.mark for answer in answers] == [one.mark for one in sent]
    words = [
        [str(one.word) for one in (answer.taken.outcomes() if answer.taken else ())] for answer in answers
    ]
    assert words == [
        ["stored"] * 10, ["stored"] * 10, [], [], ["repeated"] * 5 + ["stored"] * 5, ["stored"] * 10, ["differs"],
    ]  # fmt: skip
    assert [answer.against.code if answer.against else "" for answer in answers] == [
        "", "", "unknown-gateway", "invalid-input", "", "", "",
    ]  # fmt: skip
    with database.transaction(readonly=True) as session:
        held = session.execute(
            select(Reading.temp_c, func.count())
            .join(Sensor, Sensor.id == Reading.sensor_id)
            .group_by(Reading.temp_c)
        ).all()
    assert dict(map(tuple, held)) == {3.5: 15, 9.0: 20}


def test_more_readings_than_one_batch_holds_are_taken_together(api: Api, database: Database) -> None:
    with database.transaction() as session:
        make_sensor(session, NOW, api.callers["qa"], make_zone(session, NOW, api.callers["qa"]), code="air")
    sent = [message("NORTH", "the gateway", "air", 4_000 * number, count=4_000) for number in range(4)]
    with database.transaction() as session:
        answers = usecases.take_messages(session, NOW, sent)
    assert [(answer.taken.stored, len(answer.taken.faults)) for answer in answers if answer.taken] == [
        (4_000, 0)
    ] * 4
    with database.transaction(readonly=True) as session:
        assert session.scalar(select(func.count()).select_from(Reading)) == 16_000
