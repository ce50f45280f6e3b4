"""The timers of a station: at each bar close of each group, once a day, and now and then for its upkeep.

One timer serves all instruments that share a feed, a calendar and a timeframe.
"""

from __future__ import annotations

import asyncio
import logging
import traceback
from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from scanner.clocks import SECOND, next_time
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence
    from datetime import time

    from scanner.clocks import Clock
    from scanner.configuration.model.settings import Watched
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe
    from scanner.service.upkeep import Upkeep


@dataclass(frozen=True, slots=True)
class Group:
    """Instruments whose bars close together: one feed, one calendar, one timeframe of the feed."""

    feed: str
    timetable: Timetable
    instruments: tuple[str, ...]

    @property
    def name(self) -> str:
        """What the group is called in logs and timetables."""
        calendar = self.timetable.calendar
        zone = f" {calendar.tz}" if calendar.name in {"none", "24/7"} and calendar.tz != "UTC" else ""
        return f"{self.feed} {calendar.name}{zone} {self.timetable.timeframe.name}"


def groups_of(watched: Sequence[Watched]) -> list[Group]:
    """Group instruments whose bars close at the same time and come from the same feed."""
    found: dict[tuple[str, Calendar, Timeframe], list[str]] = {}
    for each in watched:
        found.setdefault((each.feed, each.calendar, each.base), []).append(each.instrument.symbol)
    return [Group(feed, Timetable(calendar, base), tuple(names)) for (feed, calendar, base), names in found.items()]


@dataclass(slots=True)
class Due:
    """Which close of a timetable was given last."""

    timetable: Timetable
    given: int

    def take(self, now: int) -> int | None:
        """Give the last close up to ``now``, unless it is the one that was given last.

        After a sleep only the last of several is given. After the clock was set back an earlier close is given
        again: its bar may never have come.
        """
        last = self.timetable.last_close(now)
        if last == self.given:
            return None
        self.given = last
        return last


LOOK = 5.0
"""Most seconds between two looks at the clock: it may jump, or the machine may have slept."""
AT_LEAST = 0.001
"""Fewest seconds between two looks: just before its time, nothing is due yet."""
STILL_BUSY = "maximum number of running instances"
"""The library's warning that a job is due again before it has ended; the next run does all that is due."""


class _Told(logging.Handler):
    """Passes the library's reports to our own log, except harmless ones."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log it in a line like the others."""
        problem = record.exc_info[1] if record.exc_info else None
        # A job cut short by a stop did not fail.
        if not isinstance(problem, asyncio.CancelledError) and STILL_BUSY not in str(record.msg):
            _tell(record.getMessage(), problem, error=record.levelno >= logging.ERROR)


def _tell(trouble: str, problem: BaseException | None, *, error: bool = True) -> None:
    log = structlog.get_logger("closewatch")
    more = {} if problem is None else {"problem": "".join(traceback.format_exception(problem))}
    (log.error if error else log.warning)("trouble with a timer", trouble=trouble, **more)


_LIBRARY = logging.getLogger("apscheduler")
_LIBRARY.addHandler(_Told(logging.WARNING))
_LIBRARY.propagate = False


class Timers:
    """Calls each function when its time has come.

    ``sleep`` waits for seconds that the machine is awake, whatever the clock shows.
    """

    def __init__(self, clock: Clock, sleep: Callable[[float], Awaitable[object]] = asyncio.sleep) -> None:
        self._clock = clock
        self._sleep = sleep
        self._scheduler = AsyncIOScheduler(timezone=UTC)
        self._upkeep: Upkeep | None = None
        self._closes: dict[str, asyncio.Task[None]] = {}

    def start(self, upkeep: Upkeep) -> None:
        """Take care of the store from now on, beginning with the daily work."""
        self._upkeep = upkeep
        upkeep.schedule(self._scheduler)
        self._scheduler.start()

    def at_closes(self, group: Group, due: Due, settle: float, act: Callable[[Group, int], Awaitable[None]]) -> None:
        """Call ``act`` this many seconds after each bar close of a group, in place of its earlier timer."""
        self.forget(group.name)
        self._closes[group.name] = asyncio.create_task(self._at_closes(group, due, round(settle * SECOND), act))

    async def _at_closes(
        self, group: Group, due: Due, settle: int, act: Callable[[Group, int], Awaitable[None]]
    ) -> None:
        told = ""
        while True:
            wait = LOOK
            try:
                settled = self._clock.now() - settle
                close = due.take(settled)
                if close is not None:
                    await act(group, close)
                    continue
                fires = due.timetable.next_close(settled)[1] + settle
                wait = self._clock.wall_time(fires) - self._clock.wall_time(settled + settle)
            except Exception as problem:  # noqa: BLE001 - a defect must not end the watch over all later closes
                if str(problem) != told:
                    told = str(problem)
                    _tell(f"at a close of {group.name}: {problem}", problem)
            await self._sleep(min(max(wait, AT_LEAST), LOOK))

    async def every_day(self, at: time, zone: str, act: Callable[[int], Awaitable[None]]) -> None:
        """Call ``act`` with the time each day at a time of day; runs until cancelled.

        If the machine was asleep then, it is called once afterwards. The next time is planned anew at every look, since
        the clock may have been set.
        """
        planned = next_time(at, zone, self._clock.now())
        while True:
            wait = self._clock.wall_time(planned) - self._clock.wall_time(self._clock.now())
            await self._sleep(min(max(wait, AT_LEAST), LOOK))
            now = self._clock.now()
            is_due, planned = now >= planned, next_time(at, zone, now)
            if is_due:
                await act(now)

    def forget(self, name: str) -> None:
        """Remove the timer of a group."""
        if name in self._closes:
            self._closes.pop(name).cancel()

    def clock_jumped(self, seconds: float) -> None:
        """Plan the upkeep anew by the current clock; bar closes are noticed within seconds anyway.

        If the clock was set back, it may have been planned for a day that is still far away.
        """
        if self._upkeep is not None and self._scheduler.running:
            if seconds < 0:
                self._upkeep.schedule(self._scheduler)
            self._scheduler.wakeup()

    def stop(self) -> None:
        """Remove all timers; harmless when repeated or never started."""
        for name in list(self._closes):
            self.forget(name)
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
