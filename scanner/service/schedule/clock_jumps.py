"""Jumps of the wall clock: the machine slept, or somebody set the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

LOOK = 5.0
"""Seconds between two looks at the clock."""
JUMP = 2.0
"""Seconds by which the clock must differ from what it should show: a busy machine may explain less."""


async def watch_clock(
    wall: Callable[[], float], sleep: Callable[[float], Awaitable[object]], act: Callable[[float], Awaitable[object]]
) -> None:
    """Look at the clock every few seconds until cancelled, and act if it shows more or less than it should.

    ``wall`` gives the wall time in seconds, ``sleep`` waits for seconds that the machine is awake. ``act`` gets the
    seconds that the clock jumped, negative if it was set back.
    """
    before = wall()
    while True:
        await sleep(LOOK)
        now = wall()
        jumped, before = now - before - LOOK, now
        if abs(jumped) > JUMP:
            await act(jumped)
