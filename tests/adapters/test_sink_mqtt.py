"""Events published to real brokers."""

from __future__ import annotations

import asyncio
import json
import os
import ssl
import subprocess
import sys
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest
from pydantic import ValidationError

from adapters.sinks.mqtt import MqttSink, growing_pause
from adapters.sinks.mqtt_settings import MqttSettings
from adapters.sinks.mqtt_topics import decode
from scanner.ports import DeliveryError, DeliveryRefusedError, Message
from tests.adapters.certificates import Certificates, make_certificates
from tests.adapters.samples import HOSTILE_NAMES, setup_event, station_event, withdrawn_event
from tests.adapters.servers import HOST, amqtt_broker, free_port, mosquitto, mosquitto_tls, mosquitto_users

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping

BROKERS = pytest.mark.parametrize(
    ("kind", "version"), [("mosquitto", "5.0"), ("mosquitto", "3.1.1"), ("amqtt", "3.1.1")]
)
VERSIONS = pytest.mark.parametrize("version", ["5.0", "3.1.1"])
USERS = {"loft": "s3cret; with ☃"}
ROOT = "closewatch/loft"
SECONDS = 10
CONNECT, PUBLISH, LEFT = 1, 3, 0
"""Kinds of packet, and none."""


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


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


def sink_for(port: int, version: str = "5.0", **settings: Any) -> MqttSink:  # noqa: ANN401  # as in a file
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
    **options: Any,  # noqa: ANN401  # aiomqtt's
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


def content(message: aiomqtt.Message) -> Any:  # noqa: ANN401  # JSON
    assert isinstance(message.payload, bytes)
    return json.loads(message.payload) if message.payload else None


@BROKERS
async def test_events_reach_those_who_listen_and_what_stands_those_who_come_late(
    tmp_path: Path, kind: str, version: str
) -> None:
    first, second, late = setup_event("HARBOUR"), setup_event("BTC/USD", "4h", "short"), setup_event("GANNET")
    async with broker_of(kind, tmp_path) as port, running(sink_for(port, version)) as sink:
        async with reading(port, "closewatch/loft/setups/#", version) as reader:
            await sink.deliver([Message(first)])
            await sink.deliver([Message(second), Message(late, late=True)])
            messages = await read(reader, 3)
        assert [(message.topic.value, content(message), message.retain) for message in messages] == [
            (f"{ROOT}/setups/HARBOUR/15m/long", first.to_dict(), False),
            (f"{ROOT}/setups/BTC%2FUSD/4h/short", second.to_dict(), False),
            (f"{ROOT}/setups/GANNET/15m/long", late.to_dict() | {"late": True}, False),
        ]
        if version == "5.0":
            for message in messages:
                assert vars(message.properties)["ContentType"] == "application/cloudevents+json"
                assert vars(message.properties)["PayloadFormatIndicator"] == 1

        await sink.deliver([Message(withdrawn_event(first)), Message(station_event())])
        async with reading(port, "closewatch/+/state/#", version) as reader:
            kept = {message.topic.value: content(message) for message in await read(reader, 3)}
            assert kept == {
                f"{ROOT}/state/station": {"station": "loft", "state": "watching"},
                f"{ROOT}/state/setups/BTC%2FUSD/4h/short/{second.id}": second.to_dict(),
                f"{ROOT}/state/setups/GANNET/15m/long/{late.id}": late.to_dict() | {"late": True},
            }
            await sink.deliver([Message(withdrawn_event(second))])
            (cleared,) = await read(reader, 1)
            assert (cleared.topic.value, content(cleared)) == (
                f"{ROOT}/state/setups/BTC%2FUSD/4h/short/{second.id}",
                None,
            )
            await sink.stop()
            assert await read_state(reader) == "stopped"


@BROKERS
async def test_tls_and_password(tmp_path: Path, certificates: Certificates, kind: str, version: str) -> None:
    event = setup_event()
    login = {"user": "loft", "password": USERS["loft"]}
    trust = {"tls": True, "ca_file": certificates.authority}
    async with broker_of(kind, tmp_path, USERS, certificates) as port:
        context = ssl.create_default_context(cafile=certificates.authority)
        async with (
            reading(
                port, f"{ROOT}/setups/#", version, username="loft", password=USERS["loft"], tls_context=context
            ) as reader,
            running(sink_for(port, version, **login, **trust)) as sink,
        ):
            await sink.deliver([Message(event)])
            (message,) = await read(reader, 1)
            assert content(message) == event.to_dict()

        for wrong in ({"user": "loft", "password": "guess"}, {}):
            sink = sink_for(port, version, **wrong, **trust)
            with pytest.raises(DeliveryRefusedError, match=r"(wrong user or password|not authorised)") as caught:
                await sink.start()
            assert "guess" not in str(caught.value)
            await sink.stop()

        stranger = make_certificates(tmp_path / "stranger").authority
        sink = sink_for(port, version, **login, tls=True, ca_file=stranger)
        with pytest.raises(DeliveryError, match="certificate verify failed") as untrusted:
            await sink.start()
        assert not isinstance(untrusted.value, DeliveryRefusedError)
        await sink.stop()


