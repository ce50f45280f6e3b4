"""Keeping a connection up, in simulated time."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from adapters.feeds.pushed.link import Link, Outside
from scanner.backoff import Pauses
from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable

DOWN = FeedTroubleError("the broker is down")


@dataclass
class World:
    """A server whose connections last these seconds each, None if it refuses; after the last it holds for ever."""

    lasting: list[float | None]
    now: float = 0.0
    pauses: list[float] = field(default_factory=list)
    steps: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(0))

    def outside(self) -> Outside:
        return Outside(lambda: self.now, self.sleep, lambda: 1.0)

    async def sleep(self, seconds: float) -> None:
        self.pauses.append(seconds)
        await self.steps.acquire()
        self.now += seconds

    async def session(self, up: Callable[[], None]) -> None:
        lasts = self.lasting.pop(0) if self.lasting else float("inf")
        if lasts is None:
            raise DOWN
        up()
        if lasts == float("inf"):
            await asyncio.Event().wait()
        await self.steps.acquire()
        self.now += lasts
        raise DOWN

    async def run(self, steps: int = 1) -> None:
        for _ in range(steps):
            self.steps.release()
            for _ in range(5):
                await asyncio.sleep(0)


def link(world: World, grace: float = 0.0) -> Link:
    return Link(world.session, Pauses(lambda: 1.0, 1.0, 30.0), grace, world.outside())


async def test_pauses_grow_up_to_the_longest_and_start_again_after_a_connection_that_lasted() -> None:
    world = World([5.0, *[None] * 7, 100.0, None, None])
    kept = link(world)
    await kept.start()
    await world.run(20)
    assert world.pauses == [1, 2, 4, 8, 16, 30, 30, 30, 1, 2, 4]
    await kept.stop()


async def test_a_server_that_throws_us_out_again_and_again_is_asked_less_and_less_often() -> None:
    world = World([0.5] * 5)
    kept = link(world)
    await kept.start()
    await world.run(20)
    assert world.pauses == [1, 2, 4, 8, 16]
    await kept.stop()


async def test_a_defect_ends_a_session_and_is_reported_but_the_link_goes_on() -> None:
    world = World([])
    defects = 2

    async def session(up: Callable[[], None]) -> None:
        nonlocal defects
        up()
        if defects:
            defects -= 1
            await world.steps.acquire()
            raise ZeroDivisionError
        await asyncio.Event().wait()

    kept = Link(session, Pauses(lambda: 1.0, 1.0, 30.0), 0.0, world.outside())
    await kept.start()
    await world.run()
    with pytest.raises(FeedTroubleError, match=r"adapter of the feed failed \(ZeroDivisionError\)"):
        kept.check()
    await world.run(4)
    kept.check()
    assert kept.is_up
    await kept.stop()
