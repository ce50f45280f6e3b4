"""The station: one running watcher. Wakes at bar closes, takes in new bars, and publishes what it finds."""

from __future__ import annotations

import asyncio
import gc
import random
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import structlog

from scanner.clocks import SECOND
from scanner.configuration.routing import sinks_for
from scanner.engine.ready import make_ready
from scanner.events import Event, rfc3339
from scanner.service.changes.change_list import change_list, list_of, revive
from scanner.service.committing import Committer
from scanner.service.desk import Desk
from scanner.service.intake.feed_life import FeedLife
from scanner.service.intake.intake import Intake
from scanner.service.intake.requests import Ask
from scanner.service.schedule.clock_jumps import watch_clock
from scanner.service.schedule.timers import Due, Timers, groups_of
from scanner.service.summaries import Summaries
from scanner.service.to_report import NAMED, ToReport
from scanner.service.upkeep import Upkeep

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Coroutine, Iterable, Mapping, Sequence

    from scanner.clocks import Clock
    from scanner.configuration.model.settings import Settings, Watched
    from scanner.delivery import Dispatcher
    from scanner.ports import Feed
    from scanner.service.schedule.timers import Group
    from scanner.store import Store

CATCH_UP = 20.0
"""Seconds that the start waits for feeds to answer; slower ones catch up while the others are watched."""

TURN_WITHIN = 30.0
"""Seconds that taking in and storing a batch may take."""

LOOK_AT_STORE = 30.0
"""Seconds between two looks at whether the store's files are still there; every write looks as well."""

STOP_WITHIN = 1.0
"""Seconds that a stop waits for the batch that is being stored."""

LOADED_TOGETHER = 512
"""Instruments that are loaded between two looks at whether to stop."""


