"""A disk that does not answer: the user is warned, the watchdog gets no sign of life, and a stop does not wait."""

from __future__ import annotations

import asyncio
import threading
import time as wall
from typing import TYPE_CHECKING

import pytest

from scanner.backoff import Pauses
from scanner.delivery import Dispatcher
from scanner.service.station import Station
from scanner.store import Store
from tests.adapters.feed_servers import until
from tests.delivery.tools import PlannedSink
from tests.service.bad_days import BARS, FIRST, QUARTER_HOUR, DayTime, Tape, settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def goes_on() -> Iterator[threading.Event]:
    """Give an event that all users of the disk wait for."""
    event = threading.Event()
    event.set()
    yield event
    event.set()


async def test_a_disk_that_does_not_answer_is_reported_and_delays_no_stop(
    tmp_path: Path, goes_on: threading.Event
) -> None:
    time, arrived, stop = DayTime(), asyncio.Event(), asyncio.Event()
    sink = PlannedSink(time)
    store = Store.open(tmp_path / "kept.db", time.now, patience=0.05)
    delivery = Dispatcher(store, {"archive": sink}, clock=time, pauses=Pauses(lambda: 0.5), store_within=0.1)
    station = Station(
        settings(tmp_path),
        store,
        {"tape": Tape(time, arrived=arrived)},
        clock=time,
        delivery=delivery,
        turn_within=0.1,
        chance=lambda: 0.5,
    )
    running = asyncio.create_task(station.run(stop))
    await until(station.watching.is_set)
    with store.database.plain() as connection:
        # While this waits, no operation of SQLite ends.
        connection.set_progress_handler(lambda: 0 if goes_on.wait() else 1, 1)

    async def stall() -> None:
        goes_on.clear()
        await time.run(QUARTER_HOUR)
        arrived.set()
        await until(lambda: station.committer.turns.stuck)

    def late() -> list[str]:
        return [name for name, kind in sent(sink) if kind == "feed.late"]

    await stall()
    await time.run(130)
    await until(lambda: bool(late()))
    goes_on.set()
    await until(lambda: station.desk.last_close("GANNET") == BARS.close_time[FIRST])
    assert not station.committer.turns.stuck

    await stall()
    told = wall.monotonic()
    stop.set()
    await running
    assert wall.monotonic() - told < 2
    goes_on.set()
    store.close()
    assert len(late()) == len(set(late())) == 1


def sent(sink: PlannedSink) -> list[tuple[str, str]]:
    return [(message.event.id, message.event.kind) for _, messages in sink.calls for message in messages]
