"""What the sink mqtt makes of brokers that refuse, mislead or fall silent, and of settings that cannot work."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError

from adapters.sinks.mqtt.settings import MqttSettings
from adapters.sinks.mqtt.sink import PAUSES
from scanner.ports import DeliveryError, DeliveryRefusedError, Message
from tests.adapters.certificates import Certificates, make_certificates
from tests.adapters.mqtt_tools import (
    CONNECT,
    LEFT,
    PUBLISH,
    ROOT,
    SECONDS,
    running,
    scripted,
    sink_for,
)
from tests.adapters.samples import setup_event, station_event
from tests.adapters.servers import HOST, amqtt_broker, free_port, mosquitto

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


async def test_certificates_that_are_missing_or_none_are_named(tmp_path: Path) -> None:
    rubbish = tmp_path / "rubbish.pem"
    rubbish.write_text("no certificate")
    for path, sentence in ((tmp_path / "gone.pem", "there is no file"), (rubbish, "the certificates in")):
        sink = sink_for(free_port(), tls=True, ca_file=path)
        with pytest.raises(DeliveryError, match=f"{sentence} .*{path.name}"):
            await sink.start()
        await sink.stop()


async def test_another_kind_of_broker_is_reported_with_what_to_do(tmp_path: Path, certificates: Certificates) -> None:
    async with amqtt_broker(tmp_path) as old, amqtt_broker(tmp_path, certificates=certificates) as guarded:
        for port, sentence in ((old, "does it support only 3.1.1"), (guarded, "does it require TLS")):
            sink = sink_for(port, timeout=0.5)
            with pytest.raises(DeliveryError, match=sentence):
                await sink.start()
            await sink.stop()


async def test_what_a_broker_s_access_rules_forbid_waits_until_they_allow_it(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic write {ROOT}/state/#\ntopic write {ROOT}/setups/+/+/long\n")
    with mosquitto(tmp_path, f"allow_anonymous true\nacl_file {rules}") as broker:
        async with running(sink_for(broker.port)) as sink:
            await sink.deliver([Message(setup_event())])
            with pytest.raises(DeliveryError, match=r"refused a message for .*/short: not authorised") as caught:
                await sink.deliver([Message(setup_event(direction="short"))])
            assert not isinstance(caught.value, DeliveryRefusedError)
            await sink.deliver([Message(setup_event())])


@pytest.mark.parametrize(
    ("code", "sentence"),
    [
        (0x84, "does not support this version of MQTT; set version"),
        (0x85, "does not accept this client id; set client_id"),
        (0x86, "wrong user or password"),
        (0x87, "not authorised"),
        (0x88, "Server unavailable"),
        (0x89, "Server busy"),
        (0x90, "does not accept this topic"),
        (0x97, "Quota exceeded"),
    ],
)
async def test_a_refused_connection_says_why_and_is_never_about_a_message(code: int, sentence: str) -> None:
    async with scripted(bytes((0x20, 3, 0, code, 0))) as port:
        sink = sink_for(port)
        for use in (sink.start, lambda: sink.deliver([Message(setup_event())])):
            with pytest.raises(DeliveryError, match=f"broker at {HOST}:{port} cannot be used: .*{sentence}") as caught:
                await use()
            assert not isinstance(caught.value, DeliveryRefusedError)
        await sink.stop()


@pytest.mark.parametrize(
    ("code", "sentence", "final"),
    [
        (0x90, "does not accept this topic", True),
        (0x99, "does not accept this payload", True),
        (0x83, "it is not willing to", False),
        (0x87, "not authorised", False),
        (0x97, "Quota exceeded", False),
    ],
)
async def test_only_what_a_broker_says_of_the_message_itself_is_final(code: int, sentence: str, *, final: bool) -> None:
    taken, refused = b"", bytes((code, 0))
    async with scripted(b"\x20\x03\0\0\0", taken, refused, taken) as port, running(sink_for(port)) as sink:
        with pytest.raises(DeliveryError, match=f"refused a message for .*: .*{sentence}") as caught:
            await sink.deliver([Message(station_event())])
        assert isinstance(caught.value, DeliveryRefusedError) == final


async def test_another_client_under_our_id_is_reported() -> None:
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
    pauses = [PAUSES.after(failures) for failures in range(12)]
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
