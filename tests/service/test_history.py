"""A new series begins with as much history as its rules need, whatever part of it its feed gives at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.configuration.history_needed import enough_from
from scanner.ports import Answer
from scanner.service.changes.restating import as_sent, same
from scanner.store import SeriesKey, Store
from tests.service.bad_days import BARS, FIRST, DayTime, Tape, day, settings

if TYPE_CHECKING:
    from pathlib import Path

    from scanner.ports import Want


async def test_a_coarse_timeframe_is_warm_at_once_from_a_feed_that_gives_few_bars_at_a_time(tmp_path: Path) -> None:
    time = DayTime()
    coarse = {"feed": "tape", "calendar": "24/7", "timeframes": ["30m"], "base": "15m", "step": "0.01"}
    known = settings(tmp_path, defaults=coarse, rules={"slow_average": 100, "warm_up": 105})
    with Store.open(tmp_path / "kept.db", time.now) as store:
        async with day(known, store, {"tape": Tape(time, at_most=25)}, time) as on:
            (stored,) = store.bars.load([SeriesKey("GANNET", "15m")])
            (each,) = on.station.watched
            assert BARS.open_time[0] < stored.bars.open_time[0] == enough_from(each, time.now())
            assert stored.bars.close_time[-1] == time.now()
            (lane,) = on.station.desk.pipelines["GANNET"].lanes
            assert lane.engine.series.warm
            assert on.kinds() == ["station.caught_up"]


async def test_what_lies_between_two_parts_of_a_history_is_asked_for_again(tmp_path: Path) -> None:
    time, parts = DayTime(), [BARS[:100], BARS[150:FIRST]]

    def part(want: Want) -> list[Answer] | None:
        return [Answer(want, as_sent(parts.pop(0), "tape"))] if parts else None

    with Store.open(tmp_path / "kept.db", time.now) as store:
        async with day(settings(tmp_path), store, {"tape": Tape(time, part)}, time):
            await time.run(60)
        (stored,) = store.bars.load([SeriesKey("GANNET", "15m")])
    assert same(stored.bars, BARS[:FIRST])
