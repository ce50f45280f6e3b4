"""One instrument's pipeline: raw rows → guard → coarser timeframes → engine → events."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from hashlib import sha256
from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.indicators import kept_windows
from scanner.analysis.indicators.spike_sieve import SpikeSieve
from scanner.analysis.pool import FEW, Pool
from scanner.engine.series_engine import SeriesEngine
from scanner.engine.together import push_together
from scanner.events import rfc3339
from scanner.follow.follower import Follower
from scanner.market.aggregate import Aggregator
from scanner.market.bars import NEVER, NO_BARS, Bars
from scanner.market.guard import Guard, Note
from scanner.market.sessions.timetables import timetable_of
from scanner.market.splits import adjust

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from scanner.events import Event
    from scanner.follow.outcome import Came
    from scanner.market.bars import RawBars
    from scanner.market.guard import Checked
    from scanner.market.instruments import Instrument
    from scanner.market.price_steps import PriceSteps
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timeframes import Timeframe
    from scanner.market.sessions.timetables import Timetable
    from scanner.market.splits import Adjustment
    from scanner.trade.rulebook import Rulebook
    from scanner.trade.size import Account


@dataclass(frozen=True, slots=True)
class Lane:
    """One timeframe of an instrument: what makes its bars from the feed's, and the engine that takes them."""

    timeframe: Timeframe
    aggregator: Aggregator | None
    engine: SeriesEngine


@dataclass(frozen=True, slots=True)
class Inputs:
    """The parts of a pipeline, as plain values that can be sent to another process.

    ValueError if bars of a timeframe cannot be made from those of the base timeframe.
    """

    instrument: Instrument
    calendar: Calendar
    base: Timeframe
    timeframes: tuple[Timeframe, ...]
    rulebook: Rulebook
    account: Account
    adjustments: tuple[Adjustment, ...] = ()
    """The splits in force for all its bars: see ``splits.in_force``."""
    dates: tuple[Dated, ...] | None = None
    group: str = ""
    until: int | None = None
    """The time by which bars must have closed, in nanoseconds since 1970 UTC; None for no limit."""

    def __post_init__(self) -> None:
        """Check that the bars of each timeframe can be made."""
        for timeframe in self.timeframes:
            if timeframe != self.base:
                Aggregator(self.base, timetable_of(self.calendar, timeframe))

    def guard(self) -> Guard:
        """Make the guard for the rows of the base timeframe."""
        rules = self.rulebook.rules
        sieve = SpikeSieve(rules, self.adjustments) if rules.drop_spikes else None
        return Guard(timetable_of(self.calendar, self.base), self.until, sieve)

    def pipeline(self, pools: Pools | None = None) -> Pipeline:
        """Make a pipeline that has seen no bars."""
        return Pipeline(self, pools)


class Pools:
    """Pools that series share: one for each rulebook and timetable.

    ``room`` is how many bars a series can take before its windows are moved.
    """

    def __init__(self, room: int = FEW) -> None:
        self._room = room
        self._pools: dict[tuple[Rulebook, int], Pool] = {}
        self._known: dict[tuple[int, int], tuple[Rulebook, Pool]] = {}
        """The same by identity, since comparing rulebooks is slow; it holds them, so that no id is used again."""

    def of(self, rulebook: Rulebook, timetable: Timetable) -> Pool:
        """Give the pool for a rulebook and a timetable."""
        known = self._known.get((id(rulebook), id(timetable)))
        if known is None:
            key = (rulebook, id(timetable))  # a calendar and timeframe have only one timetable
            if key not in self._pools:
                self._pools[key] = rulebook.pool(timetable, self._room)
            known = self._known[id(rulebook), id(timetable)] = rulebook, self._pools[key]
        return known[1]

    def reserve(self, series: Iterable[tuple[Rulebook, Calendar, Timeframe]]) -> None:
        """Reserve rows for all of these series, so that no pool has to be moved as it grows."""
        pools = [self.of(rulebook, timetable_of(calendar, timeframe)) for rulebook, calendar, timeframe in series]
        for pool in {id(each): each for each in pools}.values():
            pool.reserve(sum(each is pool for each in pools))

    def forget_others(self, series: Iterable[tuple[Rulebook, Calendar, Timeframe]]) -> None:
        """Forget all pools but those of these series."""
        self._known.clear()
        used = {id(self.of(rulebook, timetable_of(calendar, timeframe))) for rulebook, calendar, timeframe in series}
        self._pools = {key: pool for key, pool in self._pools.items() if id(pool) in used}


