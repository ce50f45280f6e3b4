"""The feed ``mqtt_bars`` against real brokers."""

from __future__ import annotations

import asyncio
import json
import re
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest
from pydantic import ValidationError

from adapters.feeds.mqtt_bars import MqttBarsFeed
from scanner.market.bars import NO_TIME
from scanner.ports import FeedTroubleError, Want
from tests.adapters.certificates import make_certificates
from tests.adapters.feed_servers import START, raw_server, rows, silence, told, until
from tests.adapters.servers import HOST, amqtt_broker, free_port, mosquitto, mosquitto_tls, mosquitto_users

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

SINCE = START * 1_000_000_000
HARBOUR = Want("HARBOUR", "15m", SINCE)


def feed_at(port: int, **settings: object) -> MqttBarsFeed:
    usual = {
        "host": HOST,
        "port": port,
        "client_id": "loft",
        "topic": "gateway/bars/{symbol}/{timeframe}",
        "connect_timeout": 5,
        "grace": 0,
        "first_pause": 0.02,
        "longest_pause": 0.1,
    }
    return MqttBarsFeed(MqttBarsFeed.Settings.model_validate(usual | settings))


@asynccontextmanager
async def listening(port: int, **settings: object) -> AsyncIterator[MqttBarsFeed]:
    feed = feed_at(port, **settings)
    await feed.start()
    try:
        yield feed
    finally:
        await feed.stop()


async def publish(port: int, *messages: tuple[str, object], **options: Any) -> None:  # noqa: ANN401 - aiomqtt's
    async with aiomqtt.Client(HOST, port, **options) as client:
        for topic, value in messages:
            payload = value if isinstance(value, bytes) else json.dumps(value).encode()
            await client.publish(topic, payload, qos=1)


async def got(feed: MqttBarsFeed, count: int, want: Want = HARBOUR) -> list[dict[str, Any]]:
    """Wait until the memory holds a number of bars of a series."""
    bars: list[dict[str, Any]] = []
    assert feed.arrived is not None
    async with asyncio.timeout(10):
        while len(bars) < count:
            await feed.arrived.wait()
            feed.arrived.clear()
            (answer,) = await feed.fetch([want])
            bars = told(answer.bars)
    return bars


TOPIC = "gateway/bars/HARBOUR/15m"


@pytest.mark.parametrize("version", ["5.0", "3.1.1"])
async def test_bars_come_by_topic_in_order_however_they_were_sent(tmp_path: Path, version: str) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port, version=version, timeframes={"1h": "H1"}) as feed:
            first, second, third = rows(3)
            await publish(
                broker.port,
                (TOPIC, second),
                (TOPIC, [first, second]),
                ("gateway/bars/HARBOUR/H1", first),
                ("gateway/bars/HARBOUR/H1/more", third),
                ("gateway/bars/MILL/15m", third),
                (TOPIC, third | {"close": 100.0}),
                (TOPIC, third),
            )
            await until(lambda: feed.inbox.recent.rows == 7)
            assert await got(feed, 3) == rows(3)
            hour, mill, harbour, unknown = await feed.fetch(
                [
                    Want("HARBOUR", "1h", None),
                    Want("MILL", "15m", None),
                    Want("HARBOUR", "15m", SINCE + 900 * 10**9),
                    Want("NONE", "15m", None),
                ]
            )
            assert [told(each.bars) for each in (hour, mill, harbour, unknown)] == [
                [first],
                [third],
                [second, third],
                [],
            ]


async def test_amqtt_as_well(tmp_path: Path) -> None:
    async with amqtt_broker(tmp_path) as port, listening(port, version="3.1.1") as feed:
        await publish(port, (TOPIC, rows(2)))
        assert await got(feed, 2) == rows(2)


@pytest.mark.parametrize("version", ["5.0", "3.1.1"])
async def test_what_is_published_while_we_are_away_is_kept_for_us(tmp_path: Path, version: str) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port, version=version):
            pass
        await publish(broker.port, (TOPIC, rows(2)))
        async with listening(broker.port, version=version) as feed:
            assert await got(feed, 2) == rows(2)


