"""One station of the live benchmark, in a process of its own; prints one line of JSON about itself.

``python -m tests.benchmarks.live_child CONFIG CLOSE QUIET``: watches, and ends QUIET seconds after the bars that close
at CLOSE (nanoseconds since 1970 UTC) are committed. The clock is set so that this close comes a little after the start.
"""

from __future__ import annotations

import asyncio
import json
import resource
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from scanner import settings as configuration
from scanner.clocks import PacedClock
from scanner.service.configuration.outside import build_feed
from scanner.service.station import Station
from scanner.service.store import Batch, Store

if TYPE_CHECKING:
    from scanner.events import Event

LEAD = 20
"""Seconds from the start of the clock to the close."""
SECOND = 1_000_000_000


class TimedStore(Store):
    """A store that notes when each batch was committed, how many series it brought on, and how many events."""

    def commit(self, batch: Batch) -> list[Event]:
        said = super().commit(batch)
        committed.append((self.clock(), len(batch.updates), len(said)))
        return said


committed: list[tuple[int, int, int]] = []


def resident() -> int:
    """Give the most memory that was resident so far, in bytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


async def watch(station: Station, close: int, quiet: float, begun: float) -> dict[str, float]:
    stop, found = asyncio.Event(), {}
    running = asyncio.create_task(station.run(stop))
    waiting = asyncio.create_task(station.watching.wait())
    await asyncio.wait({waiting, running}, return_when=asyncio.FIRST_COMPLETED)
    found["ready"] = time.monotonic() - begun
    committed.clear()
    cpu, wall = time.process_time(), time.monotonic()
    await asyncio.sleep(max((close - station.clock.now()) / SECOND - 0.5, 0))
    found["idle"] = (time.process_time() - cpu) / (time.monotonic() - wall)
    found["idle_seconds"] = time.monotonic() - wall
    cpu = time.process_time()
    while not running.done() and sum(series for _, series, _ in committed) < len(station.desk.watched):  # noqa: ASYNC110 - a store tells nobody
        await asyncio.sleep(0.05)
    await asyncio.sleep(quiet)
    found["cpu"] = time.process_time() - cpu
    stop.set()
    await running
    if committed:
        found["committed"] = (committed[-1][0] - close) / SECOND
    found["series"] = sum(series for _, series, _ in committed)
    found["events"] = sum(events for *_, events in committed)
    found["resident"] = resident()
    return found


def main() -> None:
    path, close, quiet = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    begun = time.monotonic()
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    settings = configuration.load(path)
    feeds = {name: build_feed(name, settings) for name in settings.feeds}
    clock = PacedClock(close - LEAD * SECOND, 1.0)
    with TimedStore.open(settings.store_path, clock.now) as store:
        station = Station(settings, store, feeds, clock=clock)
        print(json.dumps(asyncio.run(watch(station, close, quiet, begun))))


if __name__ == "__main__":
    main()
