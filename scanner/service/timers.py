"""The timers of a station: at each bar close of each group, and once in a while for its upkeep and its summary."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

from scanner.service.schedule import BarCloseTrigger

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from datetime import time

    from scanner.clocks import Clock
    from scanner.service.schedule import Due, Group
    from scanner.service.upkeep import Upkeep


def _is_failure(record: logging.LogRecord) -> bool:
    """Say whether what the library reports as failed did fail: what a stop cuts short did not."""
    return record.exc_info is None or not isinstance(record.exc_info[1], asyncio.CancelledError)


logging.getLogger("apscheduler.executors.default").addFilter(_is_failure)


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
        """Call ``act`` at a time of the day."""
        self._scheduler.add_job(act, CronTrigger(hour=at.hour, minute=at.minute, timezone=ZoneInfo(zone)))

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
