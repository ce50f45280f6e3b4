"""A feed and its intake in simulated time, controlled by a test."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

import numpy as np

from scanner.clocks import SECOND
from scanner.market.bars import RawBars
from scanner.ports import Answer, FeedLimits
from scanner.service.desk import Taken
from scanner.service.intake.intake import Intake
from scanner.service.intake.requests import Ask
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.events import Event
    from scanner.ports import Want
    from scanner.service.committing import Committer
    from scanner.service.together.usual import Arrival
    from tests.service.simulated_time import SimulatedTime

MINUTE = 60 * SECOND
START = 1_760_000_040 * SECOND
"""The first close that is waited for."""


def opened(close: int) -> RawBars:
    """Invent the one-minute bar with this close."""
    price = np.full(1, 100.0)
    return RawBars(np.array([close - MINUTE]), price, price, price, price, price, np.zeros(1, np.int64), "harbour")


@dataclass
class Harbour:
    """A feed that has each bar ``delay`` seconds after its close, or answers a want as ``plan`` says."""

    time: SimulatedTime
    batch: int = 1
    delay: float = 0.0
    takes: float = 0.0
    plan: Callable[[Want], list[Answer] | None] = lambda _: None
    asked: list[tuple[float, list[str]]] = field(default_factory=list)
    under_way: int = 0
    most: int = 0
    arrived: asyncio.Event | None = None
    limits: FeedLimits = field(default_factory=FeedLimits)

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: Sequence[Want]) -> list[Answer]:
        self.asked.append((self.time.passed, [want.symbol for want in wants]))
        self.under_way += 1
        self.most = max(self.most, self.under_way)
        try:
            if self.takes:
                await self.time.sleep(self.takes)
            return [answer for want in wants for answer in self.answers(want)]
        finally:
            self.under_way -= 1

    def answers(self, want: Want) -> list[Answer]:
        planned = self.plan(want)
        if planned is not None:
            return planned
        ready = self.time.now() - round(self.delay * SECOND)
        first = START - MINUTE if want.since is None else want.since + MINUTE
        return [Answer(want, opened(close)) for close in range(first, ready + 1, MINUTE)]

    def times(self, symbol: str) -> list[float]:
        return [moment for moment, symbols in self.asked if symbol in symbols]


async def at_rest(intake: Intake, patience: float = 5.0) -> None:
    """Wait until nothing is being asked for, at most this many seconds."""
    if intake._waves:
        await asyncio.wait(intake._waves, timeout=patience)


class Pier:
    """An intake, and what stands for a station's committer and desk: it takes every bar once, and lists the rest."""

    def __init__(self, feed: Harbour, limits: FeedLimits | None = None) -> None:
        feed.limits = limits or feed.limits
        self.time, self.feed = feed.time, feed
        self.last: dict[str, int] = {}
        self.bars: list[tuple[str, int]] = []
        self.said: list[Event] = []
        self.noted: list[str] = []
        self.is_noted = asyncio.Event()
        self.full = False
        self.useless = ""
        self.look_again: dict[str, int] = {}
        self.desk = self.to_report = self
        committer = cast("Committer", self)
        self.intake = Intake("harbour", feed, committer, clock=feed.time, chance=lambda: 0.999)

    def since(self, name: str) -> int | None:
        return self.last[name] - MINUTE if name in self.last else None

    def enough_from(self, _: str, now: int) -> int:
        return min(now, START) - 5 * MINUTE

    def last_close(self, name: str) -> int | None:
        return self.last.get(name)

    def lacks(self, name: str, close: int) -> bool:
        return self.last.get(name, 0) < close

    def note(self, trouble: str) -> None:
        self.noted.append(trouble.removeprefix("feed harbour: "))
        self.is_noted.set()

    async def take(self, arrivals: Sequence[Arrival]) -> Taken:
        if self.full:
            raise StoreTroubleError("the disk is full")
        if self.useless:
            return Taken(useless={arrival.instrument: self.useless for arrival in arrivals})
        taken = Taken(look_again=self.look_again.copy())
        for arrival in arrivals:
            for close in (arrival.raw.stamp + MINUTE).tolist():
                if close > self.last.get(arrival.instrument, 0):
                    self.last[arrival.instrument] = close
                    self.bars.append((arrival.instrument, close))
                    taken.bars += 1
        return taken

    async def say(self, event: Event) -> None:
        if self.full:
            raise StoreTroubleError("the disk is full")
        self.said.append(event)

    def ask(self, names: Sequence[str], minute: int = 0) -> None:
        self.intake.ask([Ask(name, name, "1m", START + minute * MINUTE) for name in names])

    async def minutes(self, names: Sequence[str], count: int) -> None:
        """Let minutes pass, and ask for each bar as it closes."""
        for minute in range(count):
            self.ask(names, minute)
            await self.time.run(60)

    def told(self) -> list[tuple[str, list[str], int]]:
        return [(event.kind, event.data["series"], event.data["caught_up"]) for event in self.said]
