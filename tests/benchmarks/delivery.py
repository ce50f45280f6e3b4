"""How fast alerts reach a broker: ``python -m tests.benchmarks.delivery`` prints a table.

It starts mosquitto on this machine, and sends everything at QoS 1. Single times depend on the machine.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import demo_feed
from adapters.feeds.recorded import RecordedFeed
from adapters.sinks.mqtt.settings import MqttSettings
from adapters.sinks.mqtt.sink import MqttSink
from scanner.configuration.model import settings
from scanner.service.resuming import checkpoint_of, snapshot_of
from scanner.store import Batch, Said, SeriesKey, SeriesUpdate, Store
from scanner.trade.size import Account
from scanner.wording.tables import table
from tests.adapters.samples import setup_event
from tests.adapters.servers import HOST, mosquitto
from tests.delivery.child import SINK, delivery_from

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.events import Event
    from scanner.ports import Message

ALERTS, TIMES, MOST_SECONDS = 1_000, 3, 1.5
FOLDER = Path(demo_feed.__file__).parent


class TimedSink(MqttSink):
    """Notes when the broker has acknowledged an event."""

    def __init__(self, port: int) -> None:
        super().__init__(MqttSettings(host=HOST, port=port, station="loft"))
        self.acknowledged: dict[str, float] = {}

    async def deliver(self, messages: Sequence[Message]) -> None:
        await super().deliver(messages)
        self.acknowledged |= dict.fromkeys((message.event.id for message in messages), time.perf_counter())


async def delivered(store: Store, count: int) -> None:
    while store.outbox.counts().get((SINK, "delivered"), 0) < count:  # noqa: ASYNC110 - a store has no notifications
        await asyncio.sleep(0.005)


async def drain(path: Path, port: int) -> float:
    """Give the seconds from the start of delivery, connection included, until the whole outbox is marked as done."""
    with Store.open(path, time.time_ns) as store:
        store.commit(Batch(said=[Said(setup_event(f"BUOY{number}"), [SINK]) for number in range(ALERTS)]))
        stop, start = asyncio.Event(), time.perf_counter()
        running = asyncio.create_task(delivery_from(store, TimedSink(port)).run(stop))
        await delivered(store, ALERTS)
        taken = time.perf_counter() - start
        stop.set()
        await running
    return taken


def closes_with_setups() -> Iterator[tuple[Event, SeriesUpdate, float]]:
    """Play the demo feed; give each setup, what is stored with it, and the time at which its last bar was given."""
    known = settings.load(FOLDER / "instruments.toml")
    for recording in RecordedFeed.recordings([FOLDER]):
        watched = known.of(recording.symbol)
        found, played = (watched.inputs(Account()).pipeline() for _ in range(2))
        (raw,) = recording.bars
        bars, at = found.check(raw).bars, 0
        key = SeriesKey(watched.instrument.symbol, watched.base.name)
        for close in sorted({event.time for event in found.events(bars) if event.kind == "setup.qualified"}):
            last = int(np.searchsorted(bars.close_time, close))
            list(played.events(bars[at:last]))
            begun = time.perf_counter()
            events = list(played.events(bars[last : last + 1]))
            for event in events[:1]:
                yield event, SeriesUpdate(key, bars[at : last + 1], snapshot_of(played), checkpoint_of(played)), begun
            at = last + 1


async def from_close_to_acknowledgement(path: Path, port: int) -> list[float]:
    """Give the seconds from each last bar of a setup, through engine and store, to the broker's acknowledgement."""
    sink, begun = TimedSink(port), {}
    with Store.open(path, time.time_ns) as store:
        delivery, stop = delivery_from(store, sink), asyncio.Event()
        running = asyncio.create_task(delivery.run(stop))
        for event, update, start in closes_with_setups():
            begun[event.id] = start
            await asyncio.to_thread(store.commit, Batch(updates=[update], said=[Said(event, [SINK])]))
            delivery.wake()
            await delivered(store, len(begun))
        stop.set()
        await running
    return [sink.acknowledged[name] - start for name, start in begun.items()]


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as broker:
        folder = Path(name)
        drains = [asyncio.run(drain(folder / f"drain{number}.db", broker.port)) for number in range(TIMES)]
        closes = asyncio.run(from_close_to_acknowledgement(folder / "closes.db", broker.port))
    middle, worst = np.percentile(closes, [50, 99]) * 1_000
    rows = [
        (f"{ALERTS:,} alerts from the outbox, marks and all", f"{min(drains):.2f} s", f"<= {MOST_SECONDS} s"),
        (f"bar close to acknowledgement, p50 of {len(closes)}", f"{middle:.1f} ms", ""),
        (f"bar close to acknowledgement, p99 of {len(closes)}", f"{worst:.1f} ms", ""),
    ]
    print("\n".join(table(("what", "measured", "wanted"), rows, left=(0, 2))))


if __name__ == "__main__":
    main()
