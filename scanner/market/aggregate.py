"""Aggregation: bars of one timeframe into bars of a coarser one, aligned to the sessions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.sessions import Timetable
    from scanner.market.timeframes import Timeframe

    Times = NDArray[np.int64]

HOUR = 3_600 * 1_000_000_000
NEVER = np.iinfo(np.int64).min


class Aggregator:
    """Makes the bars of ``target`` out of those of ``base``, as they come, in chunks of any size.

    A coarse bar is complete once a bar ends at its close or a bar of a later one has come; one that has begun
    before the first bar seen is left out, since nobody can know its open.
    """

    def __init__(self, base: Timeframe, target: Timetable) -> None:
        coarse = target.timeframe
        if coarse.seconds <= base.seconds or coarse.seconds % base.seconds:
            raise ValueError(f"{coarse.name} bars cannot be made of {base.name} bars")
        self.base = base
        self.target = target
        self._waiting = Bars.of([])
        self._offset: int | None = None
        self._done_until = NEVER

    def push(self, bars: Bars) -> Bars:
        """Take in base bars and give the coarse bars that are complete."""
        if not len(bars):
            return bars
        if self._offset is None:
            # Where sessions are unknown, the coarse grid begins with the feed's own: 09:30, 13:30, …
            self._offset = int(bars.open_time[0] % min(self.base.nanoseconds, HOUR))
            opens, closes = self.target.buckets(bars.open_time[:1], self._offset)
            if opens[0] < bars.open_time[0]:
                self._done_until = int(closes[0])
        bars = bars[int(np.searchsorted(bars.open_time, self._done_until)) :]
        bars = Bars.joined([self._waiting, bars])
        if not len(bars):
            return bars
        opens, closes = self.target.buckets(bars.open_time, self._offset)
        starts = np.concatenate([[0], np.flatnonzero(opens[1:] != opens[:-1]) + 1])
        complete = len(starts) if bars.close_time[-1] >= closes[-1] else len(starts) - 1
        cut = int(starts[complete]) if complete < len(starts) else len(bars)
        self._waiting = bars[cut:]
        return self._combined(bars[:cut], starts[:complete], opens, closes)

    def flush(self, now: int) -> Bars:
        """Give the coarse bar that is waiting if its time is over at ``now`` (nanoseconds since 1970 UTC)."""
        if not len(self._waiting) or self._offset is None:
            return Bars.of([])
        opens, closes = self.target.buckets(self._waiting.open_time, self._offset)
        if closes[0] > now:
            return Bars.of([])
        waiting, self._waiting = self._waiting, Bars.of([])
        return self._combined(waiting, np.array([0]), opens, closes)

    def _combined(self, bars: Bars, starts: NDArray[np.intp], opens: Times, closes: Times) -> Bars:
        """Combine runs of base bars, each beginning at one of ``starts``."""
        if not len(starts):
            return Bars.of([])
        ends = np.concatenate([starts[1:], [len(bars)]]) - 1
        volume = np.add.reduceat(np.nan_to_num(bars.volume, nan=0.0), starts)
        volume[np.logical_and.reduceat(np.isnan(bars.volume), starts)] = np.nan
        self._done_until = int(closes[starts[-1]])
        return Bars(
            opens[starts],
            closes[starts],
            bars.open[starts],
            np.maximum.reduceat(bars.high, starts),
            np.minimum.reduceat(bars.low, starts),
            bars.close[ends],
            volume,
        )

    def snapshot(self) -> bytes:
        """Give what must be remembered to go on in a later run."""
        offset = -1 if self._offset is None else self._offset
        head = np.array([offset, self._done_until], dtype=np.int64).tobytes()
        times = np.stack([self._waiting.open_time, self._waiting.close_time])
        return head + times.tobytes() + np.stack(self._waiting.columns()[2:]).tobytes()

    def restore(self, snapshot: bytes) -> None:
        """Become the aggregator that gave ``snapshot``."""
        offset, done_until = np.frombuffer(snapshot[:16], dtype=np.int64)
        self._offset = None if offset < 0 else int(offset)
        self._done_until = int(done_until)
        rest = snapshot[16:]
        count = len(rest) // (7 * 8)
        times = np.frombuffer(rest[: 16 * count], dtype=np.int64).reshape(2, count)
        prices = np.frombuffer(rest[16 * count :]).reshape(5, count)
        self._waiting = Bars(*times, *prices)
