"""Aggregation: bars of one timeframe into bars of a coarser one, aligned to the sessions."""

from __future__ import annotations

import struct
from math import isnan, nan
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import NO_BARS, NO_TIME, Bars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.sessions.timeframes import Timeframe
    from scanner.market.sessions.timetables import Timetable

Row = tuple[int, int, float, float, float, float, float]

STATE = struct.Struct("<qqqq5d")
"""A snapshot: offset of the grid, end of the last bar given, then the waiting bar; see ``Aggregator``."""
NO_OFFSET = -1
NO_ROW = (NO_TIME, NO_TIME, nan, nan, nan, nan, nan)


class Aggregator:
    """Makes bars of ``target`` from bars of ``base``, as they come, in chunks of any size.

    A coarse bar is complete once a bar ends at its close or a bar of a later one has come. One that began before the
    first bar seen is left out, since its open is unknown. A base bar for a coarse bar already given is too late.
    Volumes are summed one after the other, so that the sums do not depend on the chunks.
    """

    __slots__ = ("_done_until", "_offset", "_waiting", "base", "target")

    def __init__(self, base: Timeframe, target: Timetable) -> None:
        coarse = target.timeframe
        if coarse.seconds <= base.seconds or coarse.seconds % base.seconds:
            raise ValueError(f"{coarse.name} bars cannot be made of {base.name} bars")
        self.base = base
        self.target = target
        self._waiting: Row | None = None  # the incomplete coarse bar so far
        self._offset = NO_OFFSET
        self._done_until = NO_TIME

    def push(self, bars: Bars) -> Bars:
        """Take in base bars and give the coarse bars that are complete."""
        if not len(bars):
            return bars
        if self._offset == NO_OFFSET:
            # If the sessions are unknown, the coarse grid starts with the feed's own: 09:30, 13:30, …
            self._offset = self.target.offset(int(bars.open_time[0]), self.base.nanoseconds)
            opens, closes = self.target.buckets(bars.open_time[:1], self._offset)
            if opens[0] < bars.open_time[0]:
                self._done_until = max(self._done_until, int(closes[0]))
        if bars.open_time[0] < self._done_until:
            bars = bars[int(np.searchsorted(bars.open_time, self._done_until)) :]
            if not len(bars):
                return bars
        last_close = bars.close_time.item(-1)
        if self._waiting is None and len(bars) == 1:
            self._waiting = (*self.target.bucket(bars.open_time.item(0), self._offset), *_row(bars)[2:])
        elif self._waiting is not None and last_close <= self._waiting[1]:
            self._waiting = _merged(self._waiting, bars)
        else:
            return self._made(bars)
        return self.flush(last_close)

    def _made(self, bars: Bars) -> Bars:
        """Make coarse bars from base bars, which may belong to several; keep the last one if it is incomplete."""
        opens, closes = self.target.buckets(bars.open_time, self._offset)
        starts = np.concatenate([[0], np.flatnonzero(opens[1:] != opens[:-1]) + 1])
        whole = Bars(opens[starts], closes[starts], *_combined(bars, starts))
        if self._waiting is not None:
            if self._waiting[0] == opens[0]:
                first = _merged(self._waiting, bars[: int(starts[1]) if len(starts) > 1 else len(bars)])
                whole = Bars.joined([Bars.of([first]), whole[1:]])
            else:
                whole = Bars.joined([Bars.of([self._waiting]), whole])
        self._waiting = None
        if bars.close_time[-1] < closes[-1]:
            last = whole[-1:]
            self._waiting = _row(last)
            whole = whole[:-1]
        if len(whole):
            self._done_until = int(whole.close_time[-1])
        return whole

    def begin(self, made: Bars) -> int:
        """Give the opening from which it has made coarse bars, the first of which are those of ``made``, if any."""
        if len(made):
            return int(made.open_time[0])
        return self._done_until if self._waiting is None else self._waiting[0]

    def flush(self, now: int) -> Bars:
        """Give the coarse bar that is waiting if its time is over at ``now`` (nanoseconds since 1970 UTC)."""
        if self._waiting is None or self._waiting[1] > now:
            return NO_BARS
        given = Bars.of([self._waiting])
        self._done_until, self._waiting = self._waiting[1], None
        return given

    def go_on_with(self, known: Bars) -> Bars:
        """Give those of some coarse bars that are later than all it has made, as if it had made them.

        None while one is incomplete.
        """
        if self._waiting is not None:
            return known[:0]
        later = known[int(np.searchsorted(known.open_time, self._done_until)) :]
        if len(later):
            self._done_until = int(later.close_time[-1])
        return later

    def pass_over(self, until: int) -> None:
        """Count all coarse bars that close up to a time as given."""
        self._waiting, self._done_until = None, max(self._done_until, until)

    def snapshot(self) -> bytes:
        """Give the state needed to resume in a later run."""
        return STATE.pack(self._offset, self._done_until, *(self._waiting or NO_ROW))

    def restore(self, snapshot: bytes) -> None:
        """Restore the state of ``snapshot``; ValueError if it is not the state of an aggregator."""
        if len(snapshot) != STATE.size:
            raise ValueError(f"the state of an aggregator has {STATE.size} bytes, not {len(snapshot)}")
        self._offset, self._done_until, *row = STATE.unpack(snapshot)
        begin, end, first, high, low, last, volume = row
        self._waiting = None if begin == NO_TIME else (begin, end, first, high, low, last, volume)


def _row(bars: Bars) -> Row:
    begin, end, first, high, low, last, volume = (column[0].item() for column in bars.columns())
    return begin, end, first, high, low, last, volume


def _merged(waiting: Row, bars: Bars) -> Row:
    begin, end, first, high, low, _, volume = waiting
    for added in bars.volume.tolist():
        if not isnan(added):
            volume = added if isnan(volume) else volume + added
    return (
        begin,
        end,
        first,
        max(high, float(bars.high.max())),
        min(low, float(bars.low.min())),
        float(bars.close[-1]),
        volume,
    )


def _combined(bars: Bars, starts: NDArray[np.intp]) -> tuple[NDArray[np.float64], ...]:
    """Combine runs of base bars, each beginning at one of ``starts``, into open, high, low, close and volume."""
    ends = np.append(starts[1:], len(bars))
    untold = np.isnan(bars.volume)
    run = np.repeat(np.arange(len(starts)), ends - starts)
    # Adds in the order of the rows; the sums of numpy do not.
    volume = np.bincount(run, weights=np.where(untold, 0.0, bars.volume)).astype(np.float64, copy=False)
    volume[np.logical_and.reduceat(untold, starts)] = np.nan
    return (
        bars.open[starts],
        np.maximum.reduceat(bars.high, starts),
        np.minimum.reduceat(bars.low, starts),
        bars.close[ends - 1],
        volume,
    )
