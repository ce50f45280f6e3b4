"""A station through a simulated year of an exchange: every bar close is evaluated once, with the events of a replay."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.ports import Answer, FeedLimits
from scanner.service.changes.restating import as_sent
from scanner.store import Store
from tests.outside.random_tapes import tape
from tests.service.bad_days import SECOND, DayTime, day, of_bars, settings

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from scanner.ports import Want

TIMEFRAMES = ("1h", "4h", "1d", "1w")
SETTLE = 2
HALF_DAYS_AND_CHANGES = {
    # New York Stock Exchange, published half days (from memory; confirmed with exchange_calendars), and the last bar
    # before and the first one after each change of the clocks of New York.
    "2026-11-27 18:00",
    "2026-12-24 18:00",
    "2026-03-06 21:00",
    "2026-03-09 14:30",
    "2026-10-30 20:00",
    "2026-11-02 15:30",
}


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


BEGIN, END = at("2025-12-28T00:00Z"), at("2027-01-01T12:00Z")
"""Whole weeks, so that each timeframe has a bar that is seen from its beginning."""


def closes_of(name: str) -> NDArray[np.int64]:
    return Timetable(calendar_named("XNYS"), Timeframe.named(name)).closes_between(BEGIN, END)[1]


class YearOfBars:
    """A feed that has each bar as it closes, and is asked only at the closes."""

    batch = 1
    arrived: asyncio.Event | None = None
    limits = FeedLimits()

    def __init__(self, clock: DayTime) -> None:
        self.clock = clock
        opens, closes = Timetable(calendar_named("XNYS"), Timeframe.named("1h")).closes_between(BEGIN, END)
        there = tape(7)
        back = [(last, high, low, first, volume) for first, high, low, last, volume in reversed(there)]
        rows = np.array([*there, *back])[: len(opens)]
        self.bars = Bars(opens, closes, *np.ascontiguousarray(rows.T))

    async def start(self) -> None: ...

    async def stop(self) -> None: ...

    async def fetch(self, wants: Sequence[Want]) -> Sequence[Answer]:
        (want,) = wants
        first = 0 if want.since is None else int(np.searchsorted(self.bars.open_time, want.since))
        end = int(np.searchsorted(self.bars.close_time, self.clock.now(), side="right"))
        return [Answer(want, as_sent(self.bars[first:end], "tape"))]


async def test_every_close_of_a_year_is_evaluated_once_and_at_its_time(tmp_path: Path) -> None:
    time = DayTime()
    time.start = BEGIN
    feed = YearOfBars(time)
    known = settings(
        tmp_path,
        defaults={"feed": "tape", "calendar": "XNYS", "timeframes": list(TIMEFRAMES), "step": "0.01"},
    )
    with Store.open(tmp_path / "kept.db", time.now) as store:
        async with day(known, store, {"tape": feed}, time, sleep=time.sleep) as on:
            late = []
            for close in feed.bars.close_time.tolist():
                time.wall += close + SETTLE * SECOND - time.now()  # nothing else happens until then
                await time.run(5)
                if on.station.desk.last_close("GANNET") != close:
                    late.append(close)
            assert late == []
            lanes = on.station.desk.pipelines["GANNET"].lanes
            evaluated = {lane.timeframe.name: lane.engine.series.count for lane in lanes}
            told = of_bars(on.told, BEGIN)
        kept = of_bars((each.event for each in store.events.find()), BEGIN)
        stored = {found.key.timeframe: found.bars.close_time for found in store.bars.load(store.bars.keys)}
    assert evaluated == {name: len(closes_of(name)) for name in TIMEFRAMES}
    for name in TIMEFRAMES:
        assert np.array_equal(stored[name], closes_of(name)), name
    written = {datetime.fromtimestamp(close // SECOND, UTC).strftime("%Y-%m-%d %H:%M") for close in stored["1h"]}
    assert written >= HALF_DAYS_AND_CHANGES
    (watched,) = known.watched()
    expected = list(watched.inputs(known.account).pipeline().events(feed.bars))
    assert {event.data["timeframe"] for event in expected if event.facts.ends} == {"1h", "4h"}
    assert told == kept == of_bars(expected, BEGIN)
