"""
A line to the MQTT broker that acknowledges by hand.

aiomqtt acknowledges a message when it arrives; a process killed between that and the commit would lose it.
The `Line` acknowledges when told to, which its base offers only underneath (paho's ``manual_ack``), and hears
what the broker says to a publication. What aiomqtt and paho do not show in public is used here only.
"""

import asyncio
import ssl
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import aiomqtt
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from rimekeep.platform.broker import BrokerAddress

KEEPALIVE_S = 60
ANSWER_WITHIN_S = 10.0
# Most messages the broker may send before the first of them is acknowledged.
RECEIVE_MAXIMUM = 64
# Acknowledgements sent without a look at what they brought.
ACKNOWLEDGE_AT_ONCE = 16
LOOK_S = 0.001
FOREVER_S = 0xFFFFFFFF  # MQTT 5.0, 3.1.2.11.2: the session does not expire


class _Waiting(asyncio.Queue[aiomqtt.Message]):
    """Messages not yet taken, and their size together."""

    size_bytes = 0

    def _put(self, item: aiomqtt.Message) -> None:
        self.size_bytes += len(item.payload)
        super()._put(item)

    def _get(self) -> aiomqtt.Message:
        item = super()._get()
        self.size_bytes -= len(item.payload)
        return item


class Line(aiomqtt.Client):
    """
    A connection with a session that outlives it, whose messages are acknowledged by hand.

    Until a message is acknowledged the broker keeps it, and sends it again on the next connection. The broker
    may have 64 messages under way. Some brokers overshoot (mosquitto 2.0.11 sends up to 64 new ones for one
    acknowledgement), so acknowledgements wait while enough is here to work on: memory stays bounded, whatever
    has piled up at the broker.
    """

    def __init__(
        self, address: BrokerAddress, *, identifier: str, will: aiomqtt.Will, ca_file: Path | None = None
    ) -> None:
        """Prepare; ``async with`` connects."""
        lasting = _properties(
            PacketTypes.CONNECT, SessionExpiryInterval=FOREVER_S, ReceiveMaximum=RECEIVE_MAXIMUM
        )
        super().__init__(
            address.host,
            address.port,
            username=address.user,
            password=address.password,
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=lasting,
            will=will,
            keepalive=KEEPALIVE_S,
            timeout=ANSWER_WITHIN_S,
            tls_context=ssl.create_default_context(cafile=ca_file) if address.is_tls else None,
            queue_type=_Waiting,
        )
        self.is_resumed = False
        self._client.manual_ack_set(True)
        self._told: dict[int, asyncio.Future[ReasonCode]] = {}
        self._unacknowledged: deque[aiomqtt.Message] = deque()

    async def take(self, most: int, most_bytes: int) -> list[aiomqtt.Message]:
        """
        Wait for a message; return it and what is here already, up to both bounds.

        Raises
        ------
        aiomqtt.MqttError
            The connection is lost.
        """
        taken = [await anext(self.messages)]
        size = len(taken[0].payload)
        while len(taken) < most and size < most_bytes and not self._queue.empty():
            taken.append(self._queue.get_nowait())
            size += len(taken[-1].payload)
        return taken

    async def acknowledge(self, messages: Sequence[aiomqtt.Message], *, most_bytes: int) -> None:
        """Tell the broker that these need not come again, in the order in which they came (MQTT 5.0, 4.6)."""
        self._unacknowledged.extend(messages)
        while self._unacknowledged and not self._has_enough(most_bytes):
            for _ in range(min(ACKNOWLEDGE_AT_ONCE, len(self._unacknowledged))):
                message = self._unacknowledged.popleft()
                self._client.ack(message.mid, message.qos)
            if self._unacknowledged:
                await asyncio.sleep(LOOK_S)

    def _has_enough(self, most_bytes: int) -> bool:
        waiting = self._queue
        return waiting.qsize() >= RECEIVE_MAXIMUM or (
            isinstance(waiting, _Waiting) and waiting.size_bytes >= most_bytes
        )

    async def tell(
        self, topic: str, payload: bytes, *, is_kept: bool = False, **properties: Any
    ) -> ReasonCode:
        """
        Publish with quality of service 1; return what the broker says to it.

        ``is_kept`` retains it for those who subscribe later; ``properties`` are those of MQTT 5.

        Raises
        ------
        aiomqtt.MqttError
            The connection is lost, or the broker does not answer.
        """
        with_these = _properties(PacketTypes.PUBLISH, **properties)
        sent = self._client.publish(topic, payload, 1, is_kept, with_these)
        if sent.rc != paho.MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(sent.rc, "Could not publish")
        told: asyncio.Future[ReasonCode] = self._loop.create_future()
        self._told[sent.mid] = told
        try:
            await asyncio.wait(
                (told, self._disconnected), timeout=ANSWER_WITHIN_S, return_when=asyncio.FIRST_COMPLETED
            )
            if not told.done():
                raise aiomqtt.MqttError("the connection was lost while publishing")
            return told.result()
        finally:
            self._told.pop(sent.mid, None)

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        tb: TracebackType | None,
    ) -> None:
        """Disconnect; the session stays at the broker."""
        try:
            await super().__aexit__(exc_type, exc, tb)
        finally:
            if self._disconnected.done() and not self._disconnected.cancelled():
                self._disconnected.exception()  # looked at, so that nobody reports it as unseen

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.is_resumed = flags.session_present
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self,
        client: paho.Client,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        told = self._told.get(mid)
        if told is not None and not told.done():
            told.set_result(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)


def _properties(packet: int, **values: Any) -> Properties:
    made = Properties(packet)  # type: ignore[no-untyped-call]
    for name, value in values.items():
        setattr(made, name, value)
    return made
