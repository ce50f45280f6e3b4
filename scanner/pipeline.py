"""The way of one instrument's bars: raw rows → guard → coarser timeframes → engine → events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.engine import SeriesEngine
from scanner.market.aggregate import Aggregator
from scanner.market.guard import Guard
from scanner.market.sessions import Timetable
from scanner.market.splits import adjust

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from scanner.analysis.rules import Rules
    from scanner.events import Event
    from scanner.market.bars import Bars, RawBars
    from scanner.market.calendars import Calendar
    from scanner.market.guard import Checked
    from scanner.market.instruments import Instrument
    from scanner.market.splits import Adjustment
    from scanner.market.timeframes import Timeframe
    from scanner.trade.size import Account


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
        self.guard = Guard(Timetable(calendar, base))
        self.adjustments = tuple(adjustments)
        self.lanes = tuple(
            Lane(
                timeframe,
                None if timeframe == base else Aggregator(base, Timetable(calendar, timeframe)),
                SeriesEngine(instrument, timeframe, rules, account),
            )
            for timeframe in timeframes
        )

    def check(self, raw: RawBars) -> Checked:
        """Let the guard look at raw rows; its notes go to people, its bars to ``events``."""
        return self.guard.check(raw)

    def events(self, bars: Bars) -> Iterator[Event]:
        """Take in checked bars of the base timeframe and say what they mean, one timeframe after the other."""
        if self.adjustments:
            bars = adjust(bars, self.adjustments)
        for lane in self.lanes:
            yield from lane.engine.events(bars if lane.aggregator is None else lane.aggregator.push(bars))

    def flush(self, now: int) -> Iterator[Event]:
        """Close the coarser bars whose time is over at ``now``, though the feed sent nothing for their end."""
        for lane in self.lanes:
            if lane.aggregator is not None:
                yield from lane.engine.events(lane.aggregator.flush(now))
