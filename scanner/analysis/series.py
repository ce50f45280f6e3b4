"""A series: a window of recent closed bars and one small record of running state."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from scanner.analysis import kernel, structure
from scanner.analysis.columns import COLUMNS, FAST_AVERAGE, OPEN, VOLUME
from scanner.analysis.setups import doji_pause

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.market.bars import Bars

SLACK = 24
"""Bars a series can take before its window has to be moved: few, since ten thousand series share the memory."""

BLOCK = 32_768
"""Bars taken at once from a long slice: few enough to stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A bar somebody has to look at.

    ``candidate`` has been taken in and passes all rules of the setup but its place; ``warm`` has been taken in
    and ends a hold; ``leap`` has not been taken in yet.
    """

    kind: Literal["candidate", "warm", "leap"]
    index: int
    sign: int


class Series:
    """One instrument on one timeframe, as far as its bars have closed.

    ``columns`` and ``times`` (open and close, nanoseconds since 1970 UTC) hold the last bars; ``used`` of them
    are filled. ``measured`` and ``verdicts`` are those of the last rules measured, ``places`` those of the last
    look around.
    """

    __slots__ = ("columns", "measured", "places", "rules", "state", "swings", "times", "used", "verdicts")

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.state = kernel.fresh_state()
        self.measured = np.empty(doji_pause.MEASURED)
        self.verdicts = np.empty(len(doji_pause.RULE_NAMES), dtype=np.bool_)
        self.places = np.zeros(1, dtype=structure.PLACES)
        self.used = 0
        self._allocate(rules.history + SLACK)

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

    def take(self, bars: Bars) -> Iterator[Stop]:
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
            part = bars[done : done + room]
            done += len(part)
            yield from self._take_block(part)
        if self.columns.shape[1] > self.rules.history + SLACK:
            self._make_room(SLACK)

    def _take_block(self, bars: Bars) -> Iterator[Stop]:
        start, stop = self.used, self.used + len(bars)
        self.times[0, start:stop], self.times[1, start:stop] = bars.open_time, bars.close_time
        for column, values in enumerate((bars.open, bars.high, bars.low, bars.close, bars.volume), OPEN):
            self.columns[column, start:stop] = values
        kernel.mark_swings(self.columns, self.swings, start, stop, self.rules.swing_strength)
        while start < stop:
            held = bool(self.state["held"][0])
            limit = min(stop, start + max(self.rules.warm_up - self.count, 1)) if held else stop
            reason, index, sign = kernel.advance(
                self.columns, start, limit, self.state, self.rules.record, self.measured, self.verdicts
            )
            start = self.used = index + (reason == kernel.CANDIDATE)
            if held and self.warm:
                self.state["held"] = False
                yield Stop("warm", start - 1, 0)
            if reason == kernel.CANDIDATE:
                yield Stop("candidate", index, sign)
            elif reason == kernel.LEAP:
                yield Stop("leap", index, 0)
                if self.count == 0:
                    self._begin_at(index, stop)
                    start, stop = 0, stop - index
                else:
                    self.state["leap_seen"] = True
        self.used = stop

    def _begin_at(self, index: int, stop: int) -> None:
        """Make the bar at ``index`` the first of the window."""
        kept = stop - index
        for array in (self.columns, self.times):
            array[:, :kept] = array[:, index:stop].copy()
        kernel.mark_swings(self.columns, self.swings, 0, kept, self.rules.swing_strength)

    def measure(self, index: int, sign: int) -> bool:
        """Measure the setup's own rules at the last bar taken in, in one direction; fill ``measured``."""
        since = self.state["since_up" if sign > 0 else "since_down"][0]
        beyond = self.state["above" if sign > 0 else "below"][0]
        return bool(
            doji_pause.measure(
                self.columns,
                index,
                float(sign),
                self.rules.record[0],
                self.state["usual_body"][0, 3],
                self.state["atr"][0, 3],
                float(since) if beyond else np.nan,
                self.measured,
                self.verdicts,
            )
        )

    def look(self, index: int, sign: int) -> NDArray[Any]:
        """Look at the places around the last bar taken in; returns one PLACES record."""
        atr = float(self.state["atr"][0, 0])
        structure.look(self.columns, self.swings, index, float(sign), self.rules.record, atr, self.places)
        return self.places

    @property
    def remembered(self) -> int:
        """How many bars of averages a snapshot holds: as far as a place looks back."""
        return max(self.rules.pullback_window, self.rules.average_rise) + 1

    def snapshot(self) -> bytes:
        """Give all that cannot be had again from the last bars themselves."""
        first = max(self.used - self.remembered, 0)
        return self.state.tobytes() + self.columns[FAST_AVERAGE : FAST_AVERAGE + 2, first : self.used].tobytes()

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
        averages = np.frombuffer(snapshot[kernel.STATE.itemsize :]).reshape(2, -1)
        self.columns[FAST_AVERAGE : FAST_AVERAGE + 2, count - averages.shape[1] : count] = averages
        kernel.mark_swings(self.columns, self.swings, 0, count, self.rules.swing_strength)
        self.used = count

    def volume_mean(self, index: int) -> float:
        """Mean volume of the bars up to ``index``; NaN where one is missing or the series is too short."""
        first = index + 1 - self.rules.volume_length
        return float(self.columns[VOLUME, first : index + 1].mean()) if first >= 0 else float("nan")
