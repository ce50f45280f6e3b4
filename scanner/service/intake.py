"""Intake: asks one feed for the bars that have closed, again where one is not there yet, and says when it is late.

Each feed has an intake of its own, so that a slow or dead one delays no other.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from scanner.clocks import SECOND
from scanner.events import Event, event_id, rfc3339
from scanner.ports import FeedTroubleError, Want
from scanner.service.desk import Arrival
from scanner.service.pauses import Pauses

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping, Sequence

    from scanner.clocks import Clock
    from scanner.events import FeedData
    from scanner.ports import Answer, Feed

LONGEST_PAUSE = 60.0
"""Seconds between two times of asking for a bar that is not there, at the most."""

ANSWER_WITHIN = 60.0
"""Seconds after which a request that hangs is given up."""

SERIES_NAMED = 20
"""Series that an event names; beyond them it counts."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What is wanted of a feed: an instrument's bars from ``since`` on, up to the one that closes at ``close``."""

    instrument: str
    symbol: str
    timeframe: str
    close: int


@dataclass(frozen=True, slots=True)
class Manners:
    """How a feed wants to be asked, by its own settings; times in seconds."""

    settle: float = 2.0
    patience: float = 120.0
    at_once: int = 4
    requests_per_minute: float | None = None


@dataclass(slots=True)
class Lateness:
    """What is known of a feed's being late: since which close, which instruments, and how many bars came since."""

    since: int = 0
    instruments: dict[str, int] = field(default_factory=dict)
    caught_up: int = 0
    reason: str = ""


class Intake:
    """Asks one feed. ``take`` gets the rows that came and gives how many bars were new; ``say`` gets what is said.

    ``since`` tells from which opening on to ask for an instrument, ``last_close`` what is known of it.
    """

    def __init__(
        self,
        name: str,
        feed: Feed,
        manners: Manners,
        *,
        clock: Clock,
        chance: Callable[[], float],
        take: Callable[[Sequence[Arrival]], Awaitable[int]],
        say: Callable[[Event], Awaitable[None]],
        since: Callable[[str], int | None],
        last_close: Callable[[str], int | None],
    ) -> None:
        self.name = name
        self.feed = feed
        self.manners = manners
        self.clock = clock
        self.chance = chance
        self.take = take
        self.say = say
        self.since = since
        self.last_close = last_close
        self.late: Lateness | None = None
        self.trouble = ""
        self._room = asyncio.Semaphore(manners.at_once)
        self._next_request = 0
        self._asking: dict[str, Ask] = {}
        self._task: asyncio.Task[None] | None = None
        self._asked_once = asyncio.Event()

    def ask(self, asks: Sequence[Ask]) -> None:
        """Want these bars. What is still wanted from before is asked for together with them."""
        for each in asks:
            self._asking[each.instrument] = each
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._until_all_are_there())

    async def first_round(self) -> None:
        """Wait until everything that is wanted has been asked for once, whatever came of it."""
        await self._asked_once.wait()

    async def rest(self, patience: float = 5.0) -> None:
        """Wait until nothing is being asked for, so many seconds at the most."""
        if self._task is not None:
            await asyncio.wait([self._task], timeout=patience)

    async def stop(self) -> None:
        """Stop asking."""
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task

    def lacking(self) -> list[Ask]:
        """Give what was asked for and is not there."""
        return [ask for ask in self._asking.values() if (self.last_close(ask.instrument) or 0) < ask.close]

    async def _until_all_are_there(self) -> None:
        pauses, times = Pauses(self.chance, longest=LONGEST_PAUSE), 0
        while True:
            wanted = list(self._asking.values())
            wait = await self._ask_once(wanted)
            self._asked_once.set()
            lacking = self.lacking()
            for ask in wanted:
                if ask not in lacking and self._asking.get(ask.instrument) == ask:
                    del self._asking[ask.instrument]
            await self._tell_of_lateness(lacking)
            if not self._asking:
                return
            # Where nothing was missing, something new was asked for meanwhile.
            if lacking:
                times += 1
                await self.clock.sleep(pauses.asked(times, wait))

    async def _ask_once(self, asks: Sequence[Ask]) -> float:
        """Ask for all of it in batches; gives how long the feed wants to be left alone, in seconds."""
        size = max(self.feed.batch, 1)
        batches = [asks[start : start + size] for start in range(0, len(asks), size)]
        self.trouble = ""
        waits = await asyncio.gather(*(self._ask_batch(batch) for batch in batches))
        return max(waits, default=0.0)

    async def _ask_batch(self, asks: Sequence[Ask]) -> float:
        async with self._room:
            await self._keep_to_the_rate()
            wants = {Want(ask.symbol, ask.timeframe, self.since(ask.instrument)): ask for ask in asks}
            try:
                async with asyncio.timeout(ANSWER_WITHIN):
                    answers = await self.feed.fetch(list(wants))
            except FeedTroubleError as problem:
                self.trouble = str(problem)
                return problem.retry_after or 0.0
            except TimeoutError:
                self.trouble = f"the feed {self.name} gave no answer within {ANSWER_WITHIN:g} s"
                return 0.0
        arrivals = _arrivals(answers, wants)
        if arrivals:
            new = await self.take(arrivals)
            if self.late is not None:
                self.late.caught_up += new
        return 0.0

    async def _keep_to_the_rate(self) -> None:
        if self.manners.requests_per_minute is None:
            return
        now = self.clock.now()
        begin = max(self._next_request, now)
        self._next_request = begin + round(60 * SECOND / self.manners.requests_per_minute)
        if begin > now:
            await self.clock.sleep((begin - now) / SECOND)

    async def _tell_of_lateness(self, lacking: Sequence[Ask]) -> None:
        """Say once that the feed is late, and once that it is back."""
        patience = round(self.manners.patience * SECOND)
        overdue = {ask.instrument: ask.close for ask in lacking if self.clock.now() - ask.close > patience}
        if self.late is None and overdue:
            reason = self.trouble or "the bars that closed are not there"
            self.late = Lateness(min(overdue.values()), overdue, reason=reason)
            await self.say(self._event("feed.late", self.late, reason))
        elif self.late is not None and not any(ask.instrument in self.late.instruments for ask in lacking):
            back, self.late = self.late, None
            await self.say(self._event("feed.back", back, "the bars that were missing are there"))

    def _event(self, kind: str, late: Lateness, reason: str) -> Event:
        names = sorted(late.instruments)
        more = [f"and {len(names) - SERIES_NAMED} more"] if len(names) > SERIES_NAMED else []
        data: FeedData = {
            "feed": self.name,
            "series": names[:SERIES_NAMED] + more,
            "since": rfc3339(late.since),
            "caught_up": late.caught_up,
            "reason": reason,
        }
        if kind == "feed.late":
            return Event("feed.late", event_id(kind, self.name, str(late.since)), late.since, self.name, data)
        began = event_id("feed.late", self.name, str(late.since))
        return Event("feed.back", event_id(kind, self.name, str(late.since)), late.since, self.name, data, thread=began)


def _arrivals(answers: Sequence[Answer], wants: Mapping[Want, Ask]) -> list[Arrival]:
    return [Arrival(wants[answer.want].instrument, answer.bars) for answer in answers if len(answer.bars)]
