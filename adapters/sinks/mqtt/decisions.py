"""The user's decisions received over MQTT, on a separate connection so that they never hold up an event.

They are received only from a broker that requires a login. The session ends with the connection: a decision sent
meanwhile is lost, and gets no answer.
"""

from __future__ import annotations

import asyncio
import secrets
from typing import TYPE_CHECKING, Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.mqtt_broker import BrokerLine
from scanner.ports import DeliveryError

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.mqtt_broker import BrokerSettings
    from adapters.sinks.mqtt.settings import MqttSettings
    from adapters.sinks.mqtt.topics import Topics
    from scanner.ports import Decider

MOST_WAITING = 50
"""Most waiting messages; if there are more, all are dropped and the connection is closed."""
QUEUED = 1_000
"""Most messages held in memory."""
LARGEST = 65_536
"""Bytes of the largest packet that an MQTT 5.0 broker may send; it drops larger ones."""
BETWEEN = 0.05
"""Seconds between two messages, which leave the store free for others most of the time."""
NO_LOGIN = {0x86, 0x87, 0x8C}
"""Reason codes by which a broker refuses a client without a login (MQTT 5.0, section 2.4)."""
SILENCE = 60.0
"""Seconds without receiving after a flood."""
RETAINED = (
    "a retained message is ignored, since the broker would repeat it after each connection; publish it unretained, and "
    "clear the topic with an empty retained message"
)
TOO_MANY = (
    f"more than {MOST_WAITING} messages were waiting; they are dropped, and messages are ignored for {SILENCE:.0f} s"
)
OPEN_TO_ALL = "accepts clients without a login, so decisions from it are ignored; require a login"


class FloodError(DeliveryError):
    """Too many messages arrived."""


class MqttDecisions:
    """Receives decisions and sends the answers."""

    def __init__(self, settings: MqttSettings, topics: Topics, pause: Callable[[int], float]) -> None:
        """Take the settings; ``pause`` gives the seconds to wait after a number of failures in a row."""
        self._settings = settings
        self._topics = topics
        self._pause = pause
        host, port = settings.address
        self._where = f"The MQTT broker at {host}:{port}"

    async def listen(self, decider: Decider) -> None:
        """Receive decisions until cancelled; reconnects whenever the connection is lost."""
        failures, reported = 0, ""
        while True:
            connected: list[bool] = []
            try:
                await self._session(decider, connected)
            except FloodError as problem:
                decider.tell(str(problem))
                await asyncio.sleep(SILENCE)
                continue
            except DeliveryError as problem:
                trouble = str(problem)
            if connected:
                failures, reported = 0, ""
            elif trouble != reported:
                decider.tell(trouble)
                reported = trouble
            failures += 1
            await asyncio.sleep(self._pause(failures))

    async def try_once(self) -> None:
        """Check that decisions could be received; DeliveryError says why not."""
        await self._session(None, [])

    async def _session(self, decider: Decider | None, connected: list[bool]) -> None:
        """Connect and receive until the connection is lost, then raise a DeliveryError; without a decider just connect.

        ``connected`` gets a True once decisions are received.
        """
        settings, topic = self._settings, self._topics.decide
        what = "cannot be reached for decisions"
        try:
            async with await self._line(settings, settings.hearing_identifier) as line:
                if await self._accepts_without_login():
                    raise DeliveryError(f"{self._where} {OPEN_TO_ALL}")
                what = "did not answer the subscription to decisions"
                (granted,) = await line.subscribe(topic, **self._subscription())
                if isinstance(granted, ReasonCode) and granted.is_failure:
                    raise DeliveryError(f"{self._where} refuses the subscription to {topic} ({granted})")
                what = "broke the connection for decisions"
                connected.append(True)
                if decider is not None:
                    await self._receive(line, decider)
        except aiomqtt.MqttError as problem:
            raise DeliveryError(f"{self._where} {what} ({problem.__cause__ or problem})") from problem

    async def _receive(self, line: BrokerLine, decider: Decider) -> None:
        async for message in line.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            if len(line.messages) > MOST_WAITING:
                await self._answer(line, decider.refuse(payload, TOO_MANY))
                raise FloodError(f"{self._where}: {TOO_MANY}")
            if message.retain and payload:
                await self._answer(line, decider.refuse(payload, RETAINED))
            elif not message.retain:
                await self._answer(line, await asyncio.to_thread(decider.answer, payload))
            await asyncio.sleep(BETWEEN)

    async def _answer(self, line: BrokerLine, answer: bytes) -> None:
        await line.publish(self._topics.decided, answer, qos=1)

    async def _accepts_without_login(self) -> bool:
        """Try to connect without a login; DeliveryError if the broker accepts that."""
        try:
            async with await self._line(self._settings.anonymous, f"cp{secrets.token_hex(8)}"):
                return True
        except aiomqtt.MqttError as problem:
            reason = getattr(problem, "rc", None)
            hangs_up = reason is None and self._settings.client_cert is not None  # on a client without a certificate
            if hangs_up or (isinstance(reason, ReasonCode) and reason.value in NO_LOGIN):
                return False
            raise DeliveryError(
                f"{self._where} did not show whether it requires a login ({problem}), so decisions from it are ignored"
            ) from problem

    async def _line(self, settings: BrokerSettings, name: str) -> BrokerLine:
        try:
            context = await asyncio.to_thread(settings.tls_context)
        except ValueError as problem:
            raise DeliveryError(f"{self._where}: TLS cannot be used: {problem}") from None
        options: dict[str, Any] = {"max_queued_incoming_messages": QUEUED}
        if settings.version == "5.0":
            limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho says no type here
            limits.MaximumPacketSize = LARGEST
            options["properties"] = limits
        return BrokerLine(settings, name, self._settings.timeout, context, **options)

    def _subscription(self) -> dict[str, Any]:
        """Ask for QoS 1; only with MQTT 5.0 can a present subscriber see that a message is retained."""
        if self._settings.version == "5.0":
            return {"options": SubscribeOptions(qos=1, retainAsPublished=True)}
        return {"qos": 1}
