"""The feed ``mqtt_bars``: bars that the user's own gateway publishes to an MQTT broker."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Self

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import Field, field_validator, model_validator

from adapters.answers import hidden
from adapters.feeds.pushed.link import REAL
from adapters.feeds.pushed.messages import PushedFeed, PushedSettings
from adapters.mqtt_broker import BrokerLine, BrokerSettings
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.feeds.pushed.link import Outside

NAMES = ("symbol", "timeframe")
LONGEST_TOPIC = 65_535
"""Bytes of the longest topic (MQTT 5.0, section 1.5.4)."""


class MqttBarsSettings(PushedSettings, BrokerSettings):
    """The settings of the feed ``mqtt_bars``."""

    client_id: str = Field(
        min_length=1,
        description="our name at the broker, under which it keeps messages while we are away; no other client may use "
        "it",
    )
    topic: str = Field(
        min_length=1,
        description="the topic of the bars; {symbol} and {timeframe} in it each stand for a level or a part of one",
    )
    remember: int = Field(
        86_400, ge=0, description="seconds for which an MQTT 5.0 broker keeps messages while we are away"
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
                raise ValueError(f"the topic has no {{{name}}}: set {name} to where a message names it")
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


class MqttBarsFeed(PushedFeed):
    """Listens to a broker and answers from the bars received.

    The session outlives connections: at QoS 1 the broker keeps what arrives while we are away, if so configured.
    """

    Settings = MqttBarsSettings

    def __init__(self, settings: MqttBarsSettings, *, outside: Outside = REAL, show_body: bool = False) -> None:
        """Take the settings; ``show_body`` shows the contents of messages, which may contain the password."""
        host, port = settings.address
        self._where = f"MQTT broker {host}:{port}"
        super().__init__(
            settings, self._where, self._session, outside, str if show_body or settings.password is None else hidden
        )
        self.settings = settings
        self.limits = settings.limits
        self._pattern = settings.topic_pattern

    async def _session(self, up: Callable[[], None]) -> None:
        try:
            trouble = await self._listen(up)
        except ValueError as problem:
            trouble = str(problem)
        # Raised here, it keeps no reference to the lost connection.
        raise FeedTroubleError(f"{self._where}: {trouble}")

    async def _listen(self, up: Callable[[], None]) -> str:
        """Listen until the connection breaks, and return the reason."""
        topic = self.settings.topic_filter
        what = "cannot be reached"
        try:
            async with self._line() as line:
                what = "did not answer the subscription"
                (granted,) = await line.subscribe(topic, qos=1)
                if isinstance(granted, ReasonCode) and granted.is_failure:
                    return (
                        f"it refuses the subscription to {topic} ({granted}); check topic, and what the user may read"
                    )
                what = "broke the connection"
                up()
                async for message in line.messages:
                    self._take(str(message.topic), message.payload)
        except aiomqtt.MqttError as problem:
            return f"it {what} ({problem.__cause__ or problem}); check the broker, host, port and login"
        return "it ended the messages; closewatch reconnects"

    def _line(self) -> BrokerLine:
        """Connect with a session that outlives the connection; each version has its own way to ask for that."""
        settings = self.settings
        if settings.version == "5.0":
            lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho says no type here
            lasting.SessionExpiryInterval = settings.remember
            options = {"clean_start": False, "properties": lasting}
        else:
            options = {"clean_session": False}
        return BrokerLine(settings, settings.client_id, settings.connect_timeout, settings.tls_context(), **options)

    def _take(self, topic: str, payload: object) -> None:
        names = self._pattern.fullmatch(topic)
        if names is None or not isinstance(payload, bytes):
            return  # left in a lasting session by a topic we used earlier
        found = names.groupdict()
        self.inbox.take(payload, found.get("symbol"), found.get("timeframe"))
