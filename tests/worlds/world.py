"""A world from one seed: an exchange, a station that runs and dies on one disk, its readers and its user."""

from __future__ import annotations

import asyncio
import gc
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from scanner.backoff import Pauses
from scanner.delivery import Dispatcher
from scanner.delivery.sink_delivery import CHECK_SECONDS
from scanner.service.station import Station
from scanner.store import Store, StoreTroubleError
from scanner.store.upkeep.maintenance import compact
from tests.worlds.disk import opened
from tests.worlds.exchange import BEGIN, SECOND, Exchange, WorldFeed
from tests.worlds.laws import held, judge
from tests.worlds.loop import KilledError, WorldLoop
from tests.worlds.plan import Fate
from tests.worlds.reader import Reader, WorldSink
from tests.worlds.user import STALE_AFTER, Listed, User

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.events import Event
    from scanner.store import Batch
    from tests.worlds.plan import Plan

RECOVERY = 11
"""Minutes without trouble after which the station has caught up: longer than any pause."""
QUIET = 4
"""Minutes after that, in which each bar must arrive on time."""
SPARE = 12
"""Minutes by which the mischief may end late if a station was killed and not restarted at once."""
ON_TIME = 8.0
"""Seconds after its close within which a bar must be stored in quiet minutes."""
STOP_WITHIN = 2.0
"""Seconds that a stop may take."""
MOST_GROWN = 4
"""Number of objects by which a station may grow over some quiet minutes."""


class WorldStore(Store):
    """A store that tells the world which series were rewritten."""

    world: World

    def commit(self, batch: Batch) -> list[Event]:
        """Store a batch."""
        kept = super().commit(batch)
        self.world.rewritten |= {each.key.instrument for each in batch.rewrites}
        return kept


class Parts:
    """Makes the parts of a station; planted defects replace some."""

    def store(self, world: World) -> Store:
        """Open the store."""
        store = opened(WorldStore, world)
        store.world = world
        return store

    def station(self, *parts: Any, **more: Any) -> Station:  # noqa: ANN401 - those of Station
        """Make the station."""
        return Station(*parts, **more)

    def delivery(self, *parts: Any, **more: Any) -> Dispatcher:  # noqa: ANN401 - those of Delivery
        """Make the delivery."""
        return Dispatcher(*parts, **more)


@dataclass
class DeliveryClock:
    """The clock of a world's deliveries, which look less often for changes by other programs: there are none."""

    world: World

    def now(self) -> int:
        """Give what the clock shows."""
        return self.world.now()

    def wall_time(self, moment: int) -> float:
        """Give a moment in seconds."""
        return self.world.wall_time(moment)

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await self.world.sleep(seconds if seconds < CHECK_SECONDS else 4 * seconds)


