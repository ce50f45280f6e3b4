"""Benchmark of the page: ``python -m tests.benchmarks.page`` prints measured figures beside targets.

A store is filled with 10,000 series and a year of stories, and its page is served in a separate process, as
beside a station. Then a station takes a bar close of 1,000 series, with 200 browsers on the page and with none:
each listens, and requests the page again at every change. Times are real, the best of a few. ``--quick``
uses a tenth of the series and stories, and two closes instead of six.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import httpx

from scanner.configuration.model import settings as configuration
from scanner.service.resuming import snapshot_of
from scanner.store import Batch, Said, SeriesKey, SeriesUpdate, Store
from tests.adapters.servers import HOST, free_port, mosquitto
from tests.benchmarks import live
from tests.benchmarks.least import Before, acknowledged
from tests.benchmarks.measures import Measures
from tests.journal.samples import DAY, HOUR, closed, found, told
from tests.service.bad_days import BARS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from scanner.events import Event

SERIES, STORIES, CLIENTS, CLOSING = 10_000, 20_000, 200, 1_000
OPEN = 40
"""Stories that are open at the end of the year."""
ASKED = 5
TOGETHER = 500
MARGIN = 10.0
CONFIG = """
[station]
name = "loft"
store = "kept.db"
[feeds.tape]
type = "folder"
path = "."
[defaults]
feed = "tape"
calendar = "24/7"
timeframes = ["15m"]
step = "0.01"
"""


def fill(folder: Path, series: int, stories: int) -> tuple[Path, Event]:
    """Make a configuration and its store; also gives an open story."""
    path = folder / "watch.toml"
    path.write_text(CONFIG + "".join(f"[instruments.{live.name(number)}]\n" for number in range(series)))
    known = configuration.load(path, {})
    pipeline = known.of(live.name(0)).inputs(known.account).pipeline()
    bars = BARS[:320]
    for _ in pipeline.events(bars):
        pass
    state, last = snapshot_of(pipeline), found()  # all series have the same bars
    with Store.open(known.store_path, time.time_ns) as store:
        for begin in range(0, series, TOGETHER):
            keys = [SeriesKey(live.name(number), "15m") for number in range(begin, min(begin + TOGETHER, series))]
            store.commit(Batch([SeriesUpdate(key, bars, state) for key in keys]))
        for begin in range(0, stories, TOGETHER):
            said = []
            for number in range(begin, min(begin + TOGETHER, stories)):
                at = time.time_ns() // HOUR * HOUR - 365 * DAY * (stories - number) // stories // HOUR * HOUR
                last = found(live.name(number % series), at=at)
                said += [last, told(last, "setup.entered", 1, "open")]
                said += [] if number >= stories - OPEN else [closed(last, 5, "103.15")]
            store.commit(Batch(said=[Said(each) for each in said]))
    return path, last


@contextmanager
def page_of(path: Path, environ: Mapping[str, str]) -> Iterator[tuple[str, int]]:
    """Serve the page of a configuration in its own process; gives its address and the process."""
    port = free_port()
    code = "from scanner.cli import main; main()"
    words = ["nice", "-n", "10", sys.executable, "-c", code, "page", str(path), "--port", str(port)]
    with subprocess.Popen(words, env={**os.environ, **environ}) as process:
        url, deadline = f"http://127.0.0.1:{port}", time.monotonic() + 60
        while time.monotonic() < deadline:
            try:
                if "being read" not in httpx.get(url, trust_env=False).text:
                    break
            except httpx.TransportError:
                time.sleep(0.1)
        try:
            yield url, process.pid
        finally:
            process.terminate()


def own_memory(process: int) -> float:
    """Give the memory of a process that it does not share, in MB."""
    lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()[1:]
    known = {line.split(":")[0]: int(line.split()[1]) for line in lines}
    return (known["Private_Clean"] + known["Private_Dirty"]) / 1_024


def first_byte(url: str) -> tuple[float, float]:
    """Ask for a page; gives the milliseconds to its first byte and to its last."""
    with httpx.Client(trust_env=False) as client:
        client.get(f"{url.split('/', 3)[0]}//{url.split('/', 3)[2]}/static/mark.svg")  # so that the connection is open
        begun = time.perf_counter()
        with client.stream("GET", url) as answer:
            assert answer.status_code == 200, url
            pieces = answer.iter_raw()
            next(pieces)
            first = time.perf_counter() - begun
            list(pieces)
    return first * 1e3, (time.perf_counter() - begun) * 1e3


def time_pages(measures: Measures, path: Path, story: Event) -> None:
    """Measure the first byte of each page, and the memory of the process that serves them."""
    with page_of(path, {}) as (url, process):
        pages = {
            "now": "/",
            "a story": f"/story/{story.thread}",
            "the list": "/series?page={}",
            "why not": "/why?instrument=N0000{}",
            "journal": "/journal?before={}9999",
            "review": "/review?span=month",
            "study": "/study",
            "setups": "/setups",
            "a setup": "/setups/flag",
        }
        for what, address in pages.items():
            times = [first_byte(url + address.format(number)) for number in range(1, ASKED + 1)]
            measures.add(f"first byte of {what}", min(first for first, _ in times), "{:.0f} ms", most=50)
            measures.add("    all of it", min(last for _, last in times), "{:.0f} ms")
        measures.add("memory of the page", own_memory(process), "{:.0f} MB", most=60)
        for each in Path(f"/proc/{process}/task/{process}/children").read_text().split():
            measures.add("    of its workroom, which ends when nobody asks", own_memory(int(each)), "{:.0f} MB")


async def browse(port: int, ready: asyncio.Semaphore) -> None:
    """Act as a browser on the first page: listen, and request it again on every change."""
    heard, _ = await _asked(port, "/live")
    first = True
    async for line in heard:
        if line.startswith(b"data:") and not first:
            answer, sent = await _asked(port, "/")
            while await answer.read(65_536):
                pass
            sent.close()
        elif line.startswith(b"data:"):
            first = False
            ready.release()


async def _asked(port: int, path: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Request a page over a bare connection: a client library would need more processor time than the page itself."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
    await writer.drain()
    return reader, writer


async def crowd(port: int, config: Path, close: int) -> None:
    """Take a bar close while browsers are on the page."""
    ready = asyncio.Semaphore(0)
    browsers = [asyncio.create_task(browse(port, ready)) for _ in range(CLIENTS)]
    for _ in browsers:
        await ready.acquire()
    await asyncio.to_thread(station, config, close)
    for each in browsers:
        each.cancel()
    await asyncio.gather(*browsers, return_exceptions=True)


def station(config: Path, close: int) -> None:
    """Run a station over one bar close."""
    words = [sys.executable, "-m", "tests.benchmarks.live_child", str(config), str(close), "1"]
    subprocess.run(words, stdout=subprocess.DEVNULL, check=True, timeout=300)


def refill(folder: Path) -> int:
    """Restore the store as it was before the close; gives the number of its last delivery."""
    for file in folder.glob("closing.db*"):
        file.unlink()
    shutil.copy(folder / "filled.db", folder / "closing.db")
    return Before.of(folder / "closing.db").numbers["outbox"]


def time_closes(measures: Measures, folder: Path, size: int, each: int) -> None:
    """Measure the time from bar close to acknowledged alert, with browsers on the page and without."""
    server = [sys.executable, "-m", "tests.benchmarks.live", "--serve", str(size)]
    with (
        mosquitto(folder) as broker,
        subprocess.Popen(server, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as bars,
    ):
        assert bars.stdout is not None
        assert bars.stdin is not None
        port = int(bars.stdout.readline())
        config, kept = folder / "closing.toml", folder / "closing.db"
        listed = "".join(f"[instruments.{live.name(number)}]\n" for number in range(size))
        config.write_text(live.CONFIG.format(port=port, host=HOST, broker=broker.port) + live.SETUPS + listed)
        os.environ["CLOSEWATCH_STATION__STORE"] = "closing.db"
        live.fill(config, size)
        shutil.copy(kept, folder / "filled.db")
        with httpx.Client(trust_env=False) as client:
            client.get(f"http://127.0.0.1:{port}/step?to=1")
        close = live.close_of(live.STORED)
        alone, crowded = [], []
        for _ in range(each):
            before = refill(folder)
            station(config, close)
            alone.append(acknowledged(kept, before, close))
            before = refill(folder)
            with page_of(config, {}) as (url, _):
                asyncio.run(crowd(int(url.rpartition(":")[2]), config, close))
            crowded.append(acknowledged(kept, before, close))
        bars.stdin.close()
    measures.add("bar close to alert, nobody on the page", min(alone), "{:.2f} s")
    measures.add(f"    with {CLIENTS} browsers on it, against nobody", min(crowded) / min(alone), "{:.2f} x", most=1.2)


def main() -> int:
    """Measure and print; gives 1 if a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a tenth of all; only gross misses count")
    quick = parser.parse_args().quick
    measures, scale = Measures(), 10 if quick else 1
    with tempfile.TemporaryDirectory() as folder:
        path, story = fill(Path(folder), SERIES // scale, STORIES // scale)
        time_pages(measures, path, story)
        time_closes(measures, Path(folder), CLOSING // scale, 1 if quick else 3)
    print("\n".join(measures.lines()))
    return int(measures.missed(MARGIN if quick else 1.0))


if __name__ == "__main__":
    sys.exit(main())
