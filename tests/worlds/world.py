"""A whole world: an exchange, a station that lives and dies on one disk, its readers and its user, from one seed."""

from __future__ import annotations

import asyncio
import gc
from bisect import bisect
from collections import Counter
from contextlib import contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from scanner.service.delivery import Delivery
from scanner.service.delivery.lane import CHECK_SECONDS
from scanner.service.station import Station
from scanner.service.store import Store, StoreTroubleError
from scanner.service.store.maintenance import compact
from tests.worlds.disk import TROUBLES, copied, opened, synced
from tests.worlds.exchange import BEGIN, SECOND, Exchange, WorldFeed
from tests.worlds.laws import held, judge
from tests.worlds.lists import STALE_AFTER, Listed
from tests.worlds.loop import KilledError, WorldLoop
from tests.worlds.reader import Reader, WorldSink
from tests.worlds.user import User

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event
    from scanner.service.store import Batch
    from tests.worlds.plan import Plan

RECOVERY = 11
"""Minutes in good order after which all that was missed has been caught up with: longer than any pause."""
QUIET = 4
"""Minutes after that, in which each bar has to be there on time."""
SPARE = 12
"""Minutes by which the mischief may end late, where a station was killed and not started again at once."""
ON_TIME = 8.0
"""Seconds after its close at which a bar has to be kept in quiet minutes."""
STOP_WITHIN = 2.0
"""Seconds that a stop may take."""
MOST_GROWN = 4
"""Things that a station may hold more after some quiet minutes."""
Window = tuple[float, float, Any]
"""From when to when, in seconds, and how."""


class WorldStore(Store):
    """A store that tells the world which series were written anew."""

    world: World

    def commit(self, batch: Batch) -> list[Event]:
        """Keep a batch."""
        kept = super().commit(batch)
        self.world.rewritten |= {each.key.instrument for each in batch.rewrites}
        return kept


class Parts:
    """Makes the parts of a station; planted defects make others."""

    def store(self, world: World) -> Store:
        """Open the store."""
        store = opened(WorldStore, world)
        store.world = world
        return store

    def station(self, *parts: Any, **more: Any) -> Station:  # noqa: ANN401 - those of Station
        """Make the station."""
        return Station(*parts, **more)

    def delivery(self, *parts: Any, **more: Any) -> Delivery:  # noqa: ANN401 - those of Delivery
        """Make the delivery."""
        return Delivery(*parts, **more)


