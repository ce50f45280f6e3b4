"""Clocks: the wall clock, one that runs through a recording at a chosen pace, and those of a time zone."""

from __future__ import annotations

from datetime import datetime, timedelta
from time import time_ns
from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from datetime import time

SECOND = 1_000_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
"""Lengths of time in nanoseconds, the unit of all times here."""


def zone_named(name: str) -> ZoneInfo:
    """Find a time zone; ValueError says what a name looks like."""
    try:
        return ZoneInfo(name)
    except (OSError, KeyError, ValueError):
        raise ValueError(f"there is no time zone {name!r}; give a name such as Europe/Berlin or UTC") from None


def next_time(at: time, zone: str, now: int) -> int:
    """Give the first moment after ``now`` at which it is a time of day in a zone, once for every day.

    When the clocks change, a time that occurs twice means the first, and one that is skipped lies as long after the
    change as it would have.
    """
    own = ZoneInfo(zone)
    day = datetime.fromtimestamp(now // SECOND, own).date()
    moments = (round(datetime.combine(day + timedelta(more), at, own).timestamp()) * SECOND for more in range(-1, 3))
    return next(moment for moment in moments if moment > now)


class Clock(Protocol):
    """Gives the time in nanoseconds since 1970 UTC, and waits."""

    def now(self) -> int:
        """Give the time."""

    def wall_time(self, moment: int) -> float:
        """Give the wall clock's time, in seconds since 1970 UTC, at which this clock will show ``moment``."""

    async def sleep(self, seconds: float) -> None:
        """Wait for some seconds of this clock."""


class WallClock:
    """The real time."""

    def now(self) -> int:
        """Give the time."""
        return time_ns()

    def wall_time(self, moment: int) -> float:
        """Give the same moment in seconds."""
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        from asyncio import sleep  # noqa: PLC0415 - slow to load, and recordings are read without waiting

        await sleep(seconds)


class PacedClock:
    """A clock that shows ``start`` when it is made and then runs ``pace`` times as fast as the real time."""

    def __init__(self, start: int, pace: float) -> None:
        self.start = start
        self.pace = pace
        self._begun = time_ns()

    def now(self) -> int:
        """Give the time being played."""
        return self.start + round((time_ns() - self._begun) * self.pace)

    def wall_time(self, moment: int) -> float:
        """Give when a moment will be reached."""
        return (self._begun + (moment - self.start) / self.pace) / SECOND

    async def sleep(self, seconds: float) -> None:
        """Wait for some seconds of the time being played."""
        from asyncio import sleep  # noqa: PLC0415 - as above

        await sleep(seconds / self.pace)
