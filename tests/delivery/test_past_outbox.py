"""A delivery that is woken at once, and a late feed that is sent although the store cannot keep it."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import time as wall_time
from typing import TYPE_CHECKING

import pytest

from scanner.backoff import Pauses
from scanner.configuration.model.tables import Quiet
from scanner.delivery import Dispatcher
from scanner.ports import DeliveryError
from scanner.store import Store
from tests.delivery.tools import NAME, SECOND, PlannedSink, Time, say, told
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
    from pathlib import Path

DOWN = DeliveryError("nobody is there")


@dataclass
class Asleep:
    """A clock on which one sleeps until woken."""

    time: Time
    asleep: asyncio.Event

    def now(self) -> int:
        return self.time.now()

    def wall_time(self, moment: int) -> float:
        return self.time.wall_time(moment)

    async def sleep(self, seconds: float) -> None:
        del seconds
        self.asleep.set()
        await asyncio.Event().wait()


@asynccontextmanager
async def sleeping_until_woken(
    store: Store, time: Time, sink: PlannedSink, quiet: dict[str, Quiet] | None = None
) -> AsyncIterator[tuple[Dispatcher, Callable[[], Awaitable[None]]]]:
    """Give a delivery that sleeps until woken, and a function that wakes it and waits until it sleeps again."""
    stop, asleep = asyncio.Event(), asyncio.Event()

    async def wake() -> None:
        asleep.clear()
        delivery.wake()
        await asleep.wait()

    clock, pauses = Asleep(time, asleep), Pauses(lambda: 0.5)
    delivery = Dispatcher(store, {NAME: sink}, clock=clock, pauses=pauses, quiet=quiet or {})
    running = asyncio.create_task(delivery.run(stop))
    async with asyncio.timeout(10):
        await asleep.wait()
        yield delivery, wake
        stop.set()
        await running


async def test_waking_makes_it_look_at_once(tmp_path: Path) -> None:
    time = Time()
    sink = PlannedSink(time)
    with Store.open(tmp_path / "store.db", time) as store:
        async with sleeping_until_woken(store, time, sink) as (_, wake):
            say(store, [told(0)])
            await wake()
            assert sink.taken == [told(0).id]


@pytest.mark.parametrize("steps", [("store", "pass on"), ("pass on", "store", "pass on")])
async def test_a_late_feed_is_sent_once_by_whichever_way(tmp_path: Path, steps: Sequence[str]) -> None:
    """It is passed on again as long as nobody knows whether it was stored."""
    time, late = Time(), one_of_each()["feed.late"]
    sink = PlannedSink(time)
    with Store.open(tmp_path / "store.db", time) as store:
        async with sleeping_until_woken(store, time, sink) as (delivery, wake):
            for step in steps:
                if step == "store":
                    say(store, [late])
                else:
                    delivery.pass_on(late, [NAME])
                await wake()
                assert sink.taken == [late.id]
        assert store.outbox.counts() == {(NAME, "delivered"): 1}


async def test_what_is_passed_on_waits_until_the_sink_has_started(tmp_path: Path) -> None:
    time, late = Time(), one_of_each()["feed.late"]
    sink = PlannedSink(time, start_troubles=[DOWN, DOWN])
    with Store.open(tmp_path / "store.db", time) as store:
        async with sleeping_until_woken(store, time, sink) as (delivery, wake):
            delivery.pass_on(late, [NAME])
            for starts, taken in ((2, []), (3, [late.id])):
                time.shown += 60 * SECOND
                await wake()
                assert (sink.starts, sink.taken) == (starts, taken)


@pytest.mark.parametrize("is_quiet", [False, True])
async def test_a_late_feed_is_tried_until_it_arrives_but_not_in_quiet_hours(tmp_path: Path, *, is_quiet: bool) -> None:
    time, late = Time(), one_of_each()["feed.late"]
    sink = PlannedSink(time, [RuntimeError("a defect of the sink"), DOWN])
    hours = Quiet(start=wall_time(15), end=wall_time(17), zone="UTC")  # an hour more from now on
    with Store.open(tmp_path / "store.db", time) as store:
        async with sleeping_until_woken(store, time, sink, {NAME: hours} if is_quiet else {}) as (delivery, wake):
            delivery.pass_on(late, [NAME])
            await wake()
            for _ in range(11):
                time.shown += 5 * 60 * SECOND
                await wake()
            assert sink.taken == ([] if is_quiet else [late.id])
            for _ in range(5):
                time.shown += 5 * 60 * SECOND
                await wake()
            assert sink.taken == [late.id]


async def test_a_late_feed_that_is_refused_holds_up_nothing(tmp_path: Path) -> None:
    time, late = Time(), one_of_each()["feed.late"]
    sink = PlannedSink(time, poison=frozenset({late.id}))
    with Store.open(tmp_path / "store.db", time) as store:
        async with sleeping_until_woken(store, time, sink) as (delivery, wake):
            delivery.pass_on(late, [NAME])
            await wake()
            say(store, [told(0)])
            time.shown += 60 * SECOND
            await wake()
            assert sink.taken == [told(0).id]
