"""A series: a window of recent closed bars and one small record of running state."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis import kernel, structure
from scanner.analysis.columns import COLUMNS, FAST_AVERAGE, OPEN, VOLUME
from scanner.analysis.setups import doji_pause
from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
SLACK = 24
"""Bars a series can take before its window has to be moved: few, since ten thousand series share the memory."""

BLOCK = 32_768
"""Bars taken at once from a long slice: few enough to stay in the processor's cache."""


ROOM = 2 * kernel.BLOCK
"""How many candidates are collected before they are handed on."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A bar that passes all rules of the setup but its place: how, in which direction, and the ATR there."""

    index: int
    sign: int
    atr: float
    measured: NDArray[np.float64]
    verdicts: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Warm:
    """The bar that ends a hold."""

    index: int


@dataclass(frozen=True, slots=True)
class Leap:
    """A bar, not taken in yet, that opens so far from the last close that it may be a split."""

    index: int


class Series:
    """One instrument on one timeframe, as far as its bars have closed.

    ``columns`` and ``times`` (open and close, nanoseconds since 1970 UTC) hold the last bars; ``used`` of them
    are filled.
    """

    __slots__ = ("columns", "rules", "state", "swings", "times", "used")
    LAYOUT = str(kernel.STATE)
    """Says how a snapshot is laid out."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.state = kernel.fresh_state()
        self.used = 0
        self._allocate(rules.history + SLACK)

    @classmethod
    def make_ready(cls, rules: Rules) -> None:
        """Have compiled all that the first bar would otherwise wait for, or load what was compiled before."""
        series = cls(rules)
        for _ in series.take(Bars.of([(0, 1, 1.0, 1.0, 1.0, 1.0, 1.0)])):
            pass
        series.look(Candidate(0, 1, 1.0, np.empty(doji_pause.MEASURED), np.empty(0, dtype=np.uint8)))

    def _allocate(self, bars: int) -> None:
        self.columns = np.empty((COLUMNS, bars))
        self.times = np.empty((2, bars), dtype=np.int64)
        self.swings = np.zeros(bars, dtype=np.uint8)

    def _make_room(self, bars: int) -> None:
        """Keep the bars that the rules look back at, with room for more behind them."""
        kept = min(self.used, self.rules.history)
        last = slice(self.used - kept, self.used)
        columns, times, swings = self.columns[:, last], self.times[:, last], self.swings[last]
        self._allocate(self.rules.history + bars)
        self.columns[:, :kept], self.times[:, :kept], self.swings[:kept] = columns, times, swings
        self.used = kept

    @property
    def count(self) -> int:
        """How many bars the series has seen since it began or was last put on hold."""
        return int(self.state["count"][0])

    @property
    def warm(self) -> bool:
        """Whether a setup may be reported."""
        return self.count >= self.rules.warm_up

    def restart(self) -> None:
        """Forget all bars and hold until warm again: prices before a suspected split say nothing about later ones."""
        self.state = kernel.fresh_state()
        self.state["held"] = True
        self.used = 0

    def take(self, bars: Bars) -> Iterator[Candidate | Warm | Leap]:
        """Take in bars, oldest first, and stop at each that has to be looked at.

        At a leap the caller may ``restart`` the series; then the leaping bar becomes its first. Otherwise it is
        taken in as it is.
        """
        done = 0
        while done < len(bars):
            room = self.columns.shape[1] - self.used
            if room == 0 or len(bars) - done > room:
                self._make_room(min(max(len(bars) - done, SLACK), BLOCK))
                room = self.columns.shape[1] - self.used
            part = bars[done : done + room] if done or len(bars) > room else bars
            done += len(part)
            yield from self._take_block(part)
        if self.columns.shape[1] > self.rules.history + SLACK:
            self._make_room(SLACK)

    def _take_block(self, bars: Bars) -> Iterator[Candidate | Warm | Leap]:
        start, stop = self.used, self.used + len(bars)
        self.times[0, start:stop], self.times[1, start:stop] = bars.open_time, bars.close_time
        for column, values in enumerate((bars.open, bars.high, bars.low, bars.close, bars.volume), OPEN):
            self.columns[column, start:stop] = values
        found = np.empty(min(len(bars), ROOM), dtype=kernel.FOUND)
        while start < stop:
            held = bool(self.state["held"][0])
            # A hold ends at a bar of its own, so that it is said before anything else of that bar.
            limit = min(stop, start + max(self.rules.warm_up - self.count, 1)) if held else stop
            reason, start, number = kernel.advance(
                self.columns, self.swings, start, limit, self.state, self.rules.record, found
            )
            self.used = start
            if held and self.warm:
                self.state["held"] = False
                yield Warm(start - 1)
            for one in found[:number]:
                yield Candidate(
                    int(one["index"]), int(one["sign"]), float(one["atr"]), one["measured"], one["verdicts"]
                )
            if reason == kernel.LEAP:
                yield Leap(start)
                if self.count == 0:
                    self._begin_at(start, stop)
                    start, stop = 0, stop - start
                else:
                    self.state["leap_seen"] = True
        self.used = stop

    def _begin_at(self, index: int, stop: int) -> None:
        """Make the bar at ``index`` the first of the window."""
        kept = stop - index
        for array in (self.columns, self.times):
            array[:, :kept] = array[:, index:stop].copy()

    def measure_last(self, sign: int) -> Candidate:
        """Measure the setup's own rules at the last bar taken in, in one direction, whether or not they hold."""
        index, atr, usual_body = self.used - 1, self.state["atr"][0], self.state["usual_body"][0]
        since = int(self.state["since_up" if sign > 0 else "since_down"][0])
        one = Candidate(
            index,
            sign,
            float(atr[-1]),
            np.empty(doji_pause.MEASURED),
            np.empty(len(doji_pause.RULE_NAMES), dtype=np.uint8),
        )
        doji_pause.measure(
            self.columns,
            index,
            float(sign),
            self.rules.record[0],
            usual_body[0],
            atr[0],
            float(since) if since >= 0 else np.nan,
            one.measured,
            one.verdicts,
        )
        return one

    def look(self, candidate: Candidate) -> Any:  # noqa: ANN401 - a record of numpy has no type of its own
        """Look at the places around a bar; returns a PLACES record."""
        places = np.zeros(1, dtype=structure.PLACES)
        structure.look(
            self.columns,
            self.swings,
            candidate.index,
            float(candidate.sign),
            self.rules.record,
            candidate.atr,
            places,
            structure.room_to_look(self.rules),
        )
        return places[0]

    @property
    def remembered(self) -> int:
        """How many bars of averages a snapshot holds: as far as a place looks back."""
        return max(self.rules.pullback_window, self.rules.average_rise) + 1

    def snapshot(self) -> bytes:
        """Give all that cannot be had again from the last bars themselves."""
        first, kept = max(self.used - self.remembered, 0), min(self.used, self.rules.history)
        averages = self.columns[FAST_AVERAGE : FAST_AVERAGE + 2, first : self.used]
        return self.state.tobytes() + self.swings[self.used - kept : self.used].tobytes() + averages.tobytes()

    @staticmethod
    def count_in(snapshot: bytes) -> int:
        """Read from a snapshot what ``count`` was."""
        return int(np.frombuffer(snapshot[: kernel.STATE.itemsize], dtype=kernel.STATE)["count"][0])

    def restore(self, snapshot: bytes, bars: Bars) -> None:
        """Become the series that gave ``snapshot``; ``bars`` are its last bars, ``rules.history`` or all of them."""
        self.state = np.frombuffer(snapshot[: kernel.STATE.itemsize], dtype=kernel.STATE).copy()
        count = min(self.count, self.rules.history, len(bars))
        wanted = min(self.count, self.rules.history)
        if count < wanted:
            raise ValueError(f"{wanted} bars are needed to restore the series and only {len(bars)} were given")
        bars = bars[len(bars) - count :]
        self._allocate(self.rules.history + SLACK)
        self.times[0, :count], self.times[1, :count] = bars.open_time, bars.close_time
        for column, values in enumerate((bars.open, bars.high, bars.low, bars.close, bars.volume), OPEN):
            self.columns[column, :count] = values
        self.columns[FAST_AVERAGE:, :count] = np.nan
        rest = snapshot[kernel.STATE.itemsize :]
        swings, averages = np.frombuffer(rest[:count], dtype=np.uint8), np.frombuffer(rest[count:]).reshape(2, -1)
        self.columns[FAST_AVERAGE : FAST_AVERAGE + 2, count - averages.shape[1] : count] = averages
        self.swings[:count] = swings
        self.used = count

    def volume_mean(self, index: int) -> float:
        """Mean volume of the bars up to ``index``; NaN where one is missing or the series is too short."""
        first = index + 1 - self.rules.volume_length
        if first < 0:
            return nan
        return float(np.add.reduce(self.columns[VOLUME, first : index + 1])) / self.rules.volume_length
