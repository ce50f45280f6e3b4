"""A list shared by two stations on one broker: everything is published, and nothing twice."""

from __future__ import annotations

from collections import Counter
from contextlib import AsyncExitStack
from typing import TYPE_CHECKING

import aiomqtt

from scanner.backoff import Pauses
from scanner.clocks import PacedClock
from scanner.delivery import Dispatcher
from scanner.store import Store
from tests.adapters.feed_servers import until
from tests.adapters.mqtt_tools import content, read, sink_for
from tests.adapters.servers import HOST, mosquitto
from tests.service.bad_days import BARS, Tape, settings
from tests.service.test_broker_gone import QUICKER, Clock, watching

if TYPE_CHECKING:
    from pathlib import Path

PARTS = {"north": "GANNET", "south": "PETREL"}
"""The station that watches each instrument."""
SEEN, LAST = 397, 430
"""Bars that are history, and the number of bars in the end; events of those in between are news."""


async def test_two_stations_with_a_part_each_publish_everything_once(tmp_path: Path) -> None:
    clock = Clock()
    clock.show(SEEN)
    later = PacedClock(int(BARS.close_time[-1]), QUICKER)
    with mosquitto(tmp_path) as broker:
        async with AsyncExitStack() as stack:
            reader = await stack.enter_async_context(aiomqtt.Client(HOST, broker.port, identifier="reader"))
            stores, tapes, said = [], [], []
            for name, instrument in PARTS.items():
                folder = tmp_path / name
                folder.mkdir()
                stores.append(stack.enter_context(Store.open(folder / "kept.db", clock.now)))
                tapes.append(Tape(clock))
                known = settings(folder, station={"name": name, "stale_after": 10**6}, instruments={instrument: {}})
                delivery = Dispatcher(
                    stores[-1],
                    {"archive": sink_for(broker.port, station=name)},
                    clock=later,
                    pauses=Pauses(lambda: 0.5),
                    stale_after=10**6,
                )
                watched = watching(folder, stores[-1], tapes[-1], clock, known, delivery=delivery)
                said.append((await stack.enter_async_context(watched))[1])
            await until(lambda: not any(store.outbox.list(["waiting"]) for store in stores))
            await reader.subscribe("closewatch/+/setups/#", qos=1)
            clock.show(LAST)
            for tape in tapes:
                assert tape.arrived is not None
                tape.arrived.set()
            heard = [content(message) for message in await read(reader, 8)]
            await until(lambda: not any(store.outbox.list(["waiting"]) for store in stores))
            assert len(reader.messages) == 0
    news = [event for told in said for event in told if event.facts.of_story and event.time > BARS.close_time[SEEN - 1]]
    assert Counter(each["id"] for each in heard) == {event.id: 1 for event in news}
    assert {event.data["instrument"] for event in news} == {*PARTS.values()}
