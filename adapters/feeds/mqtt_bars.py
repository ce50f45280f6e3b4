"""The feed ``mqtt_bars``: bars that the user's own gateway publishes to an MQTT broker."""

from __future__ import annotations

import asyncio
import re
import socket
from contextlib import AsyncExitStack, suppress
from typing import TYPE_CHECKING, Self

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import Field, field_validator, model_validator

from adapters.feeds.messages import PushedFeed, PushedSettings
from adapters.mqtt_broker import BrokerSettings
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.feeds.link import Outside

NAMES = ("symbol", "timeframe")
LONGEST_TOPIC = 65_535
"""Bytes of the longest topic (MQTT 5.0, section 1.5.4)."""


class MqttBarsSettings(PushedSettings, BrokerSettings):
    """The settings of the feed ``mqtt_bars``."""

    client_id: str = Field(
        min_length=1,
        description="Our name to the broker, by which it keeps messages for us while we are away; nobody else's there.",
    )
    topic: str = Field(
        min_length=1,
        description="The topic of the bars; {symbol} and {timeframe} in it each stand for a level or a part of one.",
    )
    remember: int = Field(
        86_400, ge=0, description="Seconds for which a broker of MQTT 5.0 is to keep messages for us while we are away."
    )

    @field_validator("topic")
    @classmethod
    def _is_topic(cls, value: str) -> str:
        if set("+#\0") & set(value) or len(value.encode()) > LONGEST_TOPIC:
            raise ValueError(
                "a topic has no +, no # and no NUL, and at most 65,535 bytes; {symbol} stands for any name"
            )
        unknown = set(re.findall(r"\{(.*?)\}", value)) - set(NAMES)
        if unknown or any(value.count(f"{{{name}}}") > 1 for name in NAMES):
            raise ValueError("a topic may have {symbol} and {timeframe}, each once, and no other name in braces")
        return value

    @model_validator(mode="after")
    def _series_is_named(self) -> Self:
        for name in NAMES:
            if f"{{{name}}}" not in self.topic and getattr(self, name) is None:
                raise ValueError(f"the topic has no {{{name}}}: say with {name} where a message names it")
        return self

    @property
    def topic_filter(self) -> str:
        """What to subscribe to: a level that holds a name may be anything."""
        return "/".join("+" if "{" in level else level for level in self.topic.split("/"))

    @property
    def topic_pattern(self) -> re.Pattern[str]:
        """How to read the names in a topic."""
        parts = re.split(r"\{(\w+)\}", self.topic)
        found = "".join(f"(?P<{part}>[^/]+)" if number % 2 else re.escape(part) for number, part in enumerate(parts))
        return re.compile(found)


class _Client(aiomqtt.Client):
    """A connection that can be dropped while it is still being made."""

    async def connected(self) -> Self:
        """Connect; an attempt that fails or is given up leaves no line open."""
        attempt = asyncio.ensure_future(self.__aenter__())
        try:
            return await asyncio.shield(attempt)
        except BaseException:
            # Its thread cannot be stopped, but what it brings in the end can be closed.
            attempt.add_done_callback(self._drop)
            raise
        finally:
            del attempt  # its exception and this frame would keep each other, and the socket, alive

    def _drop(self, attempt: asyncio.Future[Self]) -> None:
        if not attempt.cancelled():
            attempt.exception()
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)


class MqttBarsFeed(PushedFeed):
    """Listens to a broker and answers from what it has heard.

    The session outlives connections: at QoS 1 the broker keeps what comes while we are away, as far as it is set up to.
    """

    Settings = MqttBarsSettings

    def __init__(self, settings: MqttBarsSettings, *, outside: Outside | None = None) -> None:
        host, port = settings.address
        self._where = f"MQTT broker {host}:{port}"
        super().__init__(settings, self._where, self._session, outside)
        self._settings = settings
        self._pattern = settings.topic_pattern

    async def _session(self, up: Callable[[], None]) -> None:
        """Listen until the connection breaks."""
        try:
            trouble = await self._listen(up)
        except ValueError as problem:
            trouble = str(problem)
        # Raised out here, it holds on to nothing of the connection that is lost.
        raise FeedTroubleError(f"{self._where}: {trouble}")

    async def _listen(self, up: Callable[[], None]) -> str:
        """Listen until the connection breaks, and say why it did."""
        topic = self._settings.topic_filter
        what = "cannot be reached"
        try:
            async with AsyncExitStack() as ending:
                client = await self._client().connected()
                ending.push_async_exit(client)
                what = "did not answer the subscription"
                (granted,) = await client.subscribe(topic, qos=1)
                if isinstance(granted, ReasonCode) and granted.is_failure:
                    return (
                        f"it refuses the subscription to {topic} ({granted}); check topic, and what the user may read"
                    )
                what = "broke off the connection"
                up()
                async for message in client.messages:
                    self._take(str(message.topic), message.payload)
        except aiomqtt.MqttError as problem:
            return f"it {what} ({problem.__cause__ or problem}); check the broker, host, port and login"
        return "it has nothing more to say; the connection is made again"

    def _client(self) -> _Client:
        settings = self._settings
        host, port = settings.address
        five = settings.version == "5.0"
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho says no type here
        lasting.SessionExpiryInterval = settings.remember
        return _Client(
            host,
            port,
            username=settings.user,
            password=settings.password.get_secret_value() if settings.password else None,
            identifier=settings.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
            keepalive=settings.keep_alive,
            timeout=settings.connect_timeout,
            tls_context=settings.tls_context(),
            # Each version has its own way to ask for a lasting session, and its library refuses the other's.
            **({"clean_start": False, "properties": lasting} if five else {"clean_session": False}),
        )

    def _take(self, topic: str, payload: object) -> None:
        names = self._pattern.fullmatch(topic)
        if names is None or not isinstance(payload, bytes):
            return  # left in a lasting session by an earlier topic of ours
        found = names.groupdict()
        self.inbox.take(payload, found.get("symbol"), found.get("timeframe"))
