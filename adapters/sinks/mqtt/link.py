"""One connection to an MQTT broker that checks the broker's answers."""

from __future__ import annotations

import asyncio
import socket
from typing import TYPE_CHECKING, Any, Self

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.mqtt_broker import BrokerLine
from adapters.sinks.envelope import MEDIA_TYPE
from adapters.sinks.mqtt.topics import LONGEST
from scanner.ports import DeliveryError, DeliveryRefusedError

if TYPE_CHECKING:
    import ssl
    from types import TracebackType

    import paho.mqtt.client as paho

    from adapters.sinks.mqtt.settings import MqttSettings

WINDOW = 20
"""Most messages under way at once: what common brokers allow, and enough to keep the connection busy."""
HEADER = 64
"""Most bytes of a packet, apart from topic and payload, as we write it."""

REASONS = {
    0x83: "it is not willing to",
    0x84: "it does not support this version of MQTT; set version",
    0x85: "it does not accept this client id; set client_id",
    0x86: "wrong user or password",
    0x87: "not authorised",
    0x8A: "this client is banned",
    0x8C: "it requires another way to log in",
    0x90: "it does not accept this topic",
    0x95: "the packet is too large for it",
    0x99: "it does not accept this payload",
    0x9A: "it keeps no retained messages",
    0x9B: "it does not support QoS 1",
}
"""Reason codes in words that say what to do (MQTT 5.0, section 2.4)."""
OF_THE_MESSAGE = frozenset({0x90, 0x95, 0x99})
"""The ones about the message itself, after which a retry is useless: its topic, its size, its payload. A login, access
rules and the abilities of a broker can change while the message waits."""
TAKEN_OVER = 0x8E


class PublishingLine(BrokerLine):
    """A connection that, beyond aiomqtt's, keeps to the broker's limits and notices refused messages.

    ``lost`` is done when the connection is gone, for whatever reason.
    """

    lost: asyncio.Task[None]

    def __init__(self, settings: MqttSettings, will: aiomqtt.Will, tls: ssl.SSLContext | None) -> None:
        super().__init__(
            settings,
            settings.identifier,
            settings.timeout,
            tls,
            will=will,
            max_inflight_messages=0,  # the window below does this, with the broker's limit
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        host, port = settings.address
        self._where = f"The MQTT broker at {host}:{port}"
        self._publishing = properties(PacketTypes.PUBLISH) if settings.version == "5.0" else None
        self._largest = settings.largest
        self._window = asyncio.Semaphore(WINDOW)
        self._answers: dict[int, asyncio.Future[ReasonCode | DeliveryError]] = {}
        self._lost: DeliveryError | None = None

    async def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish at QoS 1 and return once the broker has it; raises DeliveryError."""
        length = len(topic.encode())
        if length > LONGEST:
            raise DeliveryRefusedError(f"The topic {topic[:80]}… would be {length} bytes long, more than MQTT allows")
        if (size := length + len(payload) + HEADER) > self._largest:
            raise DeliveryRefusedError(
                f"{self._where} accepts packets of at most {self._largest} bytes, and this is up to {size}"
            )
        await self._window.acquire()
        answer: asyncio.Future[ReasonCode | DeliveryError] = asyncio.get_running_loop().create_future()
        # The broker counts a message until it has answered, even if no call is waiting for that any more.
        answer.add_done_callback(lambda _: self._window.release())
        if self._lost is not None:
            answer.set_result(self._lost)
        else:
            info = self._client.publish(topic, payload, 1, retain, self._publishing)
            self._answers[info.mid] = answer
        await asyncio.wait({answer}, timeout=self.timeout)
        if not answer.done():
            self.break_off()
            raise DeliveryError(f"{self._where} did not confirm a message in {self.timeout:g} s")
        result = answer.result()
        if isinstance(result, DeliveryError):
            raise result
        if result.is_failure:
            raise self.trouble(result, f"refused a message for {topic[:200]}")

    async def __aenter__(self) -> Self:
        """Connect; raises MqttError."""
        await super().__aenter__()
        self.lost = asyncio.create_task(self._until_lost())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Disconnect, if the connection is not lost anyway."""
        try:
            await super().__aexit__(kind, error, trace)
        except aiomqtt.MqttError:
            self.break_off()
        finally:
            self.lost.cancel()
            self._give_up(DeliveryError(f"{self._where} is not connected any more"))

    async def _until_lost(self) -> None:
        try:
            async for _ in self.messages:  # there are none, since nothing is subscribed to
                pass
        except aiomqtt.MqttError as error:
            self._give_up(self.trouble(error.__cause__ or error, "broke the connection"))

    def _give_up(self, error: DeliveryError) -> None:
        """Tell all waiting calls that no confirmation will come."""
        self._lost = self._lost or error
        for answer in self._answers.values():
            answer.set_result(self._lost)
        self._answers.clear()

    def hang_up(self) -> None:
        """Disconnect in good order, so that the broker forgets the last will."""
        self._client.disconnect()

    def trouble(self, cause: object, what: str) -> DeliveryError:
        """Turn an answer of the broker, or of the network, into a sentence."""
        reason = getattr(cause, "rc", cause)
        code = reason.value if isinstance(reason, ReasonCode) else None
        if code in REASONS:
            kind = DeliveryRefusedError if code in OF_THE_MESSAGE else DeliveryError
            return kind(f"{self._where} {what}: {REASONS[code]}")
        if code == TAKEN_OVER:
            return DeliveryError(
                f"{self._where} {what}: another client uses our client id; is the station's name taken?"
            )
        return DeliveryError(f"{self._where} {what}: {reason if code is not None else cause}")

    # The broker's answers reach only these methods of aiomqtt, which drop its reason codes and limits.

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,  # noqa: ANN401 - paho's signature
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self._window = asyncio.Semaphore(min(WINDOW, getattr(properties, "ReceiveMaximum", WINDOW)))
        self._largest = min(self._largest, getattr(properties, "MaximumPacketSize", self._largest))
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self,
        client: paho.Client,  # noqa: ARG002 - paho's signature
        userdata: Any,  # noqa: ANN401, ARG002 - paho's signature
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,  # noqa: ARG002 - paho's signature
    ) -> None:
        if (answer := self._answers.pop(mid, None)) is not None:
            answer.set_result(reason_code)


def properties(packet: int) -> Properties:
    """With MQTT 5.0, give the type of the payload, as the MQTT binding of CloudEvents requires in structured mode."""
    made = Properties(packet)  # type: ignore[no-untyped-call]  # the library annotates only part of itself
    made.ContentType = MEDIA_TYPE
    made.PayloadFormatIndicator = 1
    return made
