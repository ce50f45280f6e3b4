"""A disk that does not answer: the user is told, the watchdog is not, and a stop does not wait for it."""

from __future__ import annotations

import asyncio
import threading
import time as wall
from typing import TYPE_CHECKING, Any

import pytest

from scanner.service.delivery import Delivery
from scanner.service.desk import Arrival
from scanner.service.lateness import LateWatch
from scanner.service.restating import as_sent
from scanner.service.station import Station
from scanner.service.store import Store, StoreTroubleError
from tests.adapters.feed_servers import until
from tests.service.bad_days import BARS, BEGIN, FIRST, DayTime, Tape, settings
from tests.service.delivery.tools import PlannedSink

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event
    from scanner.service.store import Batch


class SlowStore:
    """A store that keeps nothing while it is ``stuck``, and what it was told to keep once it is not."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.goes_on = threading.Event()
        self.goes_on.set()

    def commit(self, batch: Batch) -> list[Event]:
        self.goes_on.wait()
        return self.store.commit(batch)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401, D105 - whatever a store has
        return getattr(self.store, name)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SlowStore]:
    with Store.open(tmp_path / "kept.db", lambda: BEGIN) as opened:
        slow = SlowStore(opened)
        yield slow
        slow.goes_on.set()


def bar(number: int) -> list[Arrival]:
    return [Arrival("GANNET", as_sent(BARS[number : number + 1], "tape"))]


async def test_a_disk_that_does_not_answer_is_told_of_and_holds_up_no_stop(tmp_path: Path, store: SlowStore) -> None:
    time = DayTime()
    sink = PlannedSink(time)
    delivery = Delivery(store, {"archive": sink}, clock=time.now, sleep=time.sleep, random=lambda: 0.5)  # type: ignore[arg-type] # it has all that a store has
    station = Station(
        settings(tmp_path),
        store,  # type: ignore[arg-type] # as above
        {"tape": Tape(time)},
        clock=time,
        delivery=delivery,
        turn_within=0.1,
    )
    stop = asyncio.Event()
    running = asyncio.create_task(station.run(stop))
    await until(station.watching.is_set)
    assert not station.keeping.turns.stuck

    store.goes_on.clear()
    time.passed += 900
    taking = asyncio.create_task(station.keeping.take(bar(FIRST)))
    await until(lambda: station.keeping.turns.stuck)
    (late,) = LateWatch("tape", lambda *_: False).late({"GANNET": BEGIN}, "")
    with pytest.raises(StoreTroubleError, match="the store has not answered for long; see whether its disk is failing"):
        await station.keeping.say(late)
    await until(lambda: late.id in sink.taken)

    store.goes_on.set()
    assert (await taking).bars == 1
    assert not station.keeping.turns.stuck

    store.goes_on.clear()
    time.passed += 900
    taking = asyncio.create_task(
        station.keeping.take([Arrival("GANNET", as_sent(BARS[FIRST + 1 : FIRST + 2], "tape"))])
    )
    await until(lambda: station.keeping.turns.stuck)
    told = wall.monotonic()
    stop.set()
    await running
    assert wall.monotonic() - told < 2
    store.goes_on.set()
    assert (await taking).bars == 1
