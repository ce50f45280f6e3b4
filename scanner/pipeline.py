"""The way of one instrument's bars: raw rows → guard → coarser timeframes → engine → events."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.series import Series
from scanner.engine import SeriesEngine
from scanner.market.aggregate import Aggregator
from scanner.market.bars import Bars
from scanner.market.guard import Guard
from scanner.market.sessions import Timetable
from scanner.market.splits import adjust

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from scanner.analysis.rules import Rules
    from scanner.events import Event
    from scanner.market.bars import RawBars
    from scanner.market.calendars import Calendar
    from scanner.market.guard import Checked
    from scanner.market.instruments import Instrument
    from scanner.market.splits import Adjustment
    from scanner.market.timeframes import Timeframe
    from scanner.trade.size import Account


NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Lane:
    """One timeframe of an instrument: how its bars are made from the feed's, and the engine that looks at them."""

    timeframe: Timeframe
    aggregator: Aggregator | None
    engine: SeriesEngine


class Pipeline:
    """One instrument, from what a feed sends on its ``base`` timeframe to the events on each timeframe followed.

    Bars that opened before an adjustment are rescaled by its ratio before anybody looks at them.
    """

    def __init__(
        self,
        instrument: Instrument,
        calendar: Calendar,
        base: Timeframe,
        timeframes: Sequence[Timeframe],
        *,
        rules: Rules,
        account: Account,
        adjustments: Sequence[Adjustment] = (),
    ) -> None:
        self.instrument = instrument
        self.base = base
        self.guard = Guard(_timetable(calendar, base))
        self.adjustments = tuple(adjustments)
        self.mark = _mark(base, tuple(timeframes), calendar, self.adjustments, rules)
        """Tells whether a snapshot is of the same timeframes, sessions, splits and rules, and laid out alike."""
        self.lanes = tuple(
            Lane(
                timeframe,
                None if timeframe == base else Aggregator(base, _timetable(calendar, timeframe)),
                SeriesEngine(instrument, timeframe, rules, account),
            )
            for timeframe in timeframes
        )

        self.has_coarser = any(lane.aggregator is not None for lane in self.lanes)

    def check(self, raw: RawBars) -> Checked:
        """Let the guard look at raw rows; its notes go to people, its bars to ``events``."""
        return self.guard.check(raw)

    def events(self, bars: Bars) -> Iterator[Event]:
        """Take in checked bars of the base timeframe and say what they mean, one timeframe after the other."""
        for lane, own in self.lanes_of(bars):
            yield from lane.engine.events(own)

    def lanes_of(self, bars: Bars) -> Iterator[tuple[Lane, Bars]]:
        """Give each timeframe's own bars out of checked bars of the base timeframe, for its engine to take."""
        if self.adjustments:
            bars = adjust(bars, self.adjustments)
        for lane in self.lanes:
            yield lane, bars if lane.aggregator is None else lane.aggregator.push(bars)

    def again(self, bars: Bars, coarser: Mapping[str, Bars], over: int = NEVER) -> Iterator[tuple[Lane, Bars]]:
        """Give what ``lanes_of`` gives where ``coarser`` bars, by timeframe, were made of these bars before.

        Those that are older than all that is made now come first: coarser bars are kept for longer than the finer ones
        that they were made of. Of them, those that are no bars of the sessions there are now, and what is older, are
        left out. A bar that was taken as complete though its end never came is so again, if it closed up to ``over``.
        """
        for lane, own in self.lanes_of(bars):
            before = None if lane.aggregator is None else coarser.get(lane.timeframe.name)
            if lane.aggregator is None or before is None or not len(before):
                yield lane, own
                continue
            older = before[: int(np.searchsorted(before.close_time, lane.aggregator.begin(own), side="right"))]
            opens, closes, aligned = lane.aggregator.target.spans(older.open_time, "open")
            astray = np.flatnonzero(~aligned | (opens != older.open_time) | (closes != older.close_time))
            older = older[int(astray[-1]) + 1 if len(astray) else 0 :]
            yield lane, Bars.joined([older, own, lane.aggregator.flush(min(int(before.close_time[-1]), over))])

    def closed_by(self, now: int) -> Iterator[tuple[Lane, Bars]]:
        """Give the coarser bars whose time is over at ``now``, though the feed sent nothing for their end."""
        for lane in self.lanes:
            if lane.aggregator is not None:
                yield lane, lane.aggregator.flush(now)

    def snapshot(self) -> bytes:
        """Give what must be kept, besides the last bars of each timeframe, to go on in a later run."""
        parts = [self.mark, self.guard.snapshot()]
        for lane in self.lanes:
            parts += [b"" if lane.aggregator is None else lane.aggregator.snapshot(), lane.engine.snapshot()]
        return b"".join(len(part).to_bytes(4, "little") + part for part in parts)

    def restore(self, snapshot: bytes, bars: Mapping[str, Bars]) -> None:
        """Go on from a snapshot; ``bars`` are the last bars by name of timeframe. ValueError where they do not fit."""
        mark, *parts = _parts(snapshot)
        if mark != self.mark or len(parts) != 1 + 2 * len(self.lanes):
            raise ValueError(
                f"the state kept of {self.instrument.symbol} is of other timeframes, sessions, splits or rules than now"
            )
        self.guard.restore(parts[0])
        for lane, aggregated, engine in zip(self.lanes, parts[1::2], parts[2::2], strict=True):
            if lane.aggregator is not None:
                lane.aggregator.restore(aggregated)
            lane.engine.restore(engine, bars.get(lane.timeframe.name, Bars.of([])))


@cache
def _timetable(calendar: Calendar, timeframe: Timeframe) -> Timetable:
    """Give one timetable to all instruments that have the same."""
    return Timetable(calendar, timeframe)


@lru_cache(64)
def _mark(
    base: Timeframe,
    timeframes: tuple[Timeframe, ...],
    calendar: Calendar,
    adjustments: tuple[Adjustment, ...],
    rules: Rules,
) -> bytes:
    told = (
        base.name,
        [each.name for each in timeframes],
        calendar.name,
        calendar.tz,
        adjustments,
        rules,
        Series.LAYOUT,
    )
    return sha256(repr(told).encode()).digest()[:16]


def counts_in(snapshot: bytes) -> list[int]:
    """Read from a snapshot how many bars each timeframe has seen since it began or was last put on hold."""
    return [Series.count_in(engine) for engine in _parts(snapshot)[3::2]]


def _parts(snapshot: bytes) -> list[bytes]:
    parts, rest = [], snapshot
    while rest:
        size = int.from_bytes(rest[:4], "little")
        parts.append(rest[4 : 4 + size])
        rest = rest[4 + size :]
    return parts
