"""A bar of a stored series judged again, by the code that judged it live."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.commands.recorded.one_bar import bar_at
from scanner.market.bars import NO_BARS, Bars
from scanner.market.sessions.timeframes import Timeframe
from scanner.store import SeriesKey

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from scanner.configuration.model.settings import Watched
    from scanner.engine.series_engine import SeriesEngine
    from scanner.events import Event
    from scanner.judgement import Judgement
    from scanner.store import Store
    from scanner.trade.size import Account

A_DAY = 1_440
"""Most bars of a day, and so most bars searched back from a time for the one it means."""


@dataclass(frozen=True, slots=True, eq=False)
class JudgedBar:
    """One bar of a series, number ``index`` of ``bars``, and the result of each setup in each direction at it.

    ``engine`` has seen the bars up to this one, and ``setup`` is the first found or forming at it, if any. ``suspect``
    says what is odd about the bar, or is empty; ``needed`` is how many more bars the series needs to be warm.
    """

    key: SeriesKey
    bars: Bars
    index: int
    engine: SeriesEngine
    judged: list[Judgement]
    setup: Event | None
    suspect: str
    needed: int


def judge_bar(
    watched: Watched, key: SeriesKey, bars: Mapping[SeriesKey, Bars], account: Account, index: int | None = None
) -> JudgedBar | None:
    """Judge a bar of a series, by default the last one; None if it has no bar.

    ``bars`` are those of the series and of its coarser timeframes.
    """
    bars = {each: watched.as_judged(each.timeframe, stored) for each, stored in bars.items()}
    own = bars.get(key, NO_BARS)
    if not len(own):
        return None
    index = len(own) - 1 if index is None else index
    close = int(own.close_time[index])
    # The bars are adjusted already.
    lanes = replace(watched, adjustments=()).inputs(account).pipeline().lanes
    for lane in lanes:
        all_bars = bars.get(SeriesKey(key.instrument, lane.timeframe.name), NO_BARS)
        stop = int(np.searchsorted(all_bars.close_time, close, side="right"))
        engine, own_bars = lane.engine, all_bars[max(stop - _run_in(watched), 0) : stop]
        with engine.series.pool.without_setups():
            engine.push(own_bars[:-1])
        said = engine.push(own_bars[-1:])
        if lane.timeframe.name == key.timeframe:
            break
    return JudgedBar(
        key,
        own,
        index,
        engine,
        engine.judge_last(),
        next((event for event in said if event.time == close and event.facts.begins), None),
        next((each.text for each in engine.suspects if each.close_time == close), ""),
        max(watched.rules.warm_up - engine.series.count, 0),
    )


def judged_at(
    store: Store, watched: Watched, key: SeriesKey, account: Account, moment: int | None, *, day: bool = False
) -> JudgedBar | None:
    """Find the bar of a time or a ``day``, by default the last one, and judge it."""
    keys = [SeriesKey(key.instrument, timeframe.name) for timeframe in watched.timeframes]
    most = _run_in(watched)
    if moment is not None:
        since = max((store.bars.last_close(key) or 0) - moment, 0)
        most += since // Timeframe.named(key.timeframe).nanoseconds + A_DAY
    bars = {found.key: found.bars for found in store.bars.load(keys, most)}
    own = bars.get(key, NO_BARS)
    index = None if moment is None else bar_at(own, moment, day=day)
    if moment is not None and index is None:
        return None
    return judge_bar(watched, key, bars, account, index)


def judge_last(
    store: Store, watched: Mapping[str, Watched], keys: Collection[SeriesKey], account: Account
) -> dict[SeriesKey, JudgedBar | None]:
    """Judge the last bar of each of some series; None for one without bars."""
    wanted = {SeriesKey(key.instrument, each.name) for key in keys for each in watched[key.instrument].timeframes}
    most = max((_run_in(watched[key.instrument]) for key in keys), default=0)
    bars = {found.key: found.bars for found in store.bars.load(wanted.union(keys), most)}
    return {key: judge_bar(watched[key.instrument], key, bars, account) for key in keys}


def _run_in(watched: Watched) -> int:
    """Give how many bars the engine needs, with the judged one, so that indicators settle and the series is warm."""
    return 2 * watched.rulebook.history + watched.rules.warm_up
