"""A process that publishes invented alerts and sends them to a broker, until it is killed or all are sent.

``python -m tests.delivery.child STORE PORT UP_TO TOTAL PACE``: publishes alerts up to number UP_TO, one
every PACE seconds, each in one transaction as a station does. Prints a line once the store is open. Ends by itself when
TOTAL alerts are published and none waits.
"""

from __future__ import annotations

import asyncio
import random
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.sinks.mqtt.settings import MqttSettings
from adapters.sinks.mqtt.sink import MqttSink
from scanner.backoff import Pauses
from scanner.clocks import WallClock
from scanner.delivery import Dispatcher
from scanner.events import event_id
from scanner.store import Batch, Said, Store
from tests.adapters.samples import setup_event

if TYPE_CHECKING:
    from scanner.events import Event

A_STORY = 5
"""Alerts that belong together: a setup and its later events."""
SINK = "broker"
HOST = "127.0.0.1"


def alert(number: int) -> Event:
    """Invent an alert; its id is independent of the others, its ``source`` is its number."""
    story, place = divmod(number, A_STORY)
    setup = setup_event(f"BUOY{story}")
    thread = event_id("invented", str(story), "0")
    name = event_id("invented", str(story), str(place))
    return replace(
        setup,
        id=name,
        thread=thread,
        kind="setup.qualified" if place == 0 else "setup.withdrawn",
        source=f"/invented/{number}",
    )


def delivery_from(store: Store, sink: MqttSink) -> Dispatcher:
    pauses = Pauses(random.random, first=0.02, longest=0.2)  # so that the return of a broker is noticed at once
    return Dispatcher(
        store,
        {SINK: sink},
        clock=WallClock(),
        stale_after=10**9,
        pauses=pauses,
    )


async def live(store: Store, port: int, up_to: int, total: int, pace: float) -> None:
    sink = MqttSink(MqttSettings(host=HOST, port=port, station="loft", timeout=5), pause=lambda _: 0.02)
    delivery, stop = delivery_from(store, sink), asyncio.Event()
    running = asyncio.create_task(delivery.run(stop))
    for number in range(len(store.events.find()), up_to):
        store.commit(Batch(said=[Said(alert(number), [SINK])]))
        delivery.wake()
        await asyncio.sleep(pace)
    while up_to < total or store.outbox.counts() != {(SINK, "delivered"): total}:  # noqa: ASYNC110 - a store notifies nobody
        await asyncio.sleep(0.02)
    stop.set()
    await running


if __name__ == "__main__":
    path, port, up_to, total, pace = sys.argv[1:]
    with Store.open(Path(path), time.time_ns) as store:
        print("open", flush=True)  # noqa: T201 - the parent reads it
        asyncio.run(live(store, int(port), int(up_to), int(total), float(pace)))
