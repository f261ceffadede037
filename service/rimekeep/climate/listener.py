"""
Readings over MQTT, beside HTTP: from the broker into the database, without losing one.

Who is trusted with what
------------------------
The broker knows its clients by user and password (or certificate), and its access list lets each gateway
write its own readings topic only; MQTT does not tell a receiver who published. So the topic is the identity,
and it is worth what the broker's access list is worth. The service asks one thing more: the topic must name
an active device with the role gateway at that site. A gateway that is switched off here is refused at once,
whatever the broker lets through. Whoever could write a foreign topic could add readings for that site's
sensors; they could change none that is held, and read nothing. A message's own wish where to be answered
(its response topic) is not followed.

What is promised
----------------
A message published with quality of service 1 is acknowledged to the broker after its readings are committed
and its answer is with the broker. If the process is killed, the connection cut or the database gone before
that, it comes again, and a reading that is held already is not stored twice. Quality of service 0 is taken,
and promises nothing. What cannot be used is answered, logged, counted and acknowledged, so that it does not
stand in the way; so is a message at which the service itself fails again and again while the database works.
"""

import asyncio
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from json import dumps

import aiomqtt
import structlog
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from rimekeep.climate import usecases
from rimekeep.climate.core import topics
from rimekeep.climate.core.topics import Answer, Message
from rimekeep.errors import RimekeepError
from rimekeep.platform.broker import BrokerAddress
from rimekeep.platform.database import Database, is_away
from rimekeep.platform.mqtt import Line

log = structlog.get_logger("rimekeep.mqtt")

# One transaction takes in this much at most, so that those who wait for the database wait for moments.
MESSAGES_AT_ONCE = 64
BYTES_AT_ONCE = 512_000
# Beyond this, what waits in memory is worked off before more is asked for.
WAITING_BYTES = 16_000_000
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 15.0
# Tries before the broker is asked to keep the messages until the database answers again.
TRIES = 3
TELL_EVERY_S = 60.0
# How long a topic the broker refused is left alone.
REFUSED_FOR_S = 600.0
ANSWER_KEPT_S = 7 * 86_400


class DatabaseAway(Exception):  # noqa: N818 - a state, not a fault
    """The database does not answer; nothing was acknowledged."""


@dataclass
class Counts:
    """What came since the listener began."""

    messages: int = 0
    refused_messages: int = 0
    failed_messages: int = 0
    stored: int = 0
    repeated: int = 0
    quarantined: int = 0
    refused: int = 0

    def add(self, answer: Answer) -> None:
        """Count one message."""
        self.messages += 1
        if answer.against is not None:
            self.failed_messages += answer.is_failure
            self.refused_messages += not answer.is_failure
        if answer.taken is not None:
            self.stored += answer.taken.stored
            self.repeated += len(answer.taken.repeated)
            self.quarantined += answer.taken.quarantined
            self.refused += len(answer.taken.faults) - answer.taken.quarantined


class Pause:
    """Waits that grow with every failure in a row."""

    def __init__(self) -> None:
        """Begin with the shortest."""
        self._next_s = FIRST_PAUSE_S

    def reset(self) -> None:
        """Begin anew: something went well."""
        self._next_s = FIRST_PAUSE_S

    def next_s(self) -> float:
        """Return how long to wait now, and wait twice as long the next time."""
        now_s, self._next_s = self._next_s, min(LONGEST_PAUSE_S, 2 * self._next_s)
        return now_s


