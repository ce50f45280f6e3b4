"""Intake: asks one feed for closed bars, asks again for missing ones, and says when the feed is late.

Each feed has an intake of its own, so that a slow or dead one delays no other. Within a feed each close is handled by
itself: an instrument whose bar does not come delays no other, nor the next close.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from itertools import count
from typing import TYPE_CHECKING, Any

from scanner.backoff import Pauses
from scanner.clocks import SECOND
from scanner.ports import FeedTroubleError, Want, contained
from scanner.service.intake.lateness import LateWatch
from scanner.service.intake.requests import arrivals_of, fitting, parted
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Coroutine, Mapping, Sequence

    from scanner.clocks import Clock
    from scanner.events import Event
    from scanner.ports import Feed
    from scanner.service.committing import Committer
    from scanner.service.intake.lateness import Lateness
    from scanner.service.intake.requests import Ask
    from scanner.service.together.usual import Arrival

LONGEST_PAUSE = 600.0
"""Most seconds between two requests for a missing bar."""

LOOKS = 50
"""Tenths of its patience after which a feed is late even if it could not be asked."""

AT_A_STRETCH = 20
"""Answers after which a feed that gives little at a time is asked with a pause before each request."""

BREATH = 0.25
"""Seconds of such a pause."""

REFUSALS = 3
"""Failed requests in a row after which the rest of a round is left for the next one."""

MOST_NOTED = 20_000
"""Troubles that are remembered as reported: more than one for each instrument of a long list."""


class Intake:
    """Asks one feed; ``committer`` takes the rows that came, and the events and troubles to report.

    ``chance`` gives numbers from 0 up to 1. Waiting is always sleeping, so that a jump of the clock neither shortens
    nor lengthens it.
    """

    def __init__(
        self,
        name: str,
        feed: Feed,
        committer: Committer,
        *,
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self.name = name
        self.feed = feed
        self.clock = clock
        self.committer = committer
        self.desk = committer.desk
        self.trouble = ""
        self._noted: set[str] = set()
        """The troubles since it was last well: instruments may fail in turn, each with its own."""
        self._pauses = Pauses(chance, longest=LONGEST_PAUSE)
        self._lateness = LateWatch(name, self.desk)
        self._room = asyncio.Semaphore(feed.limits.at_once)
        self._turn = asyncio.Semaphore(1)
        self._open = asyncio.Event()
        self._open.set()
        self._rests = 0
        self._saying = asyncio.Lock()
        self._refusals = 0
        self._failures: Counter[str] = Counter()
        self._unasked: set[str] = set()
        """What is wanted and was not asked for yet."""
        self._going_on: set[str] = set()
        """What an answer brought in part; more of it is asked for."""
        self._refused: dict[str, str] = {}
        """By instrument, why the last rows were unusable."""
        self._look_again: dict[str, int] = {}
        """From which opening on to ask once more after a doubtful answer."""
        self._asking: dict[str, Ask] = {}
        self._timed: dict[str, int] = {}
        self._rounds: list[asyncio.Event] = []
        self._waves: set[asyncio.Task[None]] = set()
        self._timers: set[asyncio.Task[None]] = set()

    def ask(self, asks: Sequence[Ask]) -> None:
        """Ask for these bars until they are there, and at least once, since they may have changed.

        Earlier wants of the same instruments are asked for with them.
        """
        self._asking.update({each.instrument: each for each in asks})
        self._lateness.correct({each.instrument: each.close for each in asks})
        self._unasked.update(each.instrument for each in asks)
        asked = asyncio.Event()
        self._rounds = [each for each in self._rounds if not each.is_set()] + [asked]
        _begin(self._waves, self._until_all_are_there(asks, asked))
        new = {each.instrument: each.close for each in asks if each.close != self._timed.get(each.instrument, 0)}
        if new:
            self._timed |= new
            _begin(self._timers, self._tell_if_late(new))

    @property
    def late(self) -> Lateness | None:
        """What the feed is late with; None if it is not late."""
        return self._lateness.now

    @property
    def is_asking(self) -> bool:
        """Whether something is wanted that has not been asked for yet."""
        return not all(asked.is_set() for asked in self._rounds)

    async def first_round(self) -> None:
        """Wait until everything that is wanted now has been asked for once, whatever the result."""
        for asked in list(self._rounds):
            await asked.wait()

    async def stop(self) -> None:
        """Stop asking."""
        tasks = [*self._waves, *self._timers]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def look_again(self) -> None:
        """If everything late has left the list, report that the feed is no longer late."""
        for event in self._lateness.back("what was missing is no longer watched"):
            _begin(self._timers, self._say_surely(event))

    @property
    def going_on(self) -> frozenset[str]:
        """The instruments of which more is coming, such as a long history."""
        return frozenset(self._going_on)

    def _lacks(self, instrument: str) -> bool:
        """Whether the bar last asked for of an instrument is missing."""
        ask = self._asking.get(instrument)
        return ask is not None and self.desk.lacks(instrument, ask.close)

    def _is_latest(self, ask: Ask) -> bool:
        """Whether nothing later is asked for its instrument."""
        return self._asking.get(ask.instrument) is ask

    def _is_wanted(self, ask: Ask) -> bool:
        """Whether its bar is missing, and nothing later is asked for its instrument."""
        return self._is_latest(ask) and self.desk.lacks(ask.instrument, ask.close)

    async def _until_all_are_there(self, asks: Sequence[Ask], asked: asyncio.Event) -> None:
        """Ask for the bars of one close, and again, with growing pauses, for what is missing."""
        await self._ask_once(asks, self._is_latest)
        asked.set()
        times = 1
        while any(map(self._is_wanted, asks)):
            await self.clock.sleep(self._pauses.after(times))
            await self._ask_once(asks, self._is_wanted)
            times += 1
        for ask in filter(self._is_latest, asks):
            del self._asking[ask.instrument]
        if not self._asking:
            self.trouble = ""
            self._noted.clear()

    async def _ask_once(self, asks: Sequence[Ask], which: Callable[[Ask], bool]) -> None:
        """Ask for some wants in batches, once the feed may be asked."""
        await self._open.wait()
        # Those that failed before come last, so that they delay no other.
        wanted = sorted(filter(which, asks), key=lambda ask: self._failures[ask.instrument])
        size = self.feed.batch
        self._refusals = min(self._refusals, REFUSALS - 1)
        batches = [wanted[start : start + size] for start in range(0, len(wanted), size)]
        await asyncio.gather(*(self._ask_on(batch, which) for batch in batches))

    async def _ask_on(self, asks: Sequence[Ask], which: Callable[[Ask], bool]) -> None:
        """Ask for a batch, and continue from the end of each answer as long as more comes.

        If the first answer was doubtful, ask once more at once.
        """
        for answers in count():
            if not asks:
                return
            if answers >= AT_A_STRETCH:
                await self.clock.sleep(BREATH)
            before = {ask.instrument: self.desk.last_close(ask.instrument) for ask in asks}
            await self._ask_batch(asks, which)
            moved = {name for name, close in before.items() if self.desk.last_close(name) != close}
            self._unasked.difference_update(before)
            self._going_on.difference_update(before)
            self._going_on |= set(filter(self._lacks, moved))
            asks = [
                ask
                for ask in asks
                if (ask.instrument in moved and self._is_wanted(ask))
                or (answers == 0 and ask.instrument in self._look_again)
            ]

    async def _ask_batch(self, asks: Sequence[Ask], which: Callable[[Ask], bool]) -> None:
        async with self._room:
            await self._open.wait()
            if self._refusals >= REFUSALS or not any(map(which, asks)):
                return
            await self._wait_for_turn()
            asks = list(filter(which, asks))  # a later close may have come while this one waited
            if self._refusals >= REFUSALS or not asks:
                return
            try:
                arrivals = await self._fetch(asks)
                self._unasked.difference_update(ask.instrument for ask in asks)
            except FeedTroubleError as problem:
                self._failed(asks, str(problem))
                if problem.retry_after:
                    self._leave_alone(self._pauses.asked(1, problem.retry_after))
                return
            except TimeoutError:
                self._failed(asks, f"the feed {self.name} gave no answer within {self.feed.limits.answer_within:g} s")
                return
            except Exception as problem:  # noqa: BLE001 - whatever is wrong with an adapter, the watch goes on
                self._failed(asks, f"the adapter of the feed {self.name} failed: {type(problem).__name__}: {problem}")
                return
            self._refusals = 0
            for ask in asks:
                self._failures.pop(ask.instrument, None)
            # Until this is taken in, no more is asked for than allowed at once: if that takes long, what is
            # asked for next begins after it, instead of bringing the same bars again.
            await self._hand_over(arrivals)

    async def _fetch(self, asks: Sequence[Ask]) -> list[Arrival]:
        wants: dict[Want, list[Ask]] = {}
        asked = self.clock.now()
        for ask in asks:
            since, again = self.desk.since(ask.instrument), self._look_again.pop(ask.instrument, None)
            if since is not None and again is not None:
                since = min(since, again)
            enough_from = self.desk.enough_from(ask.instrument, asked) if since is None else None
            wants.setdefault(Want(ask.symbol, ask.timeframe, since, enough_from), []).append(ask)
        async with asyncio.timeout(self.feed.limits.answer_within):
            answers = await contained(self.feed.fetch(list(wants)))
        return arrivals_of(fitting(answers, wants), wants, asked)

    async def _wait_for_turn(self) -> None:
        """Keep to the requests per minute that the feed allows."""
        if self.feed.limits.requests_per_minute is not None:
            await self._turn.acquire()
            _begin(self._timers, self._after(60 / self.feed.limits.requests_per_minute, self._turn.release))

    async def _after(self, seconds: float, act: Callable[[], None]) -> None:
        await self.clock.sleep(seconds)
        act()

    def _leave_alone(self, seconds: float) -> None:
        """Ask for nothing for this many seconds."""
        self._rests += 1
        self._open.clear()
        _begin(self._timers, self._after(seconds, self._end_rest))

    def _end_rest(self) -> None:
        self._rests -= 1
        if not self._rests:
            self._open.set()

    def _failed(self, asks: Sequence[Ask], trouble: str) -> None:
        self._refusals += 1
        self._failures.update(ask.instrument for ask in asks)
        self.in_trouble(trouble)

    def in_trouble(self, trouble: str) -> None:
        """Remember a trouble of the feed, and report it unless it was reported since the last time all was well."""
        self.trouble = trouble
        if trouble not in self._noted:
            if len(self._noted) >= MOST_NOTED:
                self._noted.clear()
            self._noted.add(trouble)
            self.committer.to_report.note(f"feed {self.name}: {trouble}")

    async def _hand_over(self, arrivals: Sequence[Arrival]) -> None:
        """Let rows be taken in, and report when the feed is no longer late."""
        missed = self._lateness.instruments
        for part in parted(arrivals, missed):
            try:
                taken = await self.committer.take(part)
            except StoreTroubleError as problem:
                self.in_trouble(str(problem))
                continue
            except Exception as problem:  # noqa: BLE001 - a defect with some rows must not end the watch for all others
                self.in_trouble(f"what the feed {self.name} sent could not be taken in: {problem!r}")
                continue
            for each in part:
                self._refused.pop(each.instrument, None)
            self._refused |= taken.useless
            self._look_again |= taken.look_again
            if part[0].instrument in missed:
                self._lateness.count(taken.bars)
        for event in self._lateness.back():
            _begin(self._timers, self._say_surely(event))

    async def _tell_if_late(self, closes: Mapping[str, int]) -> None:
        """Wait until the feed's patience ends, and report the instruments whose bars are missing then.

        It waits longer, within a limit, if nothing could be asked for yet or more is coming. A close later than the
        latest one asked for is not missed: the clock was set back since.
        """
        patience = self.feed.limits.patience
        left = patience - (self.clock.now() - max(closes.values())) / SECOND
        # An old close, asked for after an outage, gets the full patience.
        await self.clock.sleep(left if 0 < left <= patience else patience)
        for times in count():
            open_yet = set() if self.trouble else self._going_on | (self._unasked if times < LOOKS else set())
            lacking = {
                name: close
                for name, close in closes.items()
                if name not in open_yet and self.desk.lacks(name, close) and close <= self._timed[name]
            }
            for event in self._lateness.late(lacking, self.trouble or self._reason(lacking)):
                await self._say_surely(event)
            closes = {name: close for name, close in closes.items() if name in open_yet}
            if not closes:
                return
            await self.clock.sleep(max(patience / 10, 1.0))

    def _reason(self, lacking: Collection[str]) -> str:
        """Say why bars are missing, if known."""
        refused = next((self._refused[name] for name in lacking if name in self._refused), "")
        if refused:
            return f"the rows that came were refused: {refused}"
        if not self._unasked.isdisjoint(lacking):
            return (
                "there was no time to ask for the bars; raise requests_per_minute or at_once, or list fewer instruments"
            )
        return ""

    async def _say_surely(self, event: Event) -> None:
        """Publish an event, again if it could not be stored; later events wait."""
        async with self._saying:
            times = 0
            while True:
                try:
                    await self.committer.say(event)
                except StoreTroubleError as problem:
                    self.in_trouble(str(problem))
                else:
                    return
                times += 1
                await self.clock.sleep(self._pauses.after(times))


def _begin(tasks: set[asyncio.Task[None]], work: Coroutine[Any, Any, None]) -> None:
    """Run work as a task; the set holds it until it is done."""
    task = asyncio.create_task(work)
    tasks.add(task)
    task.add_done_callback(tasks.discard)
