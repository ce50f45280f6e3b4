"""A page served from a store of invented bars, for the tests of pages."""

from __future__ import annotations

import asyncio
import json
import ssl
import time
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Event as Signal
from threading import Thread
from typing import TYPE_CHECKING

import httpx

from scanner.configuration.model import settings as configuration
from scanner.page.known.configured import Configured
from scanner.page.serving import opened, serve
from scanner.page.workroom.work import Work
from scanner.service.resuming import snapshot_of
from scanner.store import Batch, Said, SeriesKey, SeriesUpdate, Store
from tests.adapters.servers import free_port
from tests.service.bad_days import BARS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

KEY = SeriesKey("GANNET", "15m")
HOSTILE = "<img src=x onerror=alert(1)>/../%2e%2e/\"'&?#"
"""On the list beside GANNET, with the same bars."""
CONFIG = f"""
[station]
name = "loft <b>"
store = "kept.db"
zone = "Europe/Berlin"
[account]
equity = 50000
[rules]
place_quality = "plain"
[surroundings]
require = []
[feeds.tape]
type = "folder"
path = "."
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = ["15m"]
step = "0.01"
[instruments.GANNET]
[instruments.{json.dumps(HOSTILE)}]
"""


def get(url: str) -> httpx.Response:
    """Ask for a page, without the certificates that only TLS needs, which take long to load."""
    return httpx.get(url, trust_env=False, timeout=30, verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT))


@dataclass
class Served:
    """A page, and the store behind it, which the test owns as a station does."""

    url: str
    port: int
    folder: Path
    store: Store
    taken: int = 0

    def take(self, last: int, name: str = "GANNET") -> list[Event]:
        """Commit the bars of an instrument up to number ``last``, with their events; gives the new events."""
        known = configuration.load(self.folder / "watch.toml", {})
        pipeline = known.of(name).inputs(known.account).pipeline()
        said = list(pipeline.events(BARS[:last]))
        key = SeriesKey(name, "15m")
        before = self.taken if key == KEY else 0
        self.taken = last
        update = SeriesUpdate(key, BARS[before:last], snapshot_of(pipeline))
        return self.store.commit(Batch([update], said=[Said(each, (), key) for each in said]))

    def say(self, *events: Event) -> None:
        """Commit events without a bar."""
        self.store.commit(Batch(said=[Said(each) for each in events]))

    def until(self, text: str, path: str = "/") -> str:
        """Ask until a text is on a page; gives that page."""
        deadline = time.monotonic() + 20
        while text not in (got := get(self.url + path).text):
            assert time.monotonic() < deadline, got
        return got


@contextmanager
def served(folder: Path, table: str = "", config: str = CONFIG) -> Iterator[Served]:
    """Serve the page of a store in ``folder``; ``table`` has the settings of [page] besides the port."""
    port = free_port()
    path = folder / "watch.toml"
    path.write_text(f"{config}\n[page]\nport = {port}\n{table}")
    with Store.open(folder / "kept.db", time.time_ns) as store, running(path):
        yield Served(f"http://127.0.0.1:{port}", port, folder, store)


@contextmanager
def running(path: Path) -> Iterator[None]:
    """Serve the page of a configuration in a thread of this process until the context is left, workroom included."""
    configured = Configured(path, Work(path, {}))
    page = configured.known.page
    assert page is not None
    ready, ended, ends = Signal(), [], []

    async def run() -> None:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        ends.append(lambda: loop.call_soon_threadsafe(stop.set))
        ready.set()
        await serve(configured, page, opened(page, configured.known.folder), stop)
        ended.append(True)

    thread = Thread(target=asyncio.run, args=[run()])
    thread.start()
    ready.wait()
    deadline = time.monotonic() + 20
    while thread.is_alive():
        try:
            scheme = "http" if page.certificate is None else "https"
            httpx.get(f"{scheme}://127.0.0.1:{page.port}/static/mark.svg", trust_env=False, verify=False)  # noqa: S501 - only whether it answers
            break
        except httpx.ConnectError:
            assert time.monotonic() < deadline
    try:
        yield
    finally:
        ends[0]()
        thread.join()
    assert ended