class Listener:
    """Takes in messages until it is stopped; one at a time per installation, the elected process runs it."""

    def __init__(self, database: Database, broker: BrokerAddress, clock: Callable[[], datetime]) -> None:
        """Prepare; `run` listens."""
        self._database, self._broker, self._clock = database, broker, clock
        self._settings = database.settings
        self._root = database.settings.mqtt_root
        self._refused_until: dict[str, float] = {}
        self._last_told_s = 0.0
        self._has_been_connected = False
        self._pause = Pause()
        self._was_cut_off = False
        self.counts = Counts()
        self.is_listening = False

    def run(self, stopped: threading.Event) -> None:
        """Listen until ``stopped`` is set; lost connections are made again."""
        asyncio.run(self._run(stopped))

    async def _run(self, stopped: threading.Event) -> None:
        work = asyncio.create_task(self._listen_on())
        stop = asyncio.create_task(asyncio.to_thread(stopped.wait))
        try:
            await asyncio.wait({work, stop}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopped.set()  # frees the thread that waits for it when the work has failed
            work.cancel()
            with suppress(asyncio.CancelledError):
                await work

    async def _listen_on(self) -> None:
        while True:
            try:
                await self._listen_once()
            except DatabaseAway:
                log.warning("the database is away; the broker keeps the messages meanwhile")
                await self._until_database_answers()
                continue
            except (aiomqtt.MqttError, OSError) as error:
                again_in_s = self._pause.next_s()
                log.warning("no connection to the broker", error=str(error), again_in_s=again_in_s)
            await asyncio.sleep(again_in_s)

    async def _listen_once(self) -> None:
        topic = topics.listener_topic(self._root)
        line = Line(
            self._broker,
            identifier=f"{self._root}-listener",
            will=aiomqtt.Will(topic, dumps({"state": "gone"}).encode(), qos=1, retain=True),
            ca_file=self._settings.mqtt_ca_file,
        )
        async with line:
            granted = await line.subscribe(topics.readings_filter(self._root), qos=1)
            if any(getattr(code, "is_failure", code == 0x80) for code in granted):
                raise aiomqtt.MqttError(f"the broker refuses the subscription: {granted[0]}")
            if self._has_been_connected and not line.is_resumed:
                log.error("the broker has forgotten the session; what waited in it is lost")
            self._has_been_connected = True
            log.info("listening", broker=self._broker.host, port=self._broker.port, resumed=line.is_resumed)
            self.is_listening = True
            try:
                await self._tell_state(line, "listening")
                await self._take_in(line)
            except (DatabaseAway, asyncio.CancelledError) as end:
                state = "stopped" if isinstance(end, asyncio.CancelledError) else "waiting for the database"
                with suppress(aiomqtt.MqttError):
                    await self._tell_state(line, state)
                raise
            finally:
                self.is_listening = False

    async def _take_in(self, line: Line) -> None:
        while True:
            came = await line.take(MESSAGES_AT_ONCE, BYTES_AT_ONCE)
            messages = [Message(str(one.topic), bytes(one.payload)) for one in came]
            answers = await self._settle(messages)
            await self._answer_all(line, messages, came, answers)
            await line.acknowledge(came, most_bytes=WAITING_BYTES)
            self._pause.reset()
            self._record(messages, answers)
            if time.monotonic() - self._last_told_s > TELL_EVERY_S:
                await self._tell_state(line, "listening")

    async def _settle(self, messages: Sequence[Message]) -> list[Answer]:
        """Store what came, together if possible; one message that cannot be stored holds up no other."""
        try:
            return await self._insist(messages)
        except DatabaseAway:
            raise
        except Exception as error:  # noqa: BLE001 - whatever it is, it must not stop the queue
            log.warning("storing messages one by one", messages=len(messages), error=type(error).__name__)
            return [await self._settle_alone(message) for message in messages]

    async def _settle_alone(self, message: Message) -> Answer:
        try:
            return (await self._insist([message]))[0]
        except DatabaseAway:
            raise
        except RimekeepError as error:
            return Answer(message.mark, against=error)
        except Exception:
            log.exception("a message could not be stored", topic=message.topic, message=message.mark)
            failure = RimekeepError(
                "internal-error", "The service failed at this message and logged why. Send it again later."
            )
            return Answer(message.mark, against=failure, is_failure=True)

    async def _insist(self, messages: Sequence[Message]) -> list[Answer]:
        pause = Pause()
        for _ in range(TRIES):
            try:
                return await asyncio.to_thread(self._store, messages)
            except SQLAlchemyError as error:
                if not is_away(error):
                    raise
                log.warning("the database did not take messages", error=type(error).__name__)
            await asyncio.sleep(pause.next_s())
        raise DatabaseAway

    def _store(self, messages: Sequence[Message]) -> list[Answer]:
        with self._database.transaction() as session:
            return usecases.take_messages(
                session,
                self._clock(),
                messages,
                clock_skew_s=self._settings.clock_skew_s,
                largest_bytes=self._settings.max_body_bytes,
            )

    async def _until_database_answers(self) -> None:
        while True:
            await asyncio.sleep(self._pause.next_s())
            with suppress(SQLAlchemyError):
                await asyncio.to_thread(self._probe)
                return

    def _probe(self) -> None:
        with self._database.transaction() as session:
            session.execute(text("SELECT 1"))

    async def _answer_all(
        self,
        line: Line,
        messages: Sequence[Message],
        came: Sequence[aiomqtt.Message],
        answers: Sequence[Answer],
    ) -> None:
        each = zip(messages, came, answers, strict=True)
        if not self._was_cut_off:
            self._was_cut_off = True  # unless all goes well
            await asyncio.gather(*(self._answer(line, *one) for one in each))
        else:
            # One after the other: a broker that cuts the connection over a publication has said before which.
            for one in each:
                await self._answer(line, *one)
        self._was_cut_off = False

    async def _answer(self, line: Line, message: Message, heard: aiomqtt.Message, answer: Answer) -> None:
        properties: dict[str, object] = {
            "MessageExpiryInterval": ANSWER_KEPT_S,
            "ContentType": "application/json",
        }
        asked = getattr(heard.properties, "CorrelationData", None)
        if asked is not None:
            properties["CorrelationData"] = asked
        for part in topics.told(answer):
            await self._tell(line, topics.answers_topic(message.topic), part, properties)

    async def _tell_state(self, line: Line, state: str) -> None:
        self._last_told_s = time.monotonic()
        payload = {"state": state, "at": self._clock().isoformat(), **asdict(self.counts)}
        topic = topics.listener_topic(self._root)
        await self._tell(line, topic, dumps(payload).encode(), {}, is_kept=True)

    async def _tell(
        self,
        line: Line,
        topic: str,
        payload: bytes,
        properties: dict[str, object],
        *,
        is_kept: bool = False,
    ) -> None:
        """Publish; a topic the broker refuses is logged and left alone for a while."""
        if self._refused_until.get(topic, 0.0) > time.monotonic():
            return
        said = await line.tell(topic, payload, is_kept=is_kept, **properties)
        if said.is_failure:
            # Some brokers cut the connection for it too: the same answer would be tried for ever.
            self._refused_until[topic] = time.monotonic() + REFUSED_FOR_S
            log.error("the broker refuses what is published", topic=topic, reason=str(said))

    def _record(self, messages: Sequence[Message], answers: Sequence[Answer]) -> None:
        before = asdict(self.counts)
        for message, answer in zip(messages, answers, strict=True):
            self.counts.add(answer)
            if answer.against is not None and not answer.is_failure:
                log.warning(
                    "message refused", topic=message.topic, message=answer.mark, why=str(answer.against)[:500]
                )
        now = asdict(self.counts)
        log.info("messages taken in", **{name: now[name] - before[name] for name in now})
