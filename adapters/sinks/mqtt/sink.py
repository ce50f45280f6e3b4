"""The sink ``mqtt``: events published to an MQTT broker, and the current state retained there for late subscribers.

Payloads are CloudEvents in structured mode, as in their MQTT binding; ``mqtt_topics`` has the topic tree.

With MQTT 3.1.1 a broker cannot refuse a single message: what its access rules forbid, it confirms and drops.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from typing import TYPE_CHECKING, Literal

import aiomqtt
from paho.mqtt.packettypes import PacketTypes

from adapters.sinks.envelope import as_json
from adapters.sinks.mqtt.decisions import MqttDecisions
from adapters.sinks.mqtt.link import PublishingLine, properties
from adapters.sinks.mqtt.settings import MqttSettings
from adapters.sinks.mqtt.topics import Topics
from scanner.backoff import Pauses
from scanner.ports import DeliveryError, DeliveryRefusedError

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Sequence

    from scanner.ports import Decider, Message

State = Literal["watching", "stopped", "gone"]
AT_ONCE = 200
"""Most waiting deliveries: enough that the connection is never idle."""
FAREWELL_SECONDS = 0.75
"""Seconds for the broker to accept the last message, and then to disconnect."""
PAUSES = Pauses(random.random, first=2.0, longest=60.0)


class MqttSink:
    """Publishes events over one connection, renewed from ``start`` to ``stop`` whenever it is lost.

    Many deliveries may be under way at once; they are published in the order of the calls. If configured, it also
    receives the user's decisions.
    """

    Settings = MqttSettings
    wants_pictures = False
    digests = False
    at_once = AT_ONCE

    def __init__(self, settings: MqttSettings, *, pause: Callable[[int], float] = PAUSES.after) -> None:
        self._settings = settings
        self._topics = Topics(settings.prefix, settings.station)
        self._pause = pause
        self._link: PublishingLine | None = None
        self._keeping: asyncio.Task[None] | None = None
        self._wanted = asyncio.Event()
        self._stopping = False
        self.hears = settings.decisions
        self._decisions = MqttDecisions(settings, self._topics, pause)
        self._decider: Decider | None = None
        self._hearing: asyncio.Task[None] | None = None

    def hear(self, decider: Decider) -> None:
        """Pass what arrives to ``decider`` while the sink is started."""
        self._decider = decider

    async def try_hearing(self) -> None:
        """Check that decisions could be received; DeliveryError says why not."""
        await self._decisions.try_once()

    async def start(self) -> None:
        """Connect and publish that the station is watching; after a DeliveryError it keeps trying to connect."""
        if self._keeping is None:
            self._stopping = False
            self._outcome: asyncio.Future[PublishingLine | DeliveryError] = asyncio.get_running_loop().create_future()
            self._keeping = asyncio.create_task(self._keep())
            if self.hears and self._decider is not None:
                self._hearing = asyncio.create_task(self._decisions.listen(self._decider))
        await self._connected()

    async def stop(self) -> None:
        """Publish that the station has stopped, and disconnect."""
        if self._keeping is None:
            return
        self._stopping = True
        self._wanted.set()
        if self._hearing is not None:
            self._hearing.cancel()
        if (link := self._link) is not None:
            try:
                async with asyncio.timeout(FAREWELL_SECONDS):
                    await self._say(link, "stopped")
            except (DeliveryError, TimeoutError):
                link.break_off()
            else:
                link.hang_up()
        ending = {self._keeping} if self._hearing is None else {self._keeping, self._hearing}
        _, late = await asyncio.wait(ending, timeout=FAREWELL_SECONDS)
        if late:
            for each in late:
                each.cancel()
            await asyncio.wait(late)
        self._keeping = self._hearing = None

    async def deliver(self, messages: Sequence[Message]) -> None:
        """Publish each message, in order, with the resulting state; raises DeliveryError."""
        link = await self._connected()
        sendings = [sending for message in messages for sending in self._sendings(link, message)]
        sent = await asyncio.gather(*sendings, return_exceptions=True)
        if troubles := [trouble for trouble in sent if isinstance(trouble, BaseException)]:
            # One that may succeed later makes all of it worth another try.
            raise min(troubles, key=lambda trouble: isinstance(trouble, DeliveryRefusedError))

    def _sendings(self, link: PublishingLine, message: Message) -> list[Coroutine[None, None, None]]:
        event, payload = message.event, as_json(message)
        sendings = [link.send(self._topics.of(event), payload)]
        if (state := self._topics.state_of(event)) is not None:
            sendings.append(link.send(state, b"" if event.facts.ends else payload, retain=True))
        return sendings

    async def _connected(self) -> PublishingLine:
        if self._link is not None:
            return self._link
        if self._keeping is None:
            raise DeliveryError("The sink mqtt is not started")
        self._wanted.set()
        outcome = await asyncio.shield(self._outcome)
        if isinstance(outcome, DeliveryError):
            raise outcome
        return outcome

    async def _keep(self) -> None:
        """Connect and stay connected, again and again, until told to stop."""
        failures = 0
        try:
            while not self._stopping:
                try:
                    await self._connect()
                    failures = 0
                except DeliveryError as error:
                    # A broker's refusal to connect is not about the waiting messages.
                    self._settle(DeliveryError(str(error)))
                    failures += 1
                self._wanted.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._wanted.wait(), 0 if self._stopping else self._pause(failures))
        finally:
            self._settle(DeliveryError("The sink mqtt is stopped"))

    async def _connect(self) -> None:
        """Connect, publish that, and stay until the connection is lost; raises DeliveryError if there was none."""
        try:
            context = await asyncio.to_thread(self._settings.tls_context)
        except ValueError as problem:
            raise DeliveryError(f"The sink mqtt cannot use TLS: {problem}") from None
        link = PublishingLine(self._settings, self._will(), context)
        try:
            async with link:
                await self._say(link, "watching")
                if self._stopping:
                    await self._say(link, "stopped")
                    return
                self._link = link
                self._settle(link)
                await link.lost
        except aiomqtt.MqttError as error:
            raise link.trouble(error, "cannot be used") from error
        finally:
            self._link = None

    def _settle(self, outcome: PublishingLine | DeliveryError) -> None:
        """Tell all waiting calls the result of the attempt to connect."""
        self._outcome.set_result(outcome)
        self._outcome = asyncio.get_running_loop().create_future()

    async def _say(self, link: PublishingLine, state: State) -> None:
        await link.send(self._topics.station, self._state(state), retain=True)

    def _will(self) -> aiomqtt.Will:
        five = self._settings.version == "5.0"
        return aiomqtt.Will(
            self._topics.station,
            self._state("gone"),
            qos=1,
            retain=True,
            properties=properties(PacketTypes.WILLMESSAGE) if five else None,
        )

    def _state(self, state: State) -> bytes:
        return json.dumps({"station": self._settings.station, "state": state}).encode("ascii")
