"""The timers of a station: at each bar close of each group, and once in a while for its upkeep and its summary."""

from __future__ import annotations

import asyncio
import logging
import traceback
from datetime import UTC
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

from scanner.service.schedule import BarCloseTrigger

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from datetime import time

    from scanner.clocks import Clock
    from scanner.service.schedule import Due, Group
    from scanner.service.upkeep import Upkeep


STILL_BUSY = "maximum number of running instances"
"""What the library warns of where a job is due again before it has ended: it sees to all that is due the next time."""


class _Told(logging.Handler):
    """Puts what the library reports into our own log, but for what is no trouble."""

    def emit(self, record: logging.LogRecord) -> None:
        """Tell it in a line like the others."""
        problem = record.exc_info[1] if record.exc_info else None
        # What a stop cuts short did not fail.
        if isinstance(problem, asyncio.CancelledError) or STILL_BUSY in str(record.msg):
            return
        log = structlog.get_logger("closewatch")
        more = {} if problem is None else {"problem": "".join(traceback.format_exception(problem))}
        say = log.error if record.levelno >= logging.ERROR else log.warning
        say("trouble with a timer", trouble=record.getMessage(), **more)


_LIBRARY = logging.getLogger("apscheduler")
_LIBRARY.addHandler(_Told(logging.WARNING))
_LIBRARY.propagate = False


class Timers:
    """Calls what it was given when its time has come."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._scheduler = AsyncIOScheduler(timezone=UTC)

    def start(self, upkeep: Upkeep) -> None:
        """Begin, and look after the store from now on."""
        upkeep.schedule(self._scheduler)
        self._scheduler.start()

    def at_closes(self, group: Group, due: Due, settle: float, act: Callable[[Group], Awaitable[None]]) -> None:
        """Call ``act`` so many seconds after each bar close of a group; takes the place of what was set for it."""
        self._scheduler.add_job(
            act,
            BarCloseTrigger(due, settle, self._clock),
            args=[group],
            id=group.name,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
            replace_existing=True,
        )

    def every_day(self, at: time, zone: str, act: Callable[[], Awaitable[None]]) -> None:
        """Call ``act`` at a time of the day, and once afterwards where the machine slept or was too busy then."""
        trigger = CronTrigger(hour=at.hour, minute=at.minute, timezone=ZoneInfo(zone))
        self._scheduler.add_job(act, trigger, coalesce=True, max_instances=1, misfire_grace_time=None)

    def names(self) -> set[str]:
        """Name the groups at whose closes something is called."""
        return {job.id for job in self._scheduler.get_jobs() if isinstance(job.trigger, BarCloseTrigger)}

    def forget(self, name: str) -> None:
        """Call nothing any more at the closes of a group."""
        self._scheduler.remove_job(name)

    def wake(self) -> None:
        """See what is due, since the clock leapt."""
        if self._scheduler.running:
            self._scheduler.wakeup()

    def stop(self) -> None:
        """Call nothing any more; harmless when repeated or never started."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
