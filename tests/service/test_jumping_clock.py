"""A station under a clock that jumps, by seconds or days, while bars come and while its feed is out.

The exchange keeps its own time. Wherever the clock jumps, each close that it shows is asked for. Once it is right,
the feed is reported late and back correctly, and the stored bars are those of the exchange.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.market.aggregate import Aggregator
from scanner.market.bars import Bars
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.ports import Answer, FeedLimits, FeedTroubleError
from scanner.service.changes.restating import as_sent, same
from scanner.service.schedule.timers import LOOK
from scanner.store import SeriesKey, Store
from tests.service.bad_days import SECOND, DayTime, day, settings

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from scanner.ports import Want
    from scanner.service.intake.requests import Ask
    from tests.service.bad_days import Day

MINUTE = 60 * SECOND
HISTORY = 120
MANNERS = FeedLimits(settle=2, patience=30)
SOON = LOOK + 1
"""Seconds within which a close is asked for, whatever the clock did."""
JUMPS = (1.5, 20, 45, 600, 7_200, 3 * 86_400)


def minutes(begin: int, count: int, seed: int) -> Bars:
    """Invent bars of a minute."""
    steps = np.random.default_rng(seed).choice([-0.1, 0.1], (count, 4)).cumsum().reshape(count, 4)
    prices = (100 + steps).round(2)
    opens = begin + MINUTE * np.arange(count, dtype=np.int64)
    first, last, volume = prices[:, 0], prices[:, -1], np.arange(count, dtype=np.float64)
    return Bars(opens, opens + MINUTE, first, prices.max(axis=1), prices.min(axis=1), last, volume)


@dataclass
class Exchange:
    """A feed that uses the true time; if it ``gives_open``, it also sends the open bar as it is so far."""

    time: DayTime
    bars: Bars
    gives_open: bool
    out: str = ""
    out_since: int = 0
    asked: list[float] = field(default_factory=list)
    batch: int = 10
    arrived: asyncio.Event | None = None
    limits: FeedLimits = MANNERS

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    def true_time(self) -> int:
        return self.time.now() - self.time.wall

    def fall(self, how: str) -> None:
        self.out, self.out_since = how, self.true_time()

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        self.asked.append(self.time.passed)
        if self.out == "refuses":
            raise FeedTroubleError("the exchange is shut")
        now = self.out_since if self.out == "stands still" else self.true_time()
        return (
            [] if self.out == "says nothing" else [Answer(want, as_sent(self.known(want, now), "x")) for want in wants]
        )

    def known(self, want: Want, now: int) -> Bars:
        first = 0 if want.since is None else int(np.searchsorted(self.bars.open_time, want.since))
        closed = int(np.searchsorted(self.bars.close_time, now, side="right"))
        found = self.bars[first : int(np.searchsorted(self.bars.open_time, now)) if self.gives_open else closed]
        columns = [column.copy() for column in found.columns()]
        if len(found) and found.close_time[-1] > now:
            columns[3][-1] = columns[4][-1] = columns[5][-1] = columns[2][-1]  # nothing has moved yet
        return Bars(*columns)


@dataclass
class Trial:
    """A station on its exchange, with the checks that must hold."""

    on: Day
    exchange: Exchange
    asks: list[tuple[float, int]] = field(default_factory=list)

    def watch_asks(self) -> None:
        """Record the closes that are asked for."""
        intake, time = self.on.station.intakes["tape"], self.on.time
        ask = intake.ask

        def noted(asks: Sequence[Ask]) -> None:
            self.asks.append((time.passed, asks[0].close))
            ask(asks)

        intake.ask = noted  # type: ignore[method-assign] # of this station alone

    async def undisturbed(self, seconds: float) -> None:
        """Let time pass while the clock runs on, and check that each close it shows is asked for."""
        time, (group,) = self.on.time, self.on.station.groups
        end = time.passed + seconds
        while time.passed + SOON < end:
            await time.run(SOON)
            settled = time.now() - round(MANNERS.settle * SECOND)
            moment, close = self.asks[-1]
            assert group.timetable.last_close(settled - SECOND // 10) <= close <= group.timetable.last_close(settled)
            assert self.exchange.asked[-1] >= moment
        await time.run(end - time.passed)

    def feed_events(self) -> list[str]:
        return [event.kind for event in self.on.told if event.kind.startswith("feed.")]

    async def set_right(self) -> None:
        """Let the clock be right for a while: lateness must be reported correctly, and the stored bars be right."""
        self.on.time.wall = 0
        # If the clock was ahead, the bar that is open now may count as closed; then the next is the first one missed.
        await self.undisturbed(2 * 60 + MANNERS.patience + 2 * SOON)
        late = self.on.station.intakes["tape"].late
        told = self.feed_events()
        assert told == ["feed.late", "feed.back"] * (len(told) // 2) + ["feed.late"] * (len(told) % 2)
        assert (late is not None) == (len(told) % 2 == 1) == bool(self.exchange.out)
        if not self.exchange.out:
            self.check_stored()

    def check_stored(self) -> None:
        bars = self.exchange.bars
        bars = bars[: int(np.searchsorted(bars.close_time, self.on.time.now() - 5 * SECOND, side="right"))]
        five = Aggregator(Timeframe.named("1m"), Timetable(calendar_named("24/7"), Timeframe.named("5m")))
        stored = self.on.station.desk.stored(["GANNET"])["GANNET"]
        assert same(stored["1m"][: len(bars)], bars)
        assert same(stored["5m"], five.push(stored["1m"]))


@pytest.fixture
def time() -> DayTime:
    made = DayTime()
    made.start = made.start // (5 * MINUTE) * 5 * MINUTE
    return made


@pytest.fixture
def store(tmp_path: Path, time: DayTime) -> Iterator[Store]:
    with Store.open(tmp_path / "kept.db", time.now) as opened:
        yield opened


@pytest.mark.parametrize("seed", range(4))
async def test_wherever_the_clock_jumps(tmp_path: Path, time: DayTime, store: Store, seed: int) -> None:
    rng = np.random.default_rng(seed)
    exchange = Exchange(time, minutes(time.start - HISTORY * MINUTE, 2 * HISTORY, seed), gives_open=seed % 2 == 0)
    known = settings(
        tmp_path,
        defaults={"feed": "tape", "calendar": "24/7", "timeframes": ["1m", "5m"], "step": "0.01"},
    )
    async with day(known, store, {"tape": exchange}, time, sleep=time.sleep) as on:
        trial = Trial(on, exchange)
        trial.watch_asks()
        await trial.undisturbed(130)
        for _ in range(8):
            for _ in range(int(rng.integers(1, 4))):
                if rng.random() < 0.4:
                    exchange.fall("" if exchange.out else str(rng.choice(["refuses", "says nothing", "stands still"])))
                time.wall = round(float(rng.choice([-1, 1]) * rng.choice(JUMPS)) * SECOND)
                await trial.undisturbed(float(rng.uniform(3, 150)))
            await trial.set_right()
        exchange.fall("")
        await trial.undisturbed(70)
        await trial.set_right()
        assert store.bars.last_close(SeriesKey("GANNET", "5m")) is not None
