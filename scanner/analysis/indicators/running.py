"""The indicators, one step at a time or over the bars of a block.

What is recursive is one step, written once; the loops over a block repeat it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.indicators.arrays import fill
from scanner.analysis.indicators.windows import PLACE, prefetch_bars
from scanner.analysis.rules import TIE
from scanner.compiling import compiled, fused, inlined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.indicators.windows import Prices, Times

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Alphas = tuple[float, float, float, float, float]
    """Weights of the new bar: fast and slow average of the MACD, its signal, the ATR, the exponential average."""
    Running = tuple[float, float, float, float, float]
    """The values carried from bar to bar, in the same order."""
    Pair = tuple[Floats, Floats]

NO_SESSION = np.iinfo(np.int64).min
END_OF_TIME = np.iinfo(np.int64).max


# Loops run over views that start at zero: only then does the compiler know that no index is negative, and puts several
# bars into one instruction.


@inlined
def true_range(high: float, low: float, last_close: float) -> float:
    """Range of a bar, including the gap from the previous close."""
    return max(high, last_close) - min(low, last_close)


@inlined
def step(close: float, bar_range: float, alphas: Alphas, running: Running) -> Running:
    """Advance by one bar."""
    fast, slow, of_signal, of_atr, of_average = alphas
    ema_fast, ema_slow, signal, atr, average = running
    ema_fast = fused(1.0 - fast, ema_fast, fast * close)
    ema_slow = fused(1.0 - slow, ema_slow, slow * close)
    signal = fused(1.0 - of_signal, signal, of_signal * (ema_fast - ema_slow))
    atr = fused(1.0 - of_atr, atr, of_atr * bar_range)
    average = fused(1.0 - of_average, average, of_average * close)
    return ema_fast, ema_slow, signal, atr, average


@compiled
def steps(
    prices: tuple[Floats, Floats, Floats],
    last_closes: Floats,
    alphas: Alphas,
    running: Running,
    outs: tuple[Floats, Floats, Floats, Floats],
    coming: tuple[Prices, Times, int],
) -> Running:
    """Advance by several bars; the indicators run side by side, so that none waits for another.

    Writes the slow average of the MACD, its line less its signal, the ATR and the exponential average of each bar.
    Meanwhile as many bars of ``coming``, from its index on, begin to be read from memory.
    """
    highs, lows, closes = prices
    slows, gaps, atrs, averages = outs
    for i in range(len(closes)):
        if i % PLACE == 0:
            prefetch_bars(coming[0], coming[1], coming[2] + i)
        running = step(closes[i], true_range(highs[i], lows[i], last_closes[i]), alphas, running)
        ema_fast, ema_slow, signal, atrs[i], averages[i] = running
        slows[i], gaps[i] = ema_slow, (ema_fast - ema_slow) - signal
    return running


@compiled
def averages_after(closes: Floats, state: Any, rules: Any) -> tuple[float, float, float]:
    """Give both averages of the MACD and its signal after some closes that follow a state, as ``advance`` does."""
    alphas = (2.0 / (rules.macd_fast + 1), 2.0 / (rules.macd_slow + 1), 2.0 / (rules.macd_signal + 1), 0.0, 0.0)
    running, first = (state.ema_fast, state.ema_slow, state.signal, 0.0, 0.0), 0
    if state.count == 0:
        running, first = (closes[0], closes[0], 0.0, 0.0, 0.0), 1
    for i in range(first, len(closes)):
        running = step(closes[i], 0.0, alphas, running)
    return running[0], running[1], running[2]


@inlined
def side_of(close: float, slow: float, gap: float) -> int:
    """Say on which side of its signal the MACD line is: +1 above, −1 below, 0 if they are equal."""
    tie = TIE * (abs(close) + abs(slow))
    return int(gap > tie) - int(-gap > tie)


@compiled
def sides_of(closes: Floats, slows: Floats, gaps: Floats, out: NDArray[np.int8]) -> None:
    """Say the same for each bar."""
    for i in range(len(closes)):
        out[i] = side_of(closes[i], slows[i], gaps[i])


@inlined
def crossed(side: int, before: int, cross: int, ready: bool) -> int:
    """Count the bars since the MACD line crossed its signal, see CROSS; a cross counts once the signal is ready."""
    if side == before:
        return cross + side if cross != 0 else 0
    return side if ready else 0


@compiled
def crosses(sides: NDArray[np.int8], side: int, cross: int, unready: int, out: Floats) -> tuple[int, int]:
    """Do the same for each bar; the first ``unready`` are too early. Returns side and count at the last bar.

    ``side`` and ``cross`` are those of the bar before.
    """
    first, bars = 0, len(sides)
    while first < bars and (first < unready or sides[first] == side):
        now = int(sides[first])
        cross, side = crossed(now, side, cross, False), now  # noqa: FBT003 - compiled
        out[first] = cross
        first += 1
    # From here on the start of every side was seen: only the count is recursive.
    rest, counts, begun = sides[first:], out[first:], 0
    for i in range(len(rest)):
        now = int(rest[i])
        begun = i if now != side else begun
        side = now
        cross = now * (i + 1 - begun)
        counts[i] = cross
    return side, cross


@compiled
def _extremes(highs: Floats, lows: Floats) -> tuple[float, float]:
    """Give the highest high and the lowest low, searched in four independent parts."""
    high_a = high_b = high_c = high_d = highs[0]
    low_a = low_b = low_c = low_d = lows[0]
    whole = len(highs) & ~3
    for i in range(0, whole, 4):
        high_a, high_b = max(high_a, highs[i]), max(high_b, highs[i + 1])
        high_c, high_d = max(high_c, highs[i + 2]), max(high_d, highs[i + 3])
        low_a, low_b = min(low_a, lows[i]), min(low_b, lows[i + 1])
        low_c, low_d = min(low_c, lows[i + 2]), min(low_d, lows[i + 3])
    for i in range(whole, len(highs)):
        high_a, low_a = max(high_a, highs[i]), min(low_a, lows[i])
    return max(high_a, high_b, high_c, high_d), min(low_a, low_b, low_c, low_d)


@inlined
def in_session(session: int, high: float, low: float, state: Any) -> None:
    """Take in a stretch of a session; the session of the very first bar may not have been seen whole."""
    if session == state.session:
        state.session_high = high if high > state.session_high else state.session_high  # noqa: FURB136 - NaN stays
        state.session_low = low if low < state.session_low else state.session_low  # noqa: FURB136 - as above
    elif state.session != NO_SESSION:
        state.before_high, state.before_low = state.session_high, state.session_low
        state.session_high, state.session_low = high, low
    state.session = session


@compiled
def session_at(moment: int, begins: Integers) -> int:
    """Find the last session that begins at or before a moment, −1 if there is none; ``begins`` are in order."""
    low, high = 0, len(begins)
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if begins[middle] <= moment else (low, middle)
    return low - 1


@compiled
def in_sessions(
    opens: Integers, sessions: tuple[Integers, Integers], highs: Floats, lows: Floats, state: Any, before: Pair
) -> None:
    """Write the extremes of the session before each bar's; ``opens`` are the times at which the bars open."""
    begins, days = sessions
    before_highs, before_lows = before
    begin, bars, which = 0, len(opens), session_at(opens[0], begins)
    while begin < bars:
        while which + 1 < len(begins) and begins[which + 1] <= opens[begin]:
            which += 1
        until = begins[which + 1] if which + 1 < len(begins) else END_OF_TIME
        end = begin + 1 + session_at(until - 1, opens[begin:])
        high, low = _extremes(highs[begin:end], lows[begin:end])
        in_session(days[which], high, low, state)
        fill(before_highs[begin:end], state.before_high)
        fill(before_lows[begin:end], state.before_low)
        begin = end


@compiled
def first_jump(opens: Floats, last_closes: Floats, last_atrs: Floats, hold_atr: float, first: int) -> int:
    """Find the first bar, from ``first`` on, that opens more than ``hold_atr`` ATR from the previous close."""
    jumps = 0
    for i in range(len(opens)):
        jumps += abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]
    if jumps:
        for i in range(first, len(opens)):
            if abs(opens[i] - last_closes[i]) > hold_atr * last_atrs[i]:
                return i
    return len(opens)


@compiled
def bodies(opens: Floats, closes: Floats, out: Floats) -> None:
    """Give the bodies of bars."""
    for i in range(len(opens)):
        out[i] = abs(closes[i] - opens[i])
