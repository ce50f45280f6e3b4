"""What the tests of the sink mqtt share: the sink, readers, and brokers, real and scripted."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import aiomqtt
import pytest

from adapters.sinks.mqtt.settings import MqttSettings
from adapters.sinks.mqtt.sink import MqttSink
from adapters.sinks.mqtt.topics import EMPTY
from tests.adapters.servers import HOST, amqtt_broker, mosquitto, mosquitto_tls, mosquitto_users

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping
    from pathlib import Path

    from tests.adapters.certificates import Certificates
BROKERS = pytest.mark.parametrize(
    ("kind", "version"), [("mosquitto", "5.0"), ("mosquitto", "3.1.1"), ("amqtt", "3.1.1")]
)
VERSIONS = pytest.mark.parametrize("version", ["5.0", "3.1.1"])
USERS = {"loft": "s3cret; with ☃"}
ROOT = "closewatch/loft"
SECONDS = 10
CONNECT, PUBLISH, LEFT = 1, 3, 0
"""Kinds of packet, and none."""


def decode(level: str) -> str:
    """Turn a level of a topic back into the name given to ``encode``."""
    return "" if level == EMPTY else unquote(level, errors="surrogatepass")


@asynccontextmanager
async def broker_of(
    kind: str, folder: Path, users: Mapping[str, str] | None = None, certificates: Certificates | None = None
) -> AsyncIterator[int]:
    """Run a broker of either kind and give its port."""
    if kind == "amqtt":
        async with amqtt_broker(folder, users, certificates) as port:
            yield port
        return
    options = mosquitto_users(folder, users) if users else "allow_anonymous true\n"
    with mosquitto(folder, options + (mosquitto_tls(certificates) if certificates else "")) as broker:
        yield broker.port


def sink_for(port: int, version: str = "5.0", **settings: Any) -> MqttSink:  # noqa: ANN401 - as in a file
    table = {"host": HOST, "port": port, "station": "loft", "version": version, "timeout": 5}
    return MqttSink(MqttSettings.model_validate(table | settings), pause=lambda _: 0.01)


@asynccontextmanager
async def running(sink: MqttSink) -> AsyncIterator[MqttSink]:
    await sink.start()
    try:
        yield sink
    finally:
        await sink.stop()


@asynccontextmanager
async def reading(
    port: int,
    topics: str,
    version: str = "5.0",
    **options: Any,  # noqa: ANN401 - aiomqtt's
) -> AsyncIterator[aiomqtt.Client]:
    protocol = aiomqtt.ProtocolVersion.V5 if version == "5.0" else aiomqtt.ProtocolVersion.V311
    async with aiomqtt.Client(HOST, port, identifier="reader", protocol=protocol, **options) as reader:
        await reader.subscribe(topics, qos=1)
        yield reader


async def read(reader: aiomqtt.Client, count: int) -> list[aiomqtt.Message]:
    async with asyncio.timeout(SECONDS):
        return [await anext(aiter(reader.messages)) for _ in range(count)]


async def read_state(reader: aiomqtt.Client) -> str:
    """Read what the next message says the station is doing."""
    (message,) = await read(reader, 1)
    assert message.topic.value == f"{ROOT}/state/station"
    said = content(message)
    assert said["station"] == "loft"
    return str(said["state"])


def content(message: aiomqtt.Message) -> Any:  # noqa: ANN401 - JSON
    assert isinstance(message.payload, bytes)
    return json.loads(message.payload) if message.payload else None


@asynccontextmanager
async def scripted(
    connack: bytes, *puback: bytes, after: bytes = b"", heard: asyncio.Queue[int] | None = None
) -> AsyncIterator[int]:
    """Run a broker that answers the connection, then the first messages, as given, says ``after``, and falls silent.

    A puback is what stands in it behind the message's number; give one for each message that is to be answered.
    ``heard`` is told the kind of each packet, and 0 when the client has left.
    """
    log: asyncio.Queue[int] = heard or asyncio.Queue()

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        answers = list(puback)
        while header := await reader.read(1):
            length = shift = 0
            more = True
            while more:
                (byte,) = await reader.readexactly(1)
                length, shift, more = length | (byte & 0x7F) << shift, shift + 7, byte > 0x7F
            body = await reader.readexactly(length)
            log.put_nowait(header[0] >> 4)
            if header[0] >> 4 == CONNECT:
                writer.write(connack)
            elif answers:
                topic = int.from_bytes(body[:2], "big")
                told = body[2 + topic : 4 + topic] + answers.pop(0)
                writer.write(bytes((0x40, len(told))) + told + (b"" if answers else after))
        log.put_nowait(LEFT)
        writer.close()

    async with await asyncio.start_server(answer, HOST, 0) as server:
        yield int(server.sockets[0].getsockname()[1])