async def test_names_may_stand_in_the_message_and_in_parts_of_a_level(tmp_path: Path) -> None:
    settings = {
        "topic": "gateway/{symbol}.bar",
        "timeframe": "frame",
        "rows": "data",
        "only": "kind == 'bar'",
        "closed": "done",
    }
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port, **settings) as feed:
            bar = rows(1)[0] | {"frame": "15m", "done": True}
            await publish(
                broker.port,
                ("gateway/HARBOUR.tick", {"kind": "bar", "data": bar}),
                ("gateway/HARBOUR.bar", {"kind": "tick", "data": bar}),
                ("gateway/HARBOUR.bar", {"kind": "bar", "data": bar | {"done": False, "close": 1}}),
                ("gateway/HARBOUR.bar", {"kind": "bar", "data": bar}),
            )
            assert await got(feed, 1) == rows(1)


async def test_rubbish_goes_to_the_guard_and_harms_nothing(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port, largest_message=1_000) as feed:
            rubbish = [b"", b"\xff\xfe", b"[" * 900, b"null", b"7", b" " * 1_001, b'{"time": "1e1000000"}']
            await publish(broker.port, (TOPIC, rows(1)), *((TOPIC, each) for each in rubbish), (TOPIC, rows(2)[1:]))
            await until(lambda: feed.inbox.recent.rows == 9)
            (answer,) = await feed.fetch([HARBOUR])
            assert told(answer.bars)[:2] == rows(2)
            assert answer.bars.stamp[2:].tolist() == [NO_TIME] * 7
            texts = [answer.bars.unreadable[row] for row in answer.bars.row[2:].tolist()]
            reasons = [
                "not JSON",
                "not JSON",
                "not JSON",
                "no rows",
                "no rows",
                "longer than 1,000",
                'time "1e1000000"',
            ]
            assert all(text.startswith(reason) or reason in text for text, reason in zip(texts, reasons, strict=True))
            (again,) = await feed.fetch([HARBOUR])
            assert told(again.bars) == rows(2)


async def test_a_gateway_that_repeats_our_password_does_not_get_it_shown(tmp_path: Path) -> None:
    secret = "not-to-be-seen"  # noqa: S105 - invented for this test
    with mosquitto(tmp_path, mosquitto_users(tmp_path, {"loft": secret})) as broker:
        async with listening(broker.port, user="loft", password=secret) as feed:
            told_of = [{"time": [secret]}, secret[::-1], b"[" + secret.encode() + b"]", {"time": secret.encode().hex()}]
            await publish(broker.port, *((TOPIC, each) for each in told_of), username="loft", password=secret)
            await until(lambda: feed.inbox.recent.rows == 4)
            (answer,) = await feed.fetch([HARBOUR])
    texts = list(answer.bars.unreadable.values())
    assert all(re.search(r"\[\d+ bytes, sha256 [0-9a-f]{4}…\]", text) for text in texts)
    assert not any(part in text for text in texts for part in ("not-to", secret[::-1], secret.encode().hex()[:8]))


async def test_a_broker_where_nothing_can_be_understood_is_trouble(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port, topic="gateway/{symbol}", timeframe="frame") as feed:
            await feed.fetch([HARBOUR])
            await publish(broker.port, ("gateway/HARBOUR", rows(1)), ("gateway/HARBOUR", b"?"))

            async def is_said() -> str:
                while True:
                    try:
                        await feed.fetch([HARBOUR])
                    except FeedTroubleError as trouble:
                        if "2 messages" in str(trouble):
                            return str(trouble)
                    await asyncio.sleep(0.005)

            async with asyncio.timeout(10):
                assert "none of the 2 messages so far could be read as bars (not JSON" in await is_said()
            await publish(broker.port, ("gateway/HARBOUR", rows(1)[0] | {"frame": "15m"}))
            assert await got(feed, 1) == rows(1)


async def test_a_broker_that_goes_and_comes_back(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port) as feed:
            for round_number in range(2):
                await publish(broker.port, (TOPIC, rows(2)[round_number]))
                assert await got(feed, round_number + 1) == rows(round_number + 1)
                broker.kill() if round_number else broker.stop()
                await until(lambda: not feed.link.is_up)
                with pytest.raises(
                    FeedTroubleError, match=rf"MQTT broker {HOST}:{broker.port}: it .*; check the broker"
                ):
                    await feed.fetch([HARBOUR])
                broker.start()
                await until(lambda: feed.link.is_up)
            await publish(broker.port, (TOPIC, rows(3)[2]))
            assert await got(feed, 3) == rows(3)