class World:
    """One world. It is the clock of its station, and the fate of its process."""

    def __init__(self, plan: Plan, folder: Path, parts: Parts | None = None) -> None:
        self.plan, self.folder, self.parts = plan, folder, parts or Parts()
        self.passed = 0.0
        self.counts: Counter[str] = Counter()
        self.faults: list[str] = []
        self.calm = False
        self.well_from = float("inf")
        """Seconds after which all that went wrong must have been made good."""
        self.alive = False
        self.over = False
        self.life = 0
        self.end = plan.bars * 60.0
        """Seconds after which there is no more mischief."""
        self.path = folder / "0.db"
        self.exchange = Exchange(plan, plan.bars + SPARE + RECOVERY + QUIET)
        self.readers = {"screen": Reader(), "letters": Reader()}
        self.rewritten: set[str] = set()
        self.listed = self.effective = Listed(self.exchange.names)
        self.exact_from: dict[str, int] = {}
        """By instrument: the close from which on setups are those of the list there is in the end."""
        self.user = User(self)
        self._draw_mischief()
        self.counts += Counter(
            {
                "bars late": self.exchange.late,
                "bars restated": self.exchange.restated,
                "bars that never came": self.exchange.never,
                "clock leaps": len(self.leaps),
            }
        )
        self._observers = 0
        self._doom: tuple[str, int, float] | None = None
        self._committed = 0
        self._synced = (b"", 0)

    def _draw_mischief(self) -> None:
        chance = self.plan.chance("ends")
        self.is_pushed = chance.random() < 0.3
        self.goes_on = chance.random() < 0.5
        """Whether the last life goes on when the mischief is over, or ends with it."""
        self.ends: list[tuple[float, str]] = []
        for kind, most in (("kills", 5), ("power-cuts", 3), ("stops", 3)):
            own = self.plan.chance(kind)
            if kind in self.plan.kinds:
                self.ends += [(own.uniform(0, self.end), kind) for _ in range(own.randint(1, most))]
        self.ends.sort()
        self.outages = self._windows("feed-trouble", 3, (20, 120, 600), ("refuses", "hangs", "is silent", "breaks"))
        self.bad_disk = self._windows("disk-errors", 2, (10, 60, 200), (0.3, 0.9))
        self.sinks_out = self._windows("sink-trouble", 3, (20, 120, 600), ("screen", "letters"))
        self.leaps = self._windows("clock-leaps", 3, (20, 120, 400), (-400.0, -45.0, -3.0, 3.0, 45.0, 400.0))
        self._disk = self.plan.chance("disk")
        self._kills = self.plan.chance("how it is killed")
        self._slow = self.plan.chance("slow")

    def _windows(self, kind: str, most: int, lengths: tuple[int, ...], hows: tuple[Any, ...]) -> list[Window]:
        chance = self.plan.chance(kind)
        if kind not in self.plan.kinds:
            return []
        begins = sorted(chance.uniform(0, self.end) for _ in range(chance.randint(1, most)))
        return [
            (begin, min(begin + chance.choice(lengths) * chance.uniform(0.5, 1), self.end), chance.choice(hows))
            for begin in begins
        ]

    def _within(self, windows: list[Window]) -> Any:  # noqa: ANN401 - how it is in that window
        place = bisect(windows, (self.passed, float("inf"))) - 1
        return windows[place][2] if place >= 0 and not self.calm and self.passed < windows[place][1] else None

    # What the clock shows.

    def true_time(self) -> int:
        """Give the time, in nanoseconds since 1970 UTC."""
        return BEGIN + round(self.passed * SECOND)

    def now(self) -> int:
        """Give what the clock shows, which may be wrong."""
        return self.true_time() + round((self._within(self.leaps) or 0.0) * SECOND)

    def wall_time(self, moment: int) -> float:
        """Give a moment in seconds."""
        return moment / SECOND

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)

    async def rest(self, seconds: float) -> None:
        """Wait as a sink's lane does, but look less often whether other programs changed the outbox: none does."""
        await asyncio.sleep(seconds if seconds < CHECK_SECONDS else 4 * seconds)

    async def until(self, passed: float) -> None:
        """Wait until so many seconds of the world have passed."""
        await asyncio.sleep(max(passed - self.passed, 0.0))

    # What may go wrong.

    def has(self, kind: str) -> bool:
        """Whether there is a kind of mischief at present."""
        return not self.calm and kind in self.plan.kinds

    def count(self, what: str, times: int = 1) -> None:
        """Take note of something that happened."""
        if self.alive:
            self.counts[what] += times

    def fault(self, law: str, what: str) -> None:
        """Take note that a law is broken."""
        self.faults.append(f"{law}: {what}")

    def lives(self, life: int) -> bool:
        """Whether a life goes on."""
        return self.alive and life == self.life

    def outage(self) -> str:
        """Say how the feed fails; empty where it does not."""
        return str(self._within(self.outages) or "") if self.alive else ""

    def sink_is_out(self, name: str) -> bool:
        """Whether a sink fails."""
        return self.alive and self._within(self.sinks_out) == name

    def disk_trouble(self, what: str) -> tuple[int, str] | None:
        """Give how a read or a write fails; None where it does not."""
        if not self.has("disk-errors") or self._observers or not self.alive:
            return None
        often = self._within(self.bad_disk) or 0.01
        if self._disk.random() >= (often if what == "write" else often / 8):
            return None
        self.count(f"disk {what} errors")
        return self._disk.choice(TROUBLES)

    @contextmanager
    def observed(self) -> Iterator[None]:
        """Let the disk work, for whoever only looks at the world."""
        self._observers += 1
        try:
            yield
        finally:
            self._observers -= 1

    def delay(self) -> float:
        """Give the seconds that the next work in a thread takes."""
        if not self.has("slow-disk") or not self.alive:
            return 0.0
        draw = self._slow.random()
        if draw < 0.003:
            self.count("disk hangs")
            return self._slow.uniform(15, 50)
        return self._slow.uniform(0.02, 3.0) if draw < 0.1 else 0.001

    def kept(self, path: Path, *, durable: bool) -> None:
        """Be told that something was written."""
        if path != self.path:
            return
        self._committed += 1
        if durable and "power-cuts" in self.plan.kinds and self.alive:
            self._synced = synced(path)

    # How a process dies.

    def doom(self, how: str, mode: str | None = None) -> None:
        """Let the process die soon: after some steps, or when a thread has done something or kept something."""
        steps = self._kills.choice((0, 1, 3, 8, 20))
        mode = mode or self._kills.choice(("steps", "thread", "commit", "commit"))
        self._doom = (f"{how} {mode}", steps if mode == "steps" else self._committed, self.passed + 100)

    def step(self) -> None:
        """Count a step of the loop."""
        if self._doom is not None and self.alive:
            how, left, latest = self._doom
            if self.passed > latest or (how.endswith("steps") and left <= 0):
                self._die()
            self._doom = (how, left - how.endswith("steps"), latest)

    def done(self) -> None:
        """Be told that a thread has done something."""
        if self._doom is not None and self.alive:
            how, before, _ = self._doom
            if how.endswith("thread") or (how.endswith("commit") and self._committed > before):
                self._die()

    def _die(self) -> None:
        assert self._doom is not None
        how = self._doom[0].split()[0]
        self.count(how)
        cut = (self._synced, self._kills) if how == "power-cuts" else None
        to = self.folder / f"{self.life}.db"
        self.counts["torn writes"] += copied(self.path, to, cut)
        self.alive, self._doom = False, None
        self.path = to  # what goes on in the dead process is of no matter any more
        raise KilledError(1)

    # Its lives.

    def run(self) -> None:
        """Let it pass, and judge what came of it."""
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
        """Let time pass until somebody starts it again."""
        self.alive, self._doom = False, None
        if not self.over and not self.calm:
            self.passed += self._kills.choice((0.5, 3.0, 20.0, 100.0, 300.0))
            if self.has("upkeep") and self._kills.random() < 0.3 and self.path.exists():
                self.counts["compactions"] += 1
                with Store.open(self.path, self.now) as store:
                    compact(store, keep_bars=10**6, keep_days=10**4)

    def _open(self, store: Store) -> None:
        """Take note of what is there when a life begins."""
        self.kept(self.path, durable=True)
        for name, reader in self.readers.items():
            reader.confirmed.clear()
            reader.settled = {each.event.id for each in store.outbox.list(["delivered"], name)}
        self.took(
            self.listed, {key.instrument: store.bars.last_close(key) for key in store.bars.keys if key[1] == "1m"}
        )

    def took(self, listed: Listed, last: dict[str, int | None]) -> None:
        """Take note that another list is watched, and up to which closes that was not so."""
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
            store, sinks, clock=self.now, sleep=self.rest, random=chance, stale_after=STALE_AFTER
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
        """Wait until this life is to end; returns where it is to be told to stop."""
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
        """Let it recover; then each bar has to be there on time, and nothing may grow."""
        await self.until(self.well_from + ON_TIME)
        await self.user.settled.wait()
        before = held(station)
        for minute in range(QUIET):
            close = self.well_from + 60 * (1 + minute)
            await self.until(close + ON_TIME)
            for name in self.listed.names:
                if station.last_close(name) != BEGIN + round(close) * SECOND:
                    self.fault("a bar is not there on time", f"{name}, minute {minute} after the recovery")
        after = held(station)
        if after > before + MOST_GROWN:
            self.fault("something grows", f"{before} things held, {after} after {QUIET} quiet minutes")
        late = station.intakes["exchange"].late
        if late is not None:
            self.fault("the feed is late though it is not", f"{late}")
