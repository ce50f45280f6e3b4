"""Events published to real brokers."""

from __future__ import annotations

import asyncio
import os
import ssl
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from scanner.ports import DeliveryError, DeliveryRefusedError, Message, Notes
from tests.adapters.certificates import Certificates, make_certificates
from tests.adapters.mqtt_tools import (
    BROKERS,
    ROOT,
    SECONDS,
    USERS,
    VERSIONS,
    broker_of,
    content,
    decode,
    read,
    read_state,
    reading,
    running,
    sink_for,
)
from tests.adapters.samples import (
    HOSTILE_NAMES,
    RECORD,
    forming_event,
    set_aside_event,
    setup_event,
    station_event,
    withdrawn_event,
)
from tests.adapters.servers import HOST, mosquitto, mosquitto_tls
from tests.adapters.story_samples import story_of


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@BROKERS
async def test_events_reach_present_subscribers_and_open_setups_late_ones(
    tmp_path: Path, kind: str, version: str
) -> None:
    first, second, late = setup_event("HARBOUR"), setup_event("BTC/USD", "4h", "short"), setup_event("GANNET")
    async with broker_of(kind, tmp_path) as port, running(sink_for(port, version)) as sink:
        async with reading(port, "closewatch/loft/setups/#", version) as reader:
            await sink.deliver([Message(first)])
            await sink.deliver([Message(second), Message(late, late=True, notes=Notes(record=RECORD))])
            messages = await read(reader, 3)
        assert [(message.topic.value, content(message), message.retain) for message in messages] == [
            (f"{ROOT}/setups/HARBOUR/15m/long", first.to_dict(), False),
            (f"{ROOT}/setups/BTC%2FUSD/4h/short", second.to_dict(), False),
            (f"{ROOT}/setups/GANNET/15m/long", late.to_dict() | {"late": True, "record": RECORD}, False),
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
                f"{ROOT}/state/setups/GANNET/15m/long/{late.id}": late.to_dict() | {"late": True, "record": RECORD},
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
async def test_the_state_of_a_story_is_retained_until_it_ends(tmp_path: Path, kind: str, version: str) -> None:
    story, aside = story_of(setup_event()), story_of(set_aside_event("GANNET"))
    state = f"{ROOT}/state/setups/HARBOUR/15m/long/{story[0].id}"
    async with broker_of(kind, tmp_path) as port, running(sink_for(port, version)) as sink:
        await sink.deliver([Message(forming_event(story[0]))])  # which nothing would clear
        for event, other in zip(story[:-1], aside, strict=False):
            await sink.deliver([Message(event), Message(other)])
            async with reading(port, "closewatch/+/state/#", version) as late_comer:
                kept = {message.topic.value: content(message) for message in await read(late_comer, 2)}
            assert kept.pop(f"{ROOT}/state/station") == {"station": "loft", "state": "watching"}
            assert kept == {state: event.to_dict()}, "the last event, and nothing of what is forming or set aside"
        async with reading(port, f"{ROOT}/state/setups/#", version) as reader:
            assert content(*await read(reader, 1)) == story[-2].to_dict()
            await sink.deliver([Message(aside[-1]), Message(story[-1])])
            (cleared,) = await read(reader, 1)
            assert (cleared.topic.value, content(cleared)) == (state, None)


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
            with pytest.raises(DeliveryError, match=r"(wrong user or password|not authorised)") as caught:
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
            DeliveryError,
            match=rf"broker at {HOST}:{broker.port} cannot be used: .*does it require a client certificate",
        ):
            await sink.start()
        await sink.stop()


STATION = """
import asyncio, sys
from adapters.sinks.mqtt.sink import MqttSink, MqttSettings

async def main():
    sink = MqttSink(MqttSettings(host="127.0.0.1", port=int(sys.argv[1]), station="loft", version=sys.argv[2]))
    await sink.start()
    print("watching", flush=True)
    await asyncio.Event().wait()

asyncio.run(main())
"""


@BROKERS
async def test_a_station_that_dies_is_published_as_gone(tmp_path: Path, kind: str, version: str) -> None:
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
                # Nothing is delivered meanwhile: the sink reconnects on its own.
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


async def test_what_was_under_way_when_the_broker_died_is_reported_at_once(tmp_path: Path) -> None:
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
async def test_any_name_is_delivered_safely_below_any_prefix(mosquitto_port: int, version: str, name: str) -> None:
    event = setup_event(name)
    async with (
        reading(mosquitto_port, "#", version) as reader,
        running(sink_for(mosquitto_port, version, prefix="roof/birds", station=name or "?")) as sink,
    ):
        seen: dict[str, Any] = {}
        await sink.deliver([Message(event)])
        while len(seen) < 2:
            (message,) = await read(reader, 1)
            if message.payload and content(message).get("id") == event.id:
                seen[message.topic.value] = content(message)
        await sink.deliver([Message(withdrawn_event(event))])
    for topic, payload in seen.items():
        roof, birds, station, *rest = topic.split("/")
        assert (roof, birds, decode(station)) == ("roof", "birds", name or "?")
        assert rest[0] in {"setups", "state"}
        assert decode(rest[1 if rest[0] == "setups" else 2]) == name
        assert payload == event.to_dict()


@pytest.fixture(scope="module")
def mosquitto_port(tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: ANN401 - a generator of ports
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
            with pytest.raises(DeliveryRefusedError, match="accepts packets of at most 20000 bytes, and this is up to"):
                await sink.deliver([Message(big)])
            await sink.deliver([Message(small)])