class Station:
    """Watches what the settings list. Everything from outside comes through the constructor."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        feeds: Mapping[str, Feed],
        *,
        clock: Clock,
        delivery: Dispatcher | None = None,
        on_event: Callable[[Event], None] = lambda _: None,
        chance: Callable[[], float] = random.random,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        turn_within: float = TURN_WITHIN,
    ) -> None:
        """Take the parts; ``sleep`` waits for seconds that the machine is awake, whatever the clock shows.

        If a batch takes longer than ``turn_within`` seconds, the station is stuck.
        """
        self.settings = settings
        self.store = store
        self.feeds = feeds
        self.clock = clock
        self.delivery = delivery
        self.chance = chance
        self.log = structlog.get_logger("closewatch").bind(station=settings.station.name)
        self.watched: list[Watched] = settings.watched()
        self.groups: list[Group] = groups_of(self.watched)
        self.desk = Desk(
            self.watched,
            settings.account,
            store,
            route=self.route,
            stale_after=settings.station.stale_after,
            record=settings.station.record,
        )
        self.intakes: dict[str, Intake] = {}
        self.dues: dict[str, Due] = {}
        self.to_report = ToReport(settings.station.name)
        self.committer = Committer(
            self.desk, self.to_report, clock=clock, delivery=delivery, on_event=on_event, turn_within=turn_within
        )
        self.summaries = Summaries(
            settings.station.name, self.to_report, self.committer, self.intakes, clock=clock, chance=chance
        )
        self.watching = asyncio.Event()
        """Set once the start has caught up and the station waits for bar closes."""
        self.begun = clock.now()
        self.timers = Timers(clock, sleep)
        self._sleep = sleep
        self._lives: dict[str, FeedLife] = {}
        self._beside: set[asyncio.Task[None]] = set()
        """Tasks that run while watching, until they are cancelled."""
        self._group_names = self._names_of_groups()

    def _names_of_groups(self) -> dict[str, str]:
        return {each.instrument.symbol: each.group for each in self.watched}

    def route(self, event: Event) -> Sequence[str]:
        """Say which sinks an event goes to."""
        return sinks_for(event, self._group_names, self.settings.routes, list(self.settings.sinks))

    async def run(self, stop: asyncio.Event) -> None:
        """Watch until told to stop; StoreTroubleError if the store cannot be read at the start, or is gone later."""
        starting = asyncio.create_task(self._start())
        stopping = asyncio.create_task(stop.wait())
        delivering = asyncio.create_task(self.delivery.run(stop)) if self.delivery is not None else None
        try:
            await asyncio.wait({starting, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if not stop.is_set():
                starting.result()
                self._schedule()
                lasting = [
                    watch_clock(lambda: self.clock.wall_time(self.clock.now()), self._sleep, self._jumped),
                    self._watch_store(),
                    self.summaries.keep_summing_up(),
                    *self._listeners(),
                ]
                told = self.settings.station
                if told.summary_at is not None:
                    lasting.append(self.timers.every_day(told.summary_at, told.zone, self.summaries.still_watching))
                beside = {asyncio.create_task(each) for each in lasting}
                self._beside |= beside
                self.watching.set()
                self.log.info("watching", groups=[group.name for group in self.groups])
                # A task ends early only if the store is gone or through a defect of ours, which must
                # not pass in silence.
                ends = {stopping, *beside} if delivering is None else {stopping, delivering, *beside}
                ended, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
                for task in ended & beside:
                    task.result()
        finally:
            await self._stop(starting, stopping)
            if delivering is not None:
                if not stop.is_set():
                    delivering.cancel()
                with suppress(asyncio.CancelledError):  # we have just cancelled it
                    await delivering
            self.committer.noted.finish()
            self.log.info("stopped", bars=self.committer.counts["bars"])

    async def _watch_store(self) -> None:
        """Check that the files of the store are still in place; StoreTroubleError if they are not."""
        while True:
            await self._sleep(LOOK_AT_STORE)
            await asyncio.to_thread(self.store.database.check_in_place)

    async def _stop(self, *tasks: asyncio.Task[Any]) -> None:
        """Stop everything except delivery, which ends by itself meanwhile; a batch being stored is finished."""
        self.watching.clear()
        self.timers.stop()
        ended = [*tasks, *self._beside]
        for task in ended:
            task.cancel()
        await asyncio.gather(*ended, return_exceptions=True)
        await asyncio.gather(*(intake.stop() for intake in self.intakes.values()))
        await asyncio.gather(self._keep_the_rest(), *(life.stop() for life in self._lives.values()))

    async def _keep_the_rest(self) -> None:
        try:
            async with asyncio.timeout(STOP_WITHIN):
                async with self.committer.turns:  # a batch that is being stored is finished
                    pass
                await self.summaries.sum_up()
        except TimeoutError:
            self.log.warning("the store does not answer; the current batch is stored as a whole or not at all")

    async def _start(self) -> None:
        """Continue from the state in the store, and catch up."""
        await asyncio.to_thread(make_ready, {each.rulebook for each in self.watched})
        anew, names = [], list(self.desk.watched)
        for begin in range(0, len(names), LOADED_TOGETHER):
            anew += await asyncio.to_thread(self.desk.load, names[begin : begin + LOADED_TOGETHER])
        await asyncio.to_thread(revive, self.desk, anew)
        gc.freeze()  # loaded objects stay; searching them for cycles again and again would delay the closes
        self.log.info("loaded", instruments=len(self.watched), anew=len(anew))
        self.to_report.remember(*await asyncio.to_thread(self.desk.addressing.unlisted, NAMED))
        for name in self.feeds:
            self._make_intake(name)
        await self._catch_up()
        self._tell_cold(names)

    def _tell_cold(self, names: Iterable[str]) -> None:
        """Log the series for which no setup can be reported yet."""
        cold = self.desk.cold(names)
        if cold:
            self.log.info("not warm yet", count=len(cold), series=cold[:NAMED])

    def _make_intake(self, name: str) -> None:
        feed = self.feeds[name]
        self.intakes[name] = intake = Intake(name, feed, self.committer, clock=self.clock, chance=self.chance)
        self._lives[name] = FeedLife(name, feed, clock=self.clock, chance=self.chance, note=intake.in_trouble)

    async def _catch_up(self) -> None:
        """Ask for all bars that closed while nobody was watching, and sum them up in one event."""
        now = self.clock.now()
        for group in self.groups:
            self.dues[group.name] = self._due(group, now)
        # Waits for one round of asking; what is missing then is asked for again while watching.
        rounds = [asyncio.create_task(self._begin(name)) for name in self.intakes]
        self._beside.update(rounds)
        if rounds:
            await asyncio.wait(rounds, timeout=CATCH_UP)
        await self.summaries.caught_up()

    async def _begin(self, name: str) -> None:
        """Start a feed and ask it once for all that it may have."""
        # A feed that does not start is asked all the same, and is late if it does not answer.
        await self._lives[name].start()
        now = self.clock.now()
        for group in self.groups:
            if group.feed == name:
                self.intakes[name].ask(self._asks(group, group.timetable.last_close(now)))
        await self.intakes[name].first_round()

    def _due(self, group: Group, now: int) -> Due:
        """Begin with the last close that was due, since earlier ones are asked for at once."""
        settle = round(self.feeds[group.feed].limits.settle * SECOND)
        return Due(group.timetable, group.timetable.last_close(now - settle))

    def _asks(self, group: Group, close: int) -> list[Ask]:
        symbols = {each.instrument.symbol: each.symbol for each in self.watched}
        timeframe = group.timetable.timeframe.name
        return [Ask(name, symbols[name], timeframe, close) for name in group.instruments]

    def _schedule(self) -> None:
        for group in self.groups:
            self._schedule_group(group)
        told = self.settings.station
        self.timers.start(
            Upkeep(self.store, keep_bars=told.keep_bars, keep_days=told.keep_days, note=self.to_report.note)
        )

    def _schedule_group(self, group: Group) -> None:
        self.timers.at_closes(group, self.dues[group.name], self.feeds[group.feed].limits.settle, self._close)

    async def reload(self, settings: Settings) -> list[str]:
        """Watch the list of other settings from now on; names the instruments that are new or different.

        All others go on unchanged, and no pending request is lost. SettingsError if a part has changed that is only
        read at the start, StoreTroubleError if the store fails: then nothing changes.
        """
        watched = list_of(settings, self.settings)
        # It may compile: no close waits for it.
        await asyncio.to_thread(make_ready, {each.rulebook for each in watched})
        async with self.committer.turns:
            changed = await asyncio.to_thread(change_list, self.desk, watched, settings.account)
            self.settings, self.watched, self.groups = settings, watched, groups_of(watched)
            self._group_names = self._names_of_groups()
        self._reschedule(set(changed))
        self._tell_cold(changed)
        return changed

    def _reschedule(self, changed: set[str]) -> None:
        """Set timers for the current groups, and ask at once for what is new or different."""
        now = self.clock.now()
        names = {group.name for group in self.groups}
        for gone in [name for name in self.dues if name not in names]:
            del self.dues[gone]
            self.timers.forget(gone)
        for group in self.groups:
            self.dues.setdefault(group.name, self._due(group, now))
            self._schedule_group(group)
            close = group.timetable.last_close(now)
            asks = [ask for ask in self._asks(group, close) if ask.instrument in changed]
            if asks and group.feed in self.intakes:
                self.intakes[group.feed].ask(asks)
        for intake in self.intakes.values():
            intake.look_again()

    async def finish(self) -> None:
        """Ask once for all bars that have closed by now, and for none that close later: a recording is over."""
        self.timers.stop()
        now = self.clock.now()
        for group in self.groups:
            close = self.dues[group.name].take(now)
            if close is not None:
                await self._close(group, close)
        await asyncio.gather(*(intake.first_round() for intake in self.intakes.values()))

    async def _jumped(self, seconds: float) -> None:
        """Report that the clock was set or the machine slept."""
        if seconds < 0:
            self.to_report.note(
                f"the clock was set back by {-seconds:,.0f} s; a bar is looked at once the clock shows its close"
            )
        else:
            self.log.info("the clock jumped", seconds=round(seconds))
        self.timers.clock_jumped(seconds)

    async def _close(self, group: Group, close: int) -> None:
        """Ask for the closed bars of a group, up to the one with this close."""
        if group.feed in self.intakes:
            self.log.debug("bar close", group=group.name, close=rfc3339(close))
            self.intakes[group.feed].ask(self._asks(group, close))

    def _listeners(self) -> list[Coroutine[Any, Any, None]]:
        return [self._listen(name, feed.arrived) for name, feed in self.feeds.items() if feed.arrived is not None]

    async def _listen(self, name: str, arrived: asyncio.Event) -> None:
        """Ask a feed that receives pushes as soon as it has something."""
        while True:
            await arrived.wait()
            arrived.clear()
            now = self.clock.now()
            for group in self.groups:
                if group.feed == name:
                    last = group.timetable.last_close(now)
                    if last > now - 3 * group.timetable.timeframe.nanoseconds:
                        self.intakes[name].ask(self._asks(group, last))