@VERSIONS
async def test_client_certificate(tmp_path: Path, certificates: Certificates, version: str) -> None:
    options = "allow_anonymous false\n" + mosquitto_tls(certificates, client_certificate=True)
    trust = {"tls": True, "ca_file": certificates.authority}
    shown = {"client_cert": certificates.client, "client_key": certificates.client_key}
    with mosquitto(tmp_path, options) as broker:
        async with running(sink_for(broker.port, version, **trust, **shown)) as sink:
            await sink.deliver([Message(setup_event())])
        sink = sink_for(broker.port, version, **trust)
        with pytest.raises(
            DeliveryError, match=rf"broker at {HOST}:{broker.port} cannot be used: .*does it want a client certificate"
        ):
            await sink.start()
        await sink.stop()


async def test_certificates_that_are_missing_or_none_are_named(tmp_path: Path) -> None:
    rubbish = tmp_path / "rubbish.pem"
    rubbish.write_text("no certificate")
    for path, sentence in ((tmp_path / "gone.pem", "There is no file"), (rubbish, "Cannot use the certificates in")):
        sink = sink_for(free_port(), tls=True, ca_file=path)
        with pytest.raises(DeliveryError, match=f"{sentence} .*{path.name}"):
            await sink.start()
        await sink.stop()


async def test_a_broker_of_another_kind_is_told_with_what_to_do(tmp_path: Path, certificates: Certificates) -> None:
    async with amqtt_broker(tmp_path) as old, amqtt_broker(tmp_path, certificates=certificates) as guarded:
        for port, sentence in ((old, "does it speak 3.1.1 alone"), (guarded, "does it want TLS")):
            sink = sink_for(port, timeout=0.5)
            with pytest.raises(DeliveryError, match=sentence):
                await sink.start()
            await sink.stop()


STATION = """
import asyncio, sys
from adapters.sinks.mqtt import MqttSink, MqttSettings

async def main():
    sink = MqttSink(MqttSettings(host="127.0.0.1", port=int(sys.argv[1]), station="loft", version=sys.argv[2]))
    await sink.start()
    print("watching", flush=True)
    await asyncio.Event().wait()

asyncio.run(main())
"""


@BROKERS
async def test_a_station_that_dies_is_said_to_be_gone(tmp_path: Path, kind: str, version: str) -> None:
    async with broker_of(kind, tmp_path) as port:
        command = [sys.executable, "-c", STATION, str(port), version]
        station = await asyncio.create_subprocess_exec(
            *command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2], env=os.environ
        )
        assert station.stdout is not None
        async with asyncio.timeout(SECONDS):
            assert await station.stdout.readline() == b"watching\n"
        async with reading(port, f"{ROOT}/state/station", version) as reader:
            assert await read_state(reader) == "watching"
            station.kill()
            assert await read_state(reader) == "gone"
            async with running(sink_for(port, version)):
                assert await read_state(reader) == "watching"
        await station.wait()


@VERSIONS
async def test_a_broker_that_comes_back_is_found_again(tmp_path: Path, version: str) -> None:
    with mosquitto(tmp_path) as broker:
        async with running(sink_for(broker.port, version)) as sink:
            for end in (broker.kill, broker.stop):
                end()
                with pytest.raises(DeliveryError, match=f"MQTT broker at {HOST}:{broker.port}") as caught:
                    await sink.deliver([Message(setup_event())])
                assert not isinstance(caught.value, DeliveryRefusedError)
                broker.start()
                # Nothing is delivered meanwhile: the sink seeks the broker by itself.
                async with reading(broker.port, f"{ROOT}/#", version) as reader:
                    assert await read_state(reader) == "watching"
                    await sink.deliver([Message(setup_event())])
                    await read(reader, 2)


