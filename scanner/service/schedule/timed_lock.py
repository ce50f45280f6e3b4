"""A lock that gives turns at the desk and the store, and knows for how long the current turn has lasted."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable


class Turns:
    """A lock that knows when it has been held for longer than the ``patience``, as by a disk that does not answer.

    ``clock`` gives seconds that never go back.
    """

    def __init__(self, clock: Callable[[], float], patience: float) -> None:
        self._clock = clock
        self.patience = patience
        self._lock = asyncio.Lock()
        self._since: float | None = None

    @property
    def stuck(self) -> bool:
        """Whether the current turn has lasted too long."""
        return self._since is not None and self._clock() - self._since > self.patience

    async def take(self) -> None:
        """Wait for the turn."""
        await self._lock.acquire()
        self._since = self._clock()

    async def take_soon(self) -> None:
        """Wait for the turn as long as the patience lasts; TimeoutError after that."""
        async with asyncio.timeout(self.patience):
            await self.take()

    def give(self) -> None:
        """Let the next have its turn."""
        self._since = None
        self._lock.release()

    async def __aenter__(self) -> Self:
        """Wait for the turn."""
        await self.take()
        return self

    async def __aexit__(self, *_: object) -> None:
        """Let the next have its turn."""
        self.give()
