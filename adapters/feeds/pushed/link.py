"""A connection that is kept up: renewed whenever it breaks, after growing pauses."""

from __future__ import annotations

import asyncio
import random
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.ports import FeedTroubleError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from scanner.backoff import Pauses


@dataclass(frozen=True, slots=True)
class Outside:
    """What a feed takes from the world.

    A steady clock in seconds, a way to wait, random numbers from 0 to 1, and the time in seconds since 1970.
    """

    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep
    chance: Callable[[], float] = random.random
    now: Callable[[], float] = time.time


REAL = Outside()


class Link:
    """Runs ``session`` again and again.

    A session connects, calls its argument once it is up, and goes on until the connection breaks, when it raises a
    FeedTroubleError; a defect ends a session as well, but not the link. A connection that lasts less than the last
    pause counts as a failure, so that a server that accepts and then drops us is not asked ever more often.
    """

    def __init__(
        self,
        session: Callable[[Callable[[], None]], Awaitable[None]],
        pauses: Pauses,
        grace: float,
        outside: Outside,
    ) -> None:
        self._session = session
        self._pauses = pauses
        self._grace = grace
        self._outside = outside
        self._task: asyncio.Task[None] | None = None
        self._settled = asyncio.Event()  # the first attempt is over
        self._up_since: float | None = None
        self._down_since = 0.0
        self._trouble: FeedTroubleError | None = None

    async def start(self) -> None:
        """Connect; FeedTroubleError if the first attempt fails; then nothing is left running."""
        if self._task is not None:
            return
        self._settled.clear()
        self._trouble = None
        self._down_since = self._outside.clock()
        self._task = asyncio.create_task(self._run())
        settled = asyncio.create_task(self._settled.wait())
        try:
            await asyncio.wait((self._task, settled), return_when=asyncio.FIRST_COMPLETED)
        finally:
            settled.cancel()
        if not self.is_up:
            trouble = self._trouble
            await self.stop()
            if trouble is not None:
                raise trouble

    async def stop(self) -> None:
        """Disconnect for good."""
        task, self._task = self._task, None
        self._up_since = None
        if task is None:
            return
        task.cancel()
        await asyncio.wait((task,))

    @property
    def is_up(self) -> bool:
        """Whether there is a connection."""
        return self._up_since is not None

    def check(self) -> None:
        """Raise FeedTroubleError while the connection has been down for longer than the grace time."""
        waited = self._outside.clock() - self._down_since
        if self._task is None or (not self.is_up and waited >= self._grace):
            raise FeedTroubleError(str(self._trouble or "the feed is not connected; start it first"))

    def _up(self) -> None:
        self._up_since = self._outside.clock()
        self._settled.set()

    async def _run(self) -> None:
        failures, pause = 0, 0.0
        while True:
            try:
                await self._session(self._up)
            except FeedTroubleError as trouble:
                self._trouble = trouble
            except Exception as defect:  # noqa: BLE001 - it serves many series, and must outlive a defect with one
                self._trouble = FeedTroubleError(
                    f"the adapter of the feed failed ({type(defect).__name__}); closewatch reconnects"
                )
            now = self._outside.clock()
            held = 0.0 if self._up_since is None else now - self._up_since
            if self._up_since is not None:
                self._up_since, self._down_since = None, now
            self._settled.set()
            failures = 1 if held > pause else failures + 1
            pause = self._pauses.after(failures)
            await self._outside.sleep(pause)
