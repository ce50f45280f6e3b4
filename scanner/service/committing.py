"""Commits arrivals and events one after the other: each batch is stored as a whole, then published."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import fields
from functools import reduce
from time import monotonic
from typing import TYPE_CHECKING, Any, Self, TypeVar

import structlog

from scanner.events import Event, rfc3339
from scanner.service.desk import Taken
from scanner.service.intake.noted_rows import NotedRows
from scanner.service.to_report import late_feed
from scanner.store import Batch, Said, StoreTroubleError
from scanner.store.trouble import NO_ANSWER

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Sequence

    from scanner.clocks import Clock
    from scanner.delivery import Dispatcher
    from scanner.service.desk import Desk
    from scanner.service.to_report import ToReport
    from scanner.service.together.usual import Arrival


class TimedLock:
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


T = TypeVar("T")
MOST_HALVINGS = 64
"""How often a batch is halved; what still fails then is left for later. One defect in 10,000 rows needs 14."""


class Committer:
    """Passes rows to the desk and events to the store, then calls ``on_event`` with each new event.

    ``counts`` counts bars, refused rows and events by kind. If a batch takes longer than ``turn_within`` seconds,
    ``turns`` are stuck.
    """

    def __init__(
        self,
        desk: Desk,
        to_report: ToReport,
        *,
        clock: Clock,
        delivery: Dispatcher | None,
        on_event: Callable[[Event], None],
        turn_within: float,
    ) -> None:
        self.desk = desk
        self.to_report = to_report
        self.counts: Counter[str] = Counter()
        self.turns = TimedLock(monotonic, turn_within)
        self._clock = clock
        self._delivery = delivery
        self._on_event = on_event
        self._log = structlog.get_logger("closewatch")
        self.noted = NotedRows(self._log, monotonic)
        self._failed: dict[str, str] = {}
        """By instrument, the last reason why it could not be taken in, so that it is reported once."""

    async def take(self, arrivals: Sequence[Arrival]) -> Taken:
        """Take in rows and publish their events; once begun, this runs to the end."""
        await self.turns.take()
        return await _to_the_end(self._take(arrivals))

    async def _take(self, arrivals: Sequence[Arrival]) -> Taken:
        try:
            known = [each for each in arrivals if each.instrument in self.desk.watched]
            # The clock is read in the thread, which may have to wait: meanwhile it may be set right.
            taken, failed = await asyncio.to_thread(
                take_apart, lambda part: self.desk.take(part, self._clock.now()), known
            )
        finally:
            self.turns.give()
        for name, why in failed.items():
            if self._failed.get(name) != why:
                self.to_report.note(f"{name}: {why}")
        for each in known:
            self._failed.pop(each.instrument, None)
        self._failed |= failed
        self.counts["bars"] += taken.bars
        self.counts["refused"] += taken.refused.total()
        self.noted.add(taken.notes)
        for name, why in taken.doubtful.items():
            self.to_report.note(f"{name}: {why}")
        for name, since in taken.restated.items():
            self._log.info("bars restated", instrument=name, since=rfc3339(since))
        self.to_report.heard(taken.events, taken.missed)
        self.counts.update(event.kind for event in taken.stale)
        self._told(taken.events)
        return taken

    async def say(self, event: Event) -> None:
        """Store and publish an event about a feed or the station itself."""
        sinks = self.desk.route(event)
        try:
            new = await self._kept(Said(event, sinks))
        except StoreTroubleError:
            # The log must show it even if the store fails; the caller tries again to have it stored.
            if event.kind == "feed.late" and self._delivery is not None:
                self._delivery.pass_on(event, sinks)
            raise
        for each in new:
            if each.kind == "feed.late":
                self.to_report.note(late_feed(each.data["feed"], each.data["reason"]))
        self._told(new)

    async def _kept(self, said: Said) -> list[Event]:
        try:
            await self.turns.take_soon()
        except TimeoutError:
            raise StoreTroubleError(NO_ANSWER) from None
        try:
            async with asyncio.timeout(self.turns.patience):
                return await _to_the_end(self._commit(said))
        except TimeoutError:
            raise StoreTroubleError(NO_ANSWER) from None

    async def _commit(self, said: Said) -> list[Event]:
        try:
            return await asyncio.to_thread(self.desk.store.commit, Batch(said=[said]))
        finally:
            self.turns.give()

    def _told(self, events: Sequence[Event]) -> None:
        self.counts.update(event.kind for event in events)
        for event in events:
            self._on_event(event)
        if events and self._delivery is not None:
            self._delivery.wake()


async def _to_the_end(work: Coroutine[Any, Any, T]) -> T:
    """Run work that has a turn to the end, even if nobody waits for it any more; then nobody needs to see it fail."""
    task = asyncio.create_task(work)
    task.add_done_callback(lambda done: done.cancelled() or done.exception())
    return await asyncio.shield(task)


def take_apart(take: Callable[[Sequence[Arrival]], Taken], arrivals: Sequence[Arrival]) -> tuple[Taken, dict[str, str]]:
    """Take a batch in, by halves if that fails, so that a defect in one instrument stalls no other.

    ``take`` takes in all of a batch or nothing. Returns the result, and by instrument why it could not be taken in;
    raises what ``take`` raised if nothing could be taken in.
    """
    done: list[Taken] = []
    failed: dict[str, str] = {}
    parts, halvings = [arrivals], 0
    while parts:
        part = parts.pop()
        try:
            done.append(take(part))
        except Exception as problem:  # whatever one instrument's bars cause, the others are taken in
            if len(part) > 1 and halvings < MOST_HALVINGS and not isinstance(problem, StoreTroubleError):
                halvings += 1
                middle = len(part) // 2
                parts += [part[middle:], part[:middle]]
                continue
            failed |= dict.fromkeys((each.instrument for each in part), f"it could not be taken in: {problem!r}")
            if not done and not parts:
                raise
    whole = reduce(_both, done)
    whole.useless |= failed
    return whole, failed


def _both(one: Taken, other: Taken) -> Taken:
    """Combine the results of two calls."""
    pairs = ((each.name, getattr(one, each.name), getattr(other, each.name)) for each in fields(Taken))
    return Taken(**{name: first | second if type(first) is dict else first + second for name, first, second in pairs})