class World(Fate):
    """One world. It provides the clock of its station, and decides the fate of its process."""

    def __init__(self, plan: Plan, folder: Path, parts: Parts | None = None) -> None:
        super().__init__(plan, folder / "0.db")
        self.parts = parts or Parts()
        self.well_from = float("inf")
        """Seconds after which the station must have recovered from everything."""
        self.over = False
        self.exchange = Exchange(plan, plan.bars + SPARE + RECOVERY + QUIET)
        self.readers = {"screen": Reader(), "letters": Reader()}
        self.rewritten: set[str] = set()
        """The instruments whose bars have changed."""
        self.listed = self.effective = Listed(self.exchange.names)
        self.exact_from: dict[str, int] = {}
        """By instrument: the close from which on setups follow the final list."""
        self.user = User(self)
        self.counts["bars late"] = self.exchange.late
        self.counts["bars restated"] = self.exchange.restated
        self.counts["bars that never came"] = self.exchange.never
        self.counts["clock jumps"] = len(self.jumps)

    def run(self) -> None:
        """Run it, and judge the result."""
        while not self.over and self.life < 100:
            self._live()
        if not self.over:
            self.fault("it never came to its end", f"{self.life} lives")
            return
        with Store.open(self.path, self.now) as store:
            judge(self, store)

    def _live(self) -> None:
        self.life += 1
        self.ends = [each for each in self.ends if each[0] > self.passed]
        end = self.ends[0] if self.ends else (self.end, "calm")
        self.alive = True
        self.user.edit()
        try:
            store = self.parts.store(self)
        except StoreTroubleError:
            self.count("starts that failed")
            self._rest()
            return
        try:
            with self.observed():
                self._open(store)
            with asyncio.Runner(loop_factory=partial(WorldLoop, self)) as runner:
                runner.get_loop().set_exception_handler(self._unhandled)
                with suppress(KilledError):
                    runner.run(self._go(store, *end))
                self.alive = False
        finally:
            self.alive = False
            store.close()
            gc.unfreeze()  # a station freezes what it has loaded
        self._rest()

    def _rest(self) -> None:
        """Let time pass until the station is restarted."""
        self.alive, self.doomed = False, None
        if not self.over and not self.calm:
            self.passed += self.kills.choice((0.5, 3.0, 20.0, 100.0, 300.0))
            if self.has("upkeep") and self.kills.random() < 0.3 and self.path.exists():
                self.counts["compactions"] += 1
                with Store.open(self.path, self.now) as store:
                    compact(store, keep_bars=10**6, keep_days=10**4)

    def _open(self, store: Store) -> None:
        """Record the state at the beginning of a life."""
        self.kept(self.path, durable=True)
        for name, reader in self.readers.items():
            reader.confirmed.clear()
            reader.settled = {each.event.id for each in store.outbox.list(["delivered"], name)}
        self.took(
            self.listed, {key.instrument: store.bars.last_close(key) for key in store.bars.keys if key[1] == "1m"}
        )

    def took(self, listed: Listed, last: dict[str, int | None]) -> None:
        """Record that another list is watched, and up to which closes it was not."""
        for name in self.effective.changed(listed):
            self.exact_from[name] = last.get(name) or 0
        self.effective = listed

    def _unhandled(self, _: object, context: dict[str, Any]) -> None:
        if self.alive:
            self.fault("something failed unseen", f"{context.get('message')} {context.get('exception')!r}")

    async def _go(self, store: Store, when: float, how: str) -> None:
        stop = asyncio.Event()
        feed = WorldFeed(self)
        sinks = {
            "screen": WorldSink("screen", self, digests=False, at_once=4),
            "letters": WorldSink("letters", self, digests=True, at_once=1),
        }
        chance = self.plan.chance(f"pauses {self.life}").random
        delivery = self.parts.delivery(
            store, sinks, clock=DeliveryClock(self), pauses=Pauses(chance), stale_after=STALE_AFTER
        )
        station = self.parts.station(
            self.listed.settings(), store, {"exchange": feed}, clock=self, delivery=delivery, chance=chance
        )
        running = asyncio.create_task(station.run(stop))
        acts = [
            self.user.decide(store),
            self.user.reload(station),
            self.user.keep_in_order(store),
            self._push(feed),
            self._end(station, when, how),
        ]
        beside = [asyncio.create_task(act) for act in acts]
        ending = beside[-1]
        await asyncio.wait({running, ending}, return_when=asyncio.FIRST_COMPLETED)
        for task in beside[:-1]:
            if task.done() and not task.cancelled() and task.exception() is not None:
                self.fault("the world broke", repr(task.exception()))
            task.cancel()
        if running.done():
            ending.cancel()
            self._ended(running)
            return
        if ending.exception() is not None:
            raise ending.exception() or AssertionError
        begun = self.passed
        stop.set()
        await asyncio.wait({running}, timeout=10 * STOP_WITHIN)
        self.count("stops")
        self.counts["slowest stop, ms"] = max(self.counts["slowest stop, ms"], round(1000 * (self.passed - begun)))
        if self.passed - begun > STOP_WITHIN:
            self.fault("a stop took too long", f"{self.passed - begun:.1f} s in life {self.life}")
        if running.done():
            self._ended(running)
        self.over = self.passed > self.well_from

    def _ended(self, running: asyncio.Task[None]) -> None:
        problem = running.exception()
        if isinstance(problem, StoreTroubleError) and self.plan.kinds & {"disk-errors", "slow-disk"}:
            self.count("gave up and was started again")
        elif problem is not None:
            self.fault("the station died", repr(problem))

    async def _end(self, station: Station, when: float, how: str) -> None:
        """Wait until this life is to end; returns if the station must be told to stop."""
        await self.until(when)
        if how in {"kills", "power-cuts"}:
            self.doom(how)
            await asyncio.sleep(10**6)
        if how == "calm":
            self.calm_down()
            if self.goes_on:
                await self._see_that_all_is_well(station)
            self.goes_on = True

    def calm_down(self) -> None:
        """End all mischief."""
        if not self.calm:
            self.calm = True
            self.well_from = 60.0 * (self.passed // 60 + 1 + RECOVERY)

    async def _push(self, feed: WorldFeed) -> None:
        while feed.arrived is not None:
            await asyncio.sleep(60 - self.passed % 60 + 0.6)
            feed.arrived.set()

    async def _see_that_all_is_well(self, station: Station) -> None:
        """Let it recover; then each bar must arrive on time, and nothing may grow."""
        await self.until(self.well_from + ON_TIME)
        await self.user.settled.wait()
        before = held(station)
        for minute in range(QUIET):
            close = self.well_from + 60 * (1 + minute)
            await self.until(close + ON_TIME)
            for name in self.listed.names:
                if station.desk.last_close(name) != BEGIN + round(close) * SECOND:
                    self.fault("a bar is not there on time", f"{name}, minute {minute} after the recovery")
        after = held(station)
        if after > before + MOST_GROWN:
            self.fault("something grows", f"{before} things held, {after} after {QUIET} quiet minutes")
        late = station.intakes["exchange"].late
        if late is not None:
            self.fault("the feed is late though it is not", f"{late}")