class Pipeline:
    """One instrument, from the feed's bars on its ``base`` timeframe to the events on each timeframe followed.

    Bars that opened before one of the ``adjustments``, which are those in force, are first rescaled by its ratio.
    """

    def __init__(self, inputs: Inputs, pools: Pools | None) -> None:
        """Make the lanes; ``pools`` are shared with other instruments, None for pools of its own."""
        self.instrument = inputs.instrument
        self.base = inputs.base
        self.adjustments = inputs.adjustments
        self._inputs = inputs
        rulebook, lanes = inputs.rulebook, list[Lane]()
        for timeframe in sorted(inputs.timeframes, reverse=True):
            timetable = timetable_of(inputs.calendar, timeframe)
            pool = rulebook.pool(timetable) if pools is None else pools.of(rulebook, timetable)
            coarser = lanes[-1].engine if lanes else None
            engine = SeriesEngine(
                self.instrument, timetable, rulebook, inputs.account, coarser=coarser, dates=inputs.dates, pool=pool
            )
            lanes.append(Lane(timeframe, None if timeframe == self.base else Aggregator(self.base, timetable), engine))
        self.lanes = tuple(lanes)
        """Coarsest first: a finer timeframe reads the coarser bars that are complete by then."""
        self.most = min(lane.engine.series.pool.room for lane in self.lanes)
        """The most base bars that may go through all lanes at a time, so that windows still hold the coarser bars."""
        self.is_alone = len(self.lanes) == 1 and self.lanes[0].aggregator is None
        """Whether only the base timeframe is followed."""
        self.has_coarser = any(lane.aggregator is not None for lane in self.lanes)

    @cached_property
    def guard(self) -> Guard:
        """Checks the rows of the base timeframe."""
        return self._inputs.guard()

    @cached_property
    def goes_along(self) -> bool:
        """Whether a sound bar that follows the last one can be taken in together with those of other instruments."""
        return self.guard.takes_all and self.base.intraday

    @cached_property
    def mark(self) -> bytes:
        """Identifies the timeframes, sessions, steps, splits, rules and layout for which a snapshot is valid."""
        own = self._inputs
        return _mark(self.base, own.timeframes, own.calendar, self.instrument.steps, own.adjustments, own.rulebook.told)

    def listen(self, on_end: Callable[[Came], None]) -> None:
        """Pass only the outcome of each setup, to ``on_end``; give no events of stories."""
        for lane in self.lanes:
            lane.engine.listen(on_end)

    def under_way(self) -> Iterator[Came]:
        """Give the stories that have not ended."""
        for lane in self.lanes:
            yield from lane.engine.under_way()

    def check(self, raw: RawBars, known: Bars | None = None) -> Checked:
        """Let the guard check raw rows; it takes out no bar that is ``known``.

        Show its notes to people, and pass its bars to ``events``.
        """
        return self.guard.check(raw, known)

    def suspects(self, checked: Checked, since: int = 0) -> list[Note]:
        """Give notes of the suspected bad ticks found since the last call.

        Each names the ``checked`` row that completed the bar. Bars that closed before ``since`` are left out.
        """
        notes = []
        for lane in self.lanes:
            suspects, lane.engine.suspects = lane.engine.suspects, []
            for each in (each for each in suspects if each.close_time >= since):
                place = int(np.searchsorted(checked.bars.close_time, each.close_time, side="right")) - 1
                row = int(checked.rows[max(place, 0)]) if len(checked.rows) else 0
                text = (
                    f"the {lane.timeframe.name} bar of {rfc3339(each.open_time)} is a suspected bad tick: {each.text}"
                )
                notes.append(Note(checked.source, row, "suspected bad tick", text, refused=False))
        return notes

    def events(self, bars: Bars) -> Iterator[Event]:
        """Take in checked bars of the base timeframe and give their events, those of coarser timeframes first."""
        for lane, own in self.made(bars):
            yield from lane.engine.events(own)

    def made(self, bars: Bars) -> Iterator[tuple[Lane, Bars]]:
        """Make each timeframe's bars from checked bars of the base timeframe, in parts for all lanes to take."""
        for part in self.parts(bars):
            yield from self.lanes_of(part)

    def parts(self, bars: Bars) -> Iterator[Bars]:
        """Cut base bars into parts that may go through all lanes at a time."""
        if 0 < len(bars) <= self.most:
            yield bars
            return
        for start in range(0, len(bars), self.most):
            yield bars[start : start + self.most]

    def lanes_of(self, bars: Bars) -> Iterator[tuple[Lane, Bars]]:
        """Make each timeframe's bars from checked bars of the base timeframe, for its engine to take."""
        bars = adjust(bars, self.adjustments)
        for lane in self.lanes:
            yield lane, bars if lane.aggregator is None else lane.aggregator.push(bars)

    def again(self, bars: Bars, coarser: Mapping[str, Bars], over: int = NEVER) -> Iterator[tuple[Lane, Bars]]:
        """Do the same as ``made``, for bars that were taken in by an earlier run.

        ``coarser`` are the bars of that run, by timeframe. They are kept for longer than the finer bars from which they
        were made, so those older than any bar made now come first. Those later than any come last: their timeframe was
        the base one then. A bar that does not fit the sessions now is left out with all bars before it. A bar that was
        taken as complete without its last rows is taken so again, if it closed by ``over``.
        """
        known = {
            lane: (lane.aggregator, _fitting(coarser.get(lane.timeframe.name, NO_BARS), lane.aggregator.target))
            for lane in self.lanes
            if lane.aggregator is not None
        }
        for number, part in enumerate(self.parts(bars)):
            made = list(self.lanes_of(part))
            for lane, own in made if number == 0 else ():
                if lane in known:
                    aggregator, before = known[lane]
                    older = before[: int(np.searchsorted(before.close_time, aggregator.begin(own), side="right"))]
                    yield from ((lane, some) for some in self.parts(older))
            yield from made
        for lane, (aggregator, before) in known.items():
            if len(before):
                yield lane, aggregator.flush(min(int(before.close_time[-1]), over))
                yield from ((lane, some) for some in self.parts(aggregator.go_on_with(before)))

    def closed_by(self, now: int) -> Iterator[tuple[Lane, Bars]]:
        """Give the coarser bars whose time is over at ``now``, although the feed sent no rows for their end."""
        for lane in self.lanes:
            if lane.aggregator is not None:
                yield lane, lane.aggregator.flush(now)


