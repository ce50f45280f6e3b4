"""A whole station on an invented day: its store is real, its time is simulated, its feeds do what the test says."""

from __future__ import annotations

import asyncio
from collections import Counter
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.configuration.model.settings import from_document
from scanner.ports import Answer, FeedLimits
from scanner.service.changes.restating import as_sent
from scanner.service.station import Station
from tests.laws import bars_of
from tests.outside.random_tapes import tape
from tests.service.simulated_time import AtOnce, SimulatedTime

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterable, Sequence
    from pathlib import Path

    from scanner.clocks import Clock
    from scanner.configuration.model.settings import Settings
    from scanner.events import Event
    from scanner.ports import Feed, Want
    from scanner.store import Store

QUARTER_HOUR = 900
SECOND = 1_000_000_000
BARS = bars_of(tape(41), 1_700_000_100 * SECOND)
FIRST = 390
"""Bars that are history when the day begins; there are setups at the bars 396, 425, 506 and 592.

Their stories end at the bars 401, 441, 508 and 612; each is entered, and each but the third has an exit signal.
"""
BEGIN = int(BARS.close_time[FIRST - 1])


class DayTime(SimulatedTime):
    """Simulated time that begins with the day, and in which no timer of the real clock ever goes off."""

    def __init__(self) -> None:
        super().__init__(BEGIN)

    def wall_time(self, moment: int) -> float:
        return 4_000_000_000 + moment / SECOND


@dataclass
class Tape:
    """A feed that has each bar as it closes, or does what ``plan`` says; if the plan gives None, it has the bar."""

    clock: Clock
    plan: Callable[[Want], Any] = lambda _: None
    batch: int = 100
    arrived: asyncio.Event | None = field(default_factory=asyncio.Event)
    limits: FeedLimits = field(default_factory=FeedLimits)
    at_most: int = 10**6
    """Bars that it gives at a time, from where there is enough history."""

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: Sequence[Want]) -> Any:  # noqa: ANN401 - rubbish too
        planned = [self.plan(want) for want in wants]
        if any(each is not None for each in planned):
            (only,) = planned
            return await only if asyncio.iscoroutine(only) else only
        return [Answer(want, as_sent(self.known(self.begin(want))[: self.at_most], "tape")) for want in wants]

    def begin(self, want: Want) -> int | None:
        return want.enough_from if want.since is None and self.at_most < len(BARS) else want.since

    def known(self, since: int | None) -> Any:  # noqa: ANN401 - bars
        first = 0 if since is None else int(np.searchsorted(BARS.open_time, since))
        return BARS[first : int(np.searchsorted(BARS.close_time, self.clock.now(), side="right"))]


def settings(folder: Path, **tables: Any) -> Settings:  # noqa: ANN401 - tables of TOML
    """Make the settings of a station that watches GANNET, on the feed ``tape``."""
    usual: dict[str, Any] = {
        "station": {"name": "loft", "stale_after": 10**6},
        "feeds": {"tape": {"type": "folder", "path": "."}},
        "sinks": {"archive": {"type": "jsonl", "path": "all.jsonl"}},
        "defaults": {"feed": "tape", "calendar": "24/7", "timeframes": ["15m"], "step": "0.01"},
        "instruments": {"GANNET": {}},
        # So that setups are often found on invented bars.
        "rules": {"place_quality": "plain"},
        "surroundings": {"require": []},
    }
    return from_document(usual | tables, folder, {})


def of_bars(events: Iterable[Event], since: int = BEGIN) -> list[str]:
    """Give the events about setups, their stories and series, of bars closed after ``since``; sorted."""
    return sorted(
        event.to_json() for event in events if event.facts.about in {"setup", "series"} and event.time > since
    )


def expected(known: Settings, last: int, since: int = BEGIN) -> list[str]:
    """Give the events of a replay of the bars up to ``last``, of those closed after ``since``; sorted."""
    said: list[Event] = []
    for each in known.watched():
        pipeline = each.inputs(known.account).pipeline()
        said += pipeline.events(pipeline.check(as_sent(BARS[:last], "tape")).bars)
    return of_bars(said, since)


@dataclass
class Day:
    """A running station, and all that it has published."""

    station: Station
    time: DayTime
    told: list[Event]

    async def bars(self, count: int) -> None:
        """Let some bars close, one after the other."""
        for _ in range(count):
            await self.time.run(QUARTER_HOUR)
            await self.look()

    async def look(self) -> None:
        """Let every feed that receives pushes say that it has something."""
        for feed in self.station.feeds.values():
            if feed.arrived is not None:
                feed.arrived.set()
        await self.time.run(0)

    def stories(self) -> list[str]:
        """Give the events about setups and their stories after the history, sorted; nothing may come twice."""
        assert max(Counter(event.id for event in self.told).values(), default=1) == 1
        return of_bars(self.told)

    def kinds(self) -> list[str]:
        """Name the events about feeds and the station, in order."""
        return [event.kind for event in self.told if event.kind.startswith(("feed.", "station."))]


@asynccontextmanager
async def day(
    known: Settings,
    store: Store,
    feeds: dict[str, Feed],
    time: DayTime,
    **options: Any,  # noqa: ANN401 - those of Station
) -> AsyncIterator[Day]:
    """Run a station from the beginning of the day; time passes as the test lets it."""
    asyncio.get_running_loop().set_default_executor(AtOnce())
    told: list[Event] = []

    async def never(_: float) -> None:
        await asyncio.Event().wait()

    usual = {"chance": lambda: 0.5, "sleep": never} | options
    station, stop = Station(known, store, feeds, clock=time, on_event=told.append, **usual), asyncio.Event()
    running = asyncio.create_task(station.run(stop))
    try:
        async with asyncio.timeout(60):  # the first station of a fresh machine compiles
            await station.watching.wait()
        yield Day(station, time, told)
    finally:
        stop.set()
        await running
