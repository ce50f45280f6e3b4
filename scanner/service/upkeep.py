"""Upkeep of the store by the running station: tidied every minute, rid of expired data every day."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from apscheduler.triggers.interval import IntervalTrigger

from scanner.store import StoreTroubleError
from scanner.store.upkeep.maintenance import retain, tidy

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.store import Store

STEPS = 64
"""Short steps of tidying at a time; the rest waits for the next minute."""
AFTER_START = timedelta(minutes=10)
"""Time after the start until expired data are first removed: a station restarted every day does it too."""


class Upkeep:
    """Keeps a store in order between bar closes, in threads.

    ``note`` gets each trouble as a sentence: once while it lasts, as a full disk may for days.
    """

    def __init__(self, store: Store, *, keep_bars: int, keep_days: int, note: Callable[[str], None]) -> None:
        self.store = store
        self.keep_bars = keep_bars
        self.keep_days = keep_days
        self.note = note
        self._trouble = ""

    def schedule(self, scheduler: Any, now: datetime | None = None) -> None:  # noqa: ANN401 - the library has no types
        """Schedule the work, replacing earlier jobs; ``now`` is when it starts."""
        begin = (now or datetime.now(UTC)) + AFTER_START
        for job, trigger in (
            (self.tidy, IntervalTrigger(minutes=1, timezone=UTC)),
            (self.retain, IntervalTrigger(days=1, start_date=begin, timezone=UTC)),
        ):
            scheduler.add_job(
                job,
                trigger,
                id=f"upkeep {job.__name__}",
                coalesce=True,
                max_instances=1,
                misfire_grace_time=None,
                replace_existing=True,
            )

    async def tidy(self) -> None:
        """Do the short steps that are due."""
        try:
            for _ in range(STEPS):
                if not await asyncio.to_thread(tidy, self.store):
                    break
        except StoreTroubleError as problem:
            self._note(problem)
        else:
            self._trouble = ""

    async def retain(self) -> tuple[int, int, int]:
        """Remove expired data; returns the number of bars, events and recorded rows removed."""
        try:
            return await asyncio.to_thread(retain, self.store, keep_bars=self.keep_bars, keep_days=self.keep_days)
        except StoreTroubleError as problem:
            self._note(problem)
            return 0, 0, 0

    def _note(self, problem: StoreTroubleError) -> None:
        if self._trouble != (trouble := f"upkeep: {problem}"):
            self.note(trouble)
        self._trouble = trouble
