"""One station of the live benchmark, in a process of its own; prints one line of JSON about itself.

``python -m tests.benchmarks.live_child CONFIG CLOSE QUIET [--shares]``: watches, and ends QUIET seconds after the bars
that close at CLOSE (nanoseconds since 1970 UTC) are committed and all is delivered. The clock is set so that this close
comes a little after the start. With ``--shares`` a second thread samples every millisecond what the others do.
"""

from __future__ import annotations

import asyncio
import json
import random
import sys
import time
from collections import Counter
from pathlib import Path
from threading import Event as Flag
from threading import Thread, get_ident
from typing import TYPE_CHECKING

import structlog

from scanner.backoff import Pauses
from scanner.clocks import PacedClock
from scanner.configuration.adapters import build_feed, build_sink
from scanner.configuration.model import settings as configuration
from scanner.delivery import Dispatcher
from scanner.service.station import Station
from scanner.store import Batch, Store

if TYPE_CHECKING:
    from types import FrameType

    from scanner.events import Event

LEAD, SERIES_A_SECOND = 15, 300
"""Seconds from the start of the clock to the close: so many, and one more for each so many series, which a start takes
even on a busy machine."""
SECOND = 1_000_000_000


class TimedStore(Store):
    """A store that records when each batch was committed, by both clocks, and its numbers of series and events."""

    def commit(self, batch: Batch) -> list[Event]:
        said = super().commit(batch)
        series = len(batch.updates) + sum(len(each.keys) for each in batch.together)
        committed.append((self.clock(), series, len(said), time.process_time()))
        return said


committed: list[tuple[int, int, int, float]] = []


STEPS = (
    ("scanner/store/__init__.py:commit", "committing"),
    ("scanner/engine/together.py:push_joined", "judging"),
    ("scanner/engine/series_engine.py:events", "judging"),
    ("service/desk.py:take", "checking"),
    ("http_json.py:_page", "parsing"),
    ("http/answer.py:_loaded", "parsing"),
    ("scanner/delivery/", "delivering"),
    ("adapters/sinks/", "delivering"),
    ("adapters/feeds/", "asking"),
    ("/httpx/", "asking"),
    ("service/intake/", "asking"),
)
"""What a thread is doing, by the innermost of these that it is in."""
WAITING = ("/selectors.py", "/threading.py", "/concurrent/", "/asyncio/", "/queue.py")


class Shares:
    """Counts what the threads are doing, every millisecond while it is ``on``."""

    def __init__(self) -> None:
        self.on = Flag()
        self.seen: Counter[str] = Counter()
        Thread(target=self._look, daemon=True).start()

    def _look(self) -> None:
        sys.setswitchinterval(0.0005)
        while self.on.wait():
            time.sleep(0.001)
            for thread, frame in sys._current_frames().items():
                step = "" if thread == get_ident() else self._step(frame)
                self.seen[step] += bool(step)

    @staticmethod
    def _step(frame: FrameType | None) -> str:
        if frame is not None and any(word in frame.f_code.co_filename for word in WAITING):
            return ""
        while frame is not None:
            where = f"{frame.f_code.co_filename}:{frame.f_code.co_name}"
            step = next((step for part, step in STEPS if part in where), "")
            if step:
                return step
            frame = frame.f_back
        return ""

    def told(self) -> dict[str, float]:
        """Give the share of each step, the largest first."""
        return {step: count / self.seen.total() for step, count in self.seen.most_common() if count}


def resident() -> int:
    """Give the peak resident memory so far, in bytes; the usual call would include the parent's."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) * 1024


async def watch(station: Station, close: int, quiet: float, begun: float, shares: Shares | None) -> dict[str, object]:
    stop, found = asyncio.Event(), dict[str, object]()
    running = asyncio.create_task(station.run(stop))
    waiting = asyncio.create_task(station.watching.wait())
    await asyncio.wait({waiting, running}, return_when=asyncio.FIRST_COMPLETED)
    found["ready"] = time.monotonic() - begun
    assert station.clock.now() < close, "the start took longer than until the close: the machine is too busy"
    committed.clear()
    cpu, wall = time.process_time(), time.monotonic()
    await asyncio.sleep(max((close - station.clock.now()) / SECOND - 0.5, 0))
    found["idle"] = (time.process_time() - cpu) / (time.monotonic() - wall)
    found["idle_seconds"] = time.monotonic() - wall
    cpu = time.process_time()
    if shares is not None:
        shares.on.set()
    while not running.done() and sum(series for _, series, *_ in committed) < len(station.desk.watched):  # noqa: ASYNC110 - a store has no notifications
        await asyncio.sleep(0.05)
    if shares is not None:
        shares.on.clear()
        found["shares"] = shares.told()
    while any(state == "waiting" for _, state in station.store.outbox.counts()):  # noqa: ASYNC110 - a store has no notifications
        await asyncio.sleep(0.1)
    await asyncio.sleep(quiet)
    found["cpu"] = time.process_time() - cpu
    stop.set()
    await running
    if committed:
        found["committed"] = (committed[-1][0] - close) / SECOND
        found["used"] = committed[-1][3] - cpu
    found["series"] = sum(series for _, series, *_ in committed)
    found["events"] = sum(events for _, _, events, _ in committed)
    found["resident"] = resident()
    return found


def main() -> None:
    path, close, quiet = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    shares = Shares() if "--shares" in sys.argv else None
    begun = time.monotonic()
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    settings = configuration.load(path)
    feeds = {name: build_feed(name, settings) for name in settings.feeds}
    lead = LEAD + len(settings.instruments) // SERIES_A_SECOND
    clock = PacedClock(close - lead * SECOND, 1.0)
    with TimedStore.open(settings.store_path, clock.now) as store:
        sinks = {name: build_sink(name, settings) for name in settings.sinks}
        delivery = Dispatcher(store, sinks, clock=clock, pauses=Pauses(random.random))
        station = Station(settings, store, feeds, clock=clock, delivery=delivery)
        print(json.dumps(asyncio.run(watch(station, close, quiet, begun, shares))))


if __name__ == "__main__":
    main()
