"""The life of one feed: started again until it works, and stopped in any case."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from scanner.backoff import Pauses
from scanner.ports import FeedTroubleError, contained

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.clocks import Clock
    from scanner.ports import Feed

LONGEST_PAUSE = 60.0
"""Most seconds between two attempts to start a feed."""

STOP_SECONDS = 1.0


class FeedLife:
    """Starts a feed, again with growing pauses if that fails; ``note`` gets each trouble."""

    def __init__(
        self, name: str, feed: Feed, *, clock: Clock, chance: Callable[[], float], note: Callable[[str], None]
    ) -> None:
        self.name = name
        self.feed = feed
        self._clock = clock
        self._pauses = Pauses(chance, longest=LONGEST_PAUSE)
        self._note = note
        self._trying: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Try to start it once; if that fails, go on trying in the background."""
        trouble = await self._try()
        if trouble:
            self._note(trouble)
            self._trying = asyncio.create_task(self._go_on())

    async def stop(self) -> None:
        """Stop it, or give up after a second."""
        if self._trying is not None:
            self._trying.cancel()
            await asyncio.gather(self._trying, return_exceptions=True)
        try:
            async with asyncio.timeout(STOP_SECONDS):
                await contained(self.feed.stop())
        except Exception as problem:  # noqa: BLE001 - whatever it fails with, all else has to be stopped too
            self._note(f"it did not stop: {str(problem) or 'it hangs'}")

    async def _go_on(self) -> None:
        failures = 1
        while True:
            await self._clock.sleep(self._pauses.after(failures))
            if not await self._try():
                return
            failures += 1

    async def _try(self) -> str:
        """Try once; returns the trouble as a sentence, empty if it works."""
        try:
            await contained(self.feed.start())
        except FeedTroubleError as problem:
            return str(problem)
        except Exception as problem:  # noqa: BLE001 - whatever is wrong with an adapter, the others are watched
            return f"the adapter of the feed {self.name} failed: {type(problem).__name__}: {problem}"
        return ""
