"""Time that passes only while every task sleeps: an hour of waiting takes no time, and always goes the same way."""

from __future__ import annotations

import asyncio
import heapq
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import count
from typing import TYPE_CHECKING, Any

from scanner.clocks import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_TURNS = 10_000
"""Turns of the event loop within which every task must have come to rest."""


class SimulatedTime:
    """A clock that jumps to the end of the shortest sleep when all are asleep; ``wall`` is added to what it shows."""

    def __init__(self, start: int) -> None:
        self.start = start
        self.passed = 0.0
        self.wall = 0
        self._numbers = count()
        self._sleeping: list[tuple[float, int, asyncio.Future[None]]] = []

    def now(self) -> int:
        return self.start + round(self.passed * SECOND) + self.wall

    def wall_time(self, moment: int) -> float:
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        assert seconds >= 0
        awake = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleeping, (self.passed + seconds, next(self._numbers), awake))
        await awake

    async def run(self, seconds: float) -> None:
        """Let this many seconds pass."""
        end = self.passed + seconds
        await _settle()
        while self._sleeping and self._sleeping[0][0] <= end:
            self.passed, _, awake = heapq.heappop(self._sleeping)
            if not awake.done():
                awake.set_result(None)
                await _settle()
        self.passed = end


async def _settle() -> None:
    """Let the other tasks run until all of them sleep."""
    for _ in range(MOST_TURNS):
        await asyncio.sleep(0)
        if not asyncio.get_running_loop()._ready:  # type: ignore[attr-defined]  # no other tells of it
            return
    raise AssertionError("somebody never comes to rest")


class AtOnce(ThreadPoolExecutor):
    """Does the work of threads in the caller's thread, so that simulated time need not wait for them."""

    def submit(self, function: Callable[..., Any], /, *args: object, **options: object) -> Future[Any]:
        done: Future[Any] = Future()
        try:
            done.set_result(function(*args, **options))
        except BaseException as problem:  # noqa: BLE001 - whoever waits gets it
            done.set_exception(problem)
        return done