async def test_bars_that_came_before_the_connection_broke_are_still_given(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        async with listening(broker.port) as feed:
            await publish(broker.port, (TOPIC, rows(2)))
            await until(lambda: feed.inbox.recent.rows == 2)
            broker.stop()
            await until(lambda: not feed.link.is_up)
            (answer,) = await feed.fetch([HARBOUR])
            assert told(answer.bars) == rows(2)
            with pytest.raises(FeedTroubleError):
                await feed.fetch([HARBOUR])


async def test_a_server_that_is_away_or_silent() -> None:
    feed = feed_at(free_port())
    with pytest.raises(FeedTroubleError, match=r"it cannot be reached \(.*refused.*\)"):
        await feed.start()
    await feed.stop()
    async with raw_server(silence) as port:
        feed = feed_at(port, connect_timeout=0.2)
        with pytest.raises(FeedTroubleError, match=r"it cannot be reached \(it did not answer in 0\.2 s; .*\)"):
            await feed.start()
    async with raw_server(hang_up) as port:
        with pytest.raises(FeedTroubleError, match="it disconnected instead of answering"):
            await feed_at(port).start()


async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    del writer
    await reader.read(1)


@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")  # paho, after a failed handshake
async def test_login_and_tls(tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path)
    secret = "not-to-be-seen"  # noqa: S105 - invented for this test
    options = mosquitto_users(tmp_path, {"loft": secret}) + mosquitto_tls(certificates)
    secure = {"tls": True, "ca_file": str(certificates.authority), "user": "loft", "password": secret}
    with mosquitto(tmp_path, options) as broker:
        async with listening(broker.port, **secure) as feed:
            await feed.fetch([HARBOUR])
        refused = pytest.raises(FeedTroubleError, match=r"it cannot be reached \(.*(?i:not authori[sz]ed|bad user).*\)")
        for version in ("5.0", "3.1.1"):
            with refused as caught:
                await feed_at(broker.port, **secure | {"password": secret + "2", "version": version}).start()
            assert secret not in str(caught.value)
        with pytest.raises(FeedTroubleError, match="CERTIFICATE_VERIFY_FAILED"):
            await feed_at(broker.port, **secure | {"ca_file": None}).start()
        with pytest.raises(FeedTroubleError, match=r"there is no file .*none\.pem"):
            await feed_at(broker.port, **secure | {"ca_file": str(tmp_path / "none.pem")}).start()


async def test_a_subscription_that_is_refused() -> None:
    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Say what MQTT 3.1.1 has for this: CONNACK 0, then SUBACK 0x80 (sections 3.2 and 3.9)."""
        while head := await reader.read(2):
            body = await reader.readexactly(head[1])
            if head[0] >> 4 == 1:
                writer.write(b"\x20\x02\x00\x00")
            elif head[0] >> 4 == 8:
                writer.write(b"\x90\x03" + body[:2] + b"\x80")

    async with raw_server(refuse) as port:
        feed = feed_at(port, version="3.1.1")
        with pytest.raises(FeedTroubleError, match=r"it refuses the subscription to gateway/bars/./. "):
            await feed.start()


async def test_attempts_that_fail_or_are_given_up_leave_no_line_open() -> None:
    lines = 0

    async def count(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal lines
        lines += 1
        try:
            await silence(reader, writer)
        finally:
            lines -= 1

    async with raw_server(count) as port:
        feed = feed_at(port, connect_timeout=0.1)
        for _ in range(3):
            with pytest.raises(FeedTroubleError):
                await feed.start()
        await until(lambda: lines == 0)
        feed = feed_at(port, connect_timeout=0.5)
        starting = asyncio.create_task(feed.start())
        await until(lambda: lines == 1)
        starting.cancel()
        async with asyncio.timeout(0.3):
            await feed.stop()
        await until(lambda: lines == 0)


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"topic": "gateway/#"}, "has no"),
        ({"topic": "gateway/{symbol}/+"}, "has no"),
        ({"topic": "gateway/{ticker}"}, "no other name in braces"),
        ({"topic": "gateway/{symbol}/{symbol}"}, "each once"),
        ({"topic": "gateway/{symbol}"}, "set timeframe to"),
        ({"topic": "gateway/{timeframe}"}, "set symbol to"),
        ({"password": "x"}, "needs a user"),
        ({"client_cert": "x"}, "go together"),
        ({"ca_file": "x"}, "set tls = true"),
        ({"client_id": ""}, "client_id"),
        ({"qos": 2}, "qos"),
    ],
)
def test_mistakes_in_the_settings_are_explained(settings: dict[str, object], sentence: str) -> None:
    with pytest.raises(ValidationError, match=sentence):
        feed_at(1883, **settings)
