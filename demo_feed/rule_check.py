"""A check of the setup's rules, written for the demo feed alone, by which planted cases are chosen.

It shares nothing with the engine, so that the engine's answers can be held against it. Prices are whole numbers
of the price step: sums, ties and levels are exact. Everything reads from the long side; the short side is the
long side of the mirrored tape.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

WARM_UP, FAST, SLOW, USUAL, ATR = 250, 50, 200, 14, 14
CROSS_WINDOW, MACD_READY = 10, 35
NEVER = 1 << 30
A, D, B = range(3)
OPEN, HIGH, LOW, CLOSE = range(4)


@dataclass(frozen=True, slots=True)
class Tape:
    """Bars of one series in steps of price; ``volume`` is NaN where there is none."""

    open: Ints
    high: Ints
    low: Ints
    close: Ints
    volume: Floats

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.close)

    def taken(self, which: slice | Flags) -> Tape:
        """Give some of the bars: views for a slice."""
        return Tape(self.open[which], self.high[which], self.low[which], self.close[which], self.volume[which])

    def mirrored(self) -> Tape:
        """Give the bars with every price p as −p."""
        return Tape(-self.open, -self.low, -self.high, -self.close, self.volume)

    def threes(self, ends: Ints) -> Threes:
        """Give the three bars that end at each of ``ends``."""
        bars = ends[:, None] + np.array([-2, -1, 0])
        prices = np.stack([column[bars] for column in (self.open, self.high, self.low, self.close)], axis=2)
        return Threes(prices, self.volume[bars])


@dataclass(frozen=True, slots=True)
class Threes:
    """Many times the bars A, D and B: ``prices`` by (case, bar, open-high-low-close), ``volume`` by (case, bar)."""

    prices: Ints
    volume: Floats

    def one(self, which: int) -> Threes:
        """Give one of the threes."""
        return Threes(self.prices[which : which + 1], self.volume[which : which + 1])


@dataclass(frozen=True, slots=True)
class State:
    """What the indicators of a tape are at each bar, from the tape's first bar on."""

    close_sums: Ints
    body_sums: Ints
    quick: Floats
    slow: Floats
    signal: Floats
    atr: Floats
    above: Flags
    since_up: Ints

    @classmethod
    def of(cls, tape: Tape) -> State:
        """Read a tape."""
        closes = tape.close.tolist()
        quick, slow = _ema(closes, 12), _ema(closes, 26)
        signal = _ema((quick - slow).tolist(), 9)
        sums = [np.concatenate([[0], np.cumsum(values)]) for values in (tape.close, np.abs(tape.close - tape.open))]
        return cls(sums[0], sums[1], quick, slow, signal, _atr(tape), *_crosses(quick - slow, signal))

    def mirrored(self) -> State:
        """Give the state of the mirrored tape."""
        quick, slow, signal = -self.quick, -self.slow, -self.signal
        crosses = _crosses(quick - slow, signal)
        return State(-self.close_sums, self.body_sums, quick, slow, signal, self.atr, *crosses)


def _crosses(line: Floats, signal: Floats) -> tuple[Flags, Ints]:
    """Tell where the line is above its signal, and how many bars ago it last went there."""
    above = line > signal
    ups = np.flatnonzero(above[1:] & ~above[:-1]) + 1
    ups = ups[ups >= MACD_READY - 1]
    bars = np.arange(len(above))
    marks = np.full(len(bars), -NEVER)
    marks[ups] = ups
    return above, bars - np.maximum.accumulate(marks)


def _ema(values: list[int] | list[float], length: int) -> Floats:
    part = 2.0 / (length + 1)
    return np.array(list(accumulate(values, lambda last, value: last + part * (value - last))), dtype=np.float64)


def _atr(tape: Tape) -> Floats:
    before = np.concatenate([tape.close[:1], tape.close[:-1]])
    ranges = np.maximum(tape.high, before) - np.minimum(tape.low, before)
    ranges[0] = tape.high[0] - tape.low[0]
    first = float(ranges[:ATR].mean())
    rest = accumulate(ranges[ATR:].tolist(), lambda last, value: last + (value - last) / ATR, initial=first)
    return np.concatenate([np.full(ATR - 1, np.nan), list(rest)])


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What the rules say of many threes: ``rules`` by name, and the numbers that later steps need."""

    rules: dict[str, Flags]
    since_cross: Ints
    atr: Floats
    fast_sum: Ints
    slow_sum: Ints
    usual_sum: Ints

    def one(self, which: int) -> Verdicts:
        """Give the verdicts of one of the threes."""
        part = slice(which, which + 1)
        rules = {name: holds[part] for name, holds in self.rules.items()}
        return Verdicts(
            rules,
            self.since_cross[part],
            self.atr[part],
            self.fast_sum[part],
            self.slow_sum[part],
            self.usual_sum[part],
        )


def check(state: State, ends: Ints, threes: Threes) -> Verdicts:
    """Judge every rule but place for bars A, D and B that stand at the bars ends−2 … ends.

    They may be bars that the tape does not hold: of the tape only what is before them is read.
    """
    opens, highs, lows, closes = (threes.prices[:, :, which] for which in range(4))
    body, span = np.abs(closes - opens), highs - lows
    before = ends - 3
    usual_sum = state.body_sums[before + 1] - state.body_sums[before + 1 - USUAL]

    quick, slow, signal = state.quick[before], state.slow[before], state.signal[before]
    above, since = state.above[before], state.since_up[before]
    atr, last = state.atr[before], state.close_sums[before + 1] - state.close_sums[before]
    for bar in (A, D, B):
        close = closes[:, bar]
        quick, slow = quick + 2.0 / 13 * (close - quick), slow + 2.0 / 27 * (close - slow)
        signal = signal + 2.0 / 10 * (quick - slow - signal)
        was_above, above = above, quick - slow > signal
        since = np.where(above & ~was_above, 0, since + 1)
        atr = atr + (np.maximum(highs[:, bar], last) - np.minimum(lows[:, bar], last) - atr) / ATR
        last = close

    rules = {
        "drive_direction": (closes[:, A] > opens[:, A]) & (closes[:, B] > opens[:, B]),
        "drive_length": body[:, A] * USUAL >= usual_sum,
        "not_exhausted": span[:, A] <= 3.0 * state.atr[before],
        "drive_solid": (2 * body[:, A] >= span[:, A]) & (2 * body[:, B] >= span[:, B]),
        "doji_body": (10 * body[:, D] <= span[:, D]) | (20 * body[:, D] <= body[:, A]),
        "doji_short": 4 * span[:, D] <= 3 * span[:, A],
        "drives_alike": (4 * body[:, B] <= 7 * body[:, A]) & (4 * body[:, A] <= 7 * body[:, B]),
        "progress": closes[:, B] > np.maximum(closes[:, A], highs[:, D]),
        "momentum": above & (since <= CROSS_WINDOW),
        "traded": ~((span == 0) & (threes.volume == 0)).any(axis=1),
    }
    three = closes.sum(axis=1)
    sums = [
        state.close_sums[ends - 2] - state.close_sums[np.maximum(ends + 1 - length, 0)] + three
        for length in (FAST, SLOW)
    ]
    return Verdicts(rules, np.where(above, since, NEVER), atr, sums[0], sums[1], usual_sum)


def missed(verdicts: Verdicts) -> Ints:
    """Count the rules that each of the threes misses."""
    misses: Ints = np.sum([~holds for holds in verdicts.rules.values()], axis=0)
    return misses
