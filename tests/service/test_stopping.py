"""A station as a process whose servers accept everything and never answer: it stops in time and loses nothing."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import time
from contextlib import AsyncExitStack, asynccontextmanager, closing, contextmanager
from typing import TYPE_CHECKING

import pytest

from scanner.store import Batch, Said, Store
from tests.adapters.feed_servers import raw_server
from tests.adapters.samples import station_event
from tests.adapters.servers import HOST, free_port
from tests.commands.typed import RUN

if TYPE_CHECKING:
    from asyncio.subprocess import Process
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

STATION = """
[station]
name = "loft"
store = "kept.db"
[defaults]
feed = "quay"
calendar = "24/7"
timeframes = ["15m"]
step = "0.01"
[instruments.GANNET]
[feeds.quay]
type = "folder"
path = "bars"
"""
SINKS = """
[sinks.hook]
type = "webhook"
[sinks.mail]
type = "email"
host = "127.0.0.1"
port = {mail}
security = "starttls"
sender = "Loft <loft@example.org>"
to = ["Avery <avery@example.org>"]
[sinks.broker]
type = "mqtt"
host = "127.0.0.1"
port = {broker}
station = "loft"
"""
HANGING_FEEDS = """
[instruments.FULMAR]
feed = "provider"
[instruments.PUFFIN]
feed = "gateway"
[feeds.provider]
type = "http_json"
url = "http://127.0.0.1:{provider}/bars?of={{symbol}}"
fields = {{ time = "t", open = "o", high = "h", low = "l", close = "c" }}
time_unit = "s"
[feeds.gateway]
type = "mqtt_bars"
host = "127.0.0.1"
port = {gateway}
client_id = "loft-bars"
topic = "bars/{{symbol}}/{{timeframe}}"
time_unit = "s"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a store with an alert waiting in its outbox for each sink, and a folder without bars."""
    (tmp_path / "bars").mkdir()
    with Store.open(tmp_path / "kept.db", time.time_ns) as store:
        store.commit(Batch(said=[Said(station_event(), ["hook", "mail", "broker"])]))
    return tmp_path


@asynccontextmanager
async def silent() -> AsyncIterator[tuple[int, asyncio.Event]]:
    """Run a server that accepts everything and never answers; gives its port, and whether somebody spoke to it."""
    heard = asyncio.Event()

    async def listen(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        heard.set()
        while await reader.read(65_536):
            pass

    async with raw_server(listen) as port:
        yield port, heard


@contextmanager
def nobody_at_home() -> Iterator[int]:
    """Give a port on which connecting never ends, as to a machine that is gone."""
    with closing(socket.socket()) as full:
        full.bind((HOST, 0))
        full.listen(0)
        port = full.getsockname()[1]
        waiting = [socket.socket() for _ in range(3)]
        for each in waiting:
            each.settimeout(0)
            each.connect_ex((HOST, port))
        yield port
        for each in waiting:
            each.close()


async def started(folder: Path, config: str, **secrets: str) -> Process:
    (folder / "watch.toml").write_text(config, encoding="utf-8")
    return await asyncio.create_subprocess_exec(
        *RUN,
        "watch",
        str(folder / "watch.toml"),
        env=os.environ | secrets,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )


async def logged(process: Process, *words: str) -> None:
    """Wait until it has logged all of these."""
    assert process.stderr is not None
    said = ""
    async with asyncio.timeout(30):
        async for line in process.stderr:
            said += line.decode()
            if all(word in said for word in words):
                return
    raise AssertionError(said)


async def stopped(process: Process) -> float:
    """Tell it to stop; returns the seconds that it took."""
    told = time.monotonic()
    process.send_signal(signal.SIGTERM)
    async with asyncio.timeout(20):
        _, said = await process.communicate()
    took = time.monotonic() - told
    assert process.returncode == 0, said.decode()
    assert "Traceback" not in said.decode()
    return took


def outbox(folder: Path) -> list[tuple[str, str]]:
    with Store.open(folder / "kept.db", time.time_ns) as store:
        return sorted((each.sink, each.state) for each in store.outbox.list())


async def test_sinks_that_hang_neither_delay_the_stop_nor_lose_the_alert(folder: Path) -> None:
    async with AsyncExitStack() as stack:
        servers = {name: await stack.enter_async_context(silent()) for name in ("hook", "mail", "broker")}
        ports = {name: port for name, (port, _) in servers.items()}
        secrets = {
            "CLOSEWATCH_SINKS__HOOK__URL": f"http://127.0.0.1:{ports['hook']}/",
            "CLOSEWATCH_SINKS__HOOK__SECRET": "invented" * 4,
        }
        process = await started(folder, STATION + SINKS.format(**ports), **secrets)
        await logged(process, '"watching"')  # though not one sink has answered
        async with asyncio.timeout(10):
            for _, heard in servers.values():
                await heard.wait()
        took = await stopped(process)
    assert took < 2  # mostly 0.8
    assert outbox(folder) == [("broker", "waiting"), ("hook", "waiting"), ("mail", "waiting")]


async def test_feeds_that_hang_do_not_delay_the_stop_either(folder: Path) -> None:
    async with silent() as (provider, asked):
        with nobody_at_home() as gateway:
            process = await started(folder, STATION + HANGING_FEEDS.format(provider=provider, gateway=gateway))
            async with asyncio.timeout(30):
                await asked.wait()
            took = await stopped(process)
    assert took < 2


async def test_a_missing_sink_is_reported_and_the_station_goes_on(folder: Path) -> None:
    secrets = {
        "CLOSEWATCH_SINKS__HOOK__URL": f"http://{HOST}:{free_port()}/",
        "CLOSEWATCH_SINKS__HOOK__SECRET": "invented" * 4,
    }
    process = await started(folder, STATION + '[sinks.hook]\ntype = "webhook"\n', **secrets)
    await logged(process, '"watching"', '"sink hook: The webhook at http')
    await stopped(process)
    assert outbox(folder)[1] == ("hook", "waiting")