async def test_a_broker_that_is_not_there_at_the_start_is_found_later(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        broker.stop()
        sink = sink_for(broker.port)
        with pytest.raises(DeliveryError, match="Connection refused"):
            await sink.start()
        broker.start()
        async with asyncio.timeout(SECONDS):
            await sink.start()
        await sink.deliver([Message(setup_event())])
        await sink.stop()


async def test_what_was_under_way_when_the_broker_died_is_told_at_once(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with running(sink_for(broker.port, timeout=300)) as sink:
            events = [setup_event(f"NO{number}") for number in range(500)]
            deliveries = [asyncio.create_task(sink.deliver([Message(event)])) for event in events]
            await deliveries[50]
            broker.kill()
            async with asyncio.timeout(SECONDS):
                ends = await asyncio.gather(*deliveries, return_exceptions=True)
    assert ends[:51] == [None] * 51
    assert {type(end) for end in ends[51:] if end is not None} == {DeliveryError}


@VERSIONS
async def test_many_deliveries_at_once_arrive_in_order_within_the_brokers_window(tmp_path: Path, version: str) -> None:
    events = [setup_event(f"NO{number}") for number in range(300)]
    with mosquitto(tmp_path, "allow_anonymous true\nmax_inflight_messages 3\nmax_queued_messages 0") as broker:
        async with (
            reading(broker.port, f"{ROOT}/setups/#", version) as reader,
            running(sink_for(broker.port, version)) as sink,
        ):
            await asyncio.gather(*(sink.deliver([Message(event)]) for event in events[:200]))
            await sink.deliver([Message(event) for event in events[200:]])
            assert [content(message)["id"] for message in await read(reader, 300)] == [event.id for event in events]


@VERSIONS
@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
async def test_any_name_is_delivered_safely(mosquitto_port: int, version: str, name: str) -> None:
    event = setup_event(name)
    async with (
        reading(mosquitto_port, "#", version) as reader,
        running(sink_for(mosquitto_port, version, station=name or "?")) as sink,
    ):
        seen: dict[str, Any] = {}
        await sink.deliver([Message(event)])
        while len(seen) < 2:
            (message,) = await read(reader, 1)
            if message.payload and content(message).get("id") == event.id:
                seen[message.topic.value] = content(message)
        await sink.deliver([Message(withdrawn_event(event))])
    for topic, payload in seen.items():
        prefix, station, *rest = topic.split("/")
        assert (prefix, decode(station)) == ("closewatch", name or "?")
        assert rest[0] in {"setups", "state"}
        assert decode(rest[1 if rest[0] == "setups" else 2]) == name
        assert payload == event.to_dict()


@pytest.fixture(scope="module")
def mosquitto_port(tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: ANN401  # a generator of ports
    with mosquitto(tmp_path_factory.mktemp("broker")) as broker:
        yield broker.port


@VERSIONS
async def test_a_topic_longer_than_mqtt_allows_is_refused_and_the_others_go(mosquitto_port: int, version: str) -> None:
    short = setup_event("SHORT")
    async with (
        reading(mosquitto_port, f"{ROOT}/setups/SHORT/#", version) as reader,
        running(sink_for(mosquitto_port, version)) as sink,
    ):
        with pytest.raises(DeliveryRefusedError, match=r"would be \d+ bytes long, more than MQTT allows"):
            await sink.deliver([Message(setup_event("☃" * 8_000)), Message(short)])
        (message,) = await read(reader, 1)
        assert content(message) == short.to_dict()


@VERSIONS
async def test_a_packet_larger_than_agreed_is_refused_before_it_breaks_the_line(tmp_path: Path, version: str) -> None:
    big, small = setup_event("N" * 20_000), setup_event()
    options = "allow_anonymous true" + "\nmax_packet_size 20000" * (version == "5.0")
    with mosquitto(tmp_path, options) as broker:
        limit = {} if version == "5.0" else {"largest": 20_000}
        async with running(sink_for(broker.port, version, **limit)) as sink:
            with pytest.raises(DeliveryRefusedError, match="takes 20000 bytes at once, and this is up to"):
                await sink.deliver([Message(big)])
            await sink.deliver([Message(small)])


async def test_what_a_broker_refuses_is_refused_for_good(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic write {ROOT}/state/#\ntopic write {ROOT}/setups/+/+/long\n")
    with mosquitto(tmp_path, f"allow_anonymous true\nacl_file {rules}") as broker:
        async with running(sink_for(broker.port)) as sink:
            await sink.deliver([Message(setup_event())])
            with pytest.raises(DeliveryRefusedError, match=r"would not take a message for .*/short: not authorised"):
                await sink.deliver([Message(setup_event(direction="short"))])
            await sink.deliver([Message(setup_event())])


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


@pytest.mark.parametrize(
    ("code", "sentence", "for_good"),
    [
        (0x84, "does not speak this version of MQTT; set version", True),
        (0x85, "does not take this client id; set client_id", True),
        (0x86, "wrong user or password", True),
        (0x87, "not authorised", True),
        (0x88, "Server unavailable", False),
        (0x89, "Server busy", False),
        (0x97, "Quota exceeded", False),
    ],
)
async def test_a_refused_connection_says_why_and_whether_it_may_go_better_later(
    code: int, sentence: str, for_good: bool
) -> None:
    async with scripted(bytes((0x20, 3, 0, code, 0))) as port:
        sink = sink_for(port)
        with pytest.raises(DeliveryError, match=f"broker at {HOST}:{port} cannot be used: .*{sentence}") as caught:
            await sink.start()
        assert isinstance(caught.value, DeliveryRefusedError) == for_good
        await sink.stop()


async def test_a_message_refused_for_now_may_be_tried_again() -> None:
    async with scripted(b"\x20\x03\0\0\0", b"", b"\x97\0", b"") as port, running(sink_for(port)) as sink:
        with pytest.raises(DeliveryError, match=r"would not take a message for .*: Quota exceeded") as caught:
            await sink.deliver([Message(station_event())])
        assert not isinstance(caught.value, DeliveryRefusedError)


async def test_another_client_under_our_id_is_told() -> None:
    async with scripted(b"\x20\x03\0\0\0", b"", after=b"\xe0\x01\x8e") as port, running(sink_for(port)) as sink:
        with pytest.raises(DeliveryError, match="is the station's name taken"):
            await sink.deliver([Message(setup_event())])


async def test_a_broker_that_falls_silent_is_given_up_in_time() -> None:
    async with scripted(b"\x20\x02\0\0", b"") as port, running(sink_for(port, "3.1.1", timeout=0.3)) as sink:
        with pytest.raises(DeliveryError, match=r"did not confirm a message in 0\.3 s"):
            await sink.deliver([Message(setup_event())])


async def test_stopping_does_not_wait_for_a_broker_that_has_fallen_silent() -> None:
    heard: asyncio.Queue[int] = asyncio.Queue()
    async with scripted(b"\x20\x02\0\0", b"", heard=heard) as port:
        sink = sink_for(port, "3.1.1", timeout=300)
        await sink.start()
        async with asyncio.timeout(2):
            await sink.stop()
        async with asyncio.timeout(SECONDS):
            assert [await heard.get() for _ in range(4)] == [CONNECT, PUBLISH, PUBLISH, LEFT]


async def test_stopping_in_the_middle_of_connecting_leaves_nothing_open() -> None:
    heard: asyncio.Queue[int] = asyncio.Queue()
    async with scripted(b"", heard=heard) as port:
        sink = sink_for(port, "3.1.1", timeout=300)
        starting = asyncio.create_task(sink.start())
        async with asyncio.timeout(SECONDS):
            assert await heard.get() == CONNECT
        async with asyncio.timeout(2):
            await sink.stop()
        async with asyncio.timeout(SECONDS):
            assert await heard.get() == LEFT
        with pytest.raises(DeliveryError, match="stopped"):
            await starting


async def test_it_neither_speaks_before_the_start_nor_minds_a_second_stop(tmp_path: Path) -> None:
    sink = sink_for(free_port())
    await sink.stop()
    with pytest.raises(DeliveryError, match="not started"):
        await sink.deliver([Message(setup_event())])
    with mosquitto(tmp_path) as broker:
        sink = sink_for(broker.port)
        for _ in range(2):
            await sink.start()
            await sink.deliver([Message(setup_event())])
            await sink.stop()
            await sink.stop()


def test_pauses_grow_to_a_minute() -> None:
    pauses = [growing_pause(failures) for failures in range(12)]
    for failures, pause in enumerate(pauses):
        assert min(60, 2**failures) / 2 <= pause <= min(60, 2**failures)


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({"prefix": "a/+/b"}, "a topic cannot"),
        ({"prefix": "$SYS"}, "a topic cannot"),
        ({"prefix": "a\0"}, "a topic cannot"),
        ({"prefix": "/a"}, "slash"),
        ({"password": "x"}, "a password needs a user"),
        ({"tls": True, "client_cert": "a.pem"}, "client_cert and client_key go together"),
        ({"ca_file": "ca.pem"}, "set tls = true"),
        ({"version": "4"}, "'5.0' or '3.1.1'"),
    ],
)
def test_settings_that_cannot_work_are_refused(table: dict[str, Any], sentence: str) -> None:
    with pytest.raises(ValidationError, match=sentence):
        MqttSettings.model_validate({"host": HOST, "station": "loft"} | table)


def test_ports_and_client_ids() -> None:
    plain = MqttSettings(host=HOST, station="loft")
    assert plain.address == (HOST, 1883)
    assert MqttSettings(host=HOST, station="loft", tls=True).address == (HOST, 8883)
    assert plain.identifier == MqttSettings(host=HOST, station="loft").identifier
    assert plain.identifier != MqttSettings(host=HOST, station="cellar").identifier
    assert plain.identifier.isalnum()
    assert len(plain.identifier) <= 23