@dataclass(slots=True)
class Run:
    """The result of new bars of one instrument: the bars of each lane, in parts, and the events."""

    bars: dict[Lane, list[Bars]] = field(default_factory=dict)
    said: list[tuple[Event, Lane]] = field(default_factory=list)

    def add(self, lane: Lane, own: Bars, events: Iterable[Event]) -> None:
        """Add bars that a lane took in, and their events."""
        if len(own):
            self.bars.setdefault(lane, []).append(own)
            self.said += [(event, lane) for event in events]


def in_step(made: Sequence[Iterator[tuple[Lane, Bars]]]) -> Iterator[list[tuple[int, Lane, Bars]]]:
    """Give bars that the engines of several different pipelines may take together.

    ``made`` are the bars of the timeframes of each, in its own order. They come with the number of their pipeline.
    """
    for step in zip_longest(*made):
        yield [(number, *each) for number, each in enumerate(step) if each is not None]


def run_together(made: Sequence[Iterator[tuple[Lane, Bars]]]) -> list[Run]:
    """Let the engines of several different pipelines take in the bars ``made`` of each, all of them together."""
    runs = [Run() for _ in made]
    for together in in_step(made):
        said = push_together([lane.engine for _, lane, _ in together], [own for _, _, own in together])
        for (number, lane, own), events in zip(together, said, strict=True):
            runs[number].add(lane, own, events)
    return runs


def _fitting(bars: Bars, timetable: Timetable) -> Bars:
    """Give the bars after the last one that does not fit a timetable."""
    opens, closes, aligned = timetable.spans(bars.open_time, "open")
    astray = np.flatnonzero(~aligned | (opens != bars.open_time) | (closes != bars.close_time))
    return bars[int(astray[-1]) + 1 if len(astray) else 0 :]


@lru_cache(64)
def _mark(
    base: Timeframe,
    timeframes: tuple[Timeframe, ...],
    calendar: Calendar,
    price_steps: PriceSteps,
    adjustments: tuple[Adjustment, ...],
    rulebook: str,
) -> bytes:
    told = (
        base.name,
        [each.name for each in timeframes],
        calendar.name,
        calendar.tz,
        price_steps,
        adjustments,
        rulebook,
        kept_windows.LAYOUT,
        Follower.LAYOUT,
    )
    return sha256(repr(told).encode()).digest()[:16]
